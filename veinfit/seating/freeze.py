"""Freeze drift: what a balloon that grows when freezing starts does to its seat."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from veinfit.frames import BoolArray, FloatArray
from veinfit.seating.balloon import Balloon
from veinfit.seating.equilibrium import Energy, descend
from veinfit.seating.gap import gap_field
from veinfit.seating.model import FreezeDrift
from veinfit.seating.patch import WallPatch
from veinfit.seating.seal import Seal, find_seal, why_not_assessed


def constant_size(seal: Seal) -> FreezeDrift:
    """Return the drift of a balloon that keeps its size: none, and all stays as it is."""
    return FreezeDrift(0.0, "seated", 0.0, seal.occluded, seal.sealed, seal.leak_width_mm)


def freeze_drift(
    patch: WallPatch,
    touchable: BoolArray,
    grown: Balloon,
    growth_mm: float,
    energy: Energy,
    centre: FloatArray,
    gone: Callable[[FloatArray], bool],
    tolerance_mm: float,
) -> FreezeDrift:
    """Seat a balloon again from where it rests, with the diameter it has grown to.

    Parameters
    ----------
    patch : WallPatch
    touchable : (V,) bool array
        Vertices that the balloon can press.
    grown : Balloon
        As it is once freezing has started.
    growth_mm : float
        By which its diameter has grown.
    energy : Energy
        Of the grown balloon.
    centre : (3,) array
        The first equilibrium.
    gone : callable
        Whether a centre is so deep that the balloon has passed through.
    tolerance_mm : float
        A gap up to this counts as contact.
    """
    rest = descend(energy, centre, gone)
    if rest.state == "gave up":
        return FreezeDrift(growth_mm, "not assessed")
    if rest.state == "went through":
        return FreezeDrift(growth_mm, "passes through", None, False, False, None)
    field = gap_field(patch, touchable, grown, rest.centre, energy.direction, tolerance_mm)
    seal = find_seal(patch, field, tolerance_mm)
    shift = float(np.linalg.norm(rest.centre - centre))
    if why_not_assessed(patch, field, seal):
        return FreezeDrift(growth_mm, "not assessed", shift)
    return FreezeDrift(growth_mm, "seated", shift, seal.occluded, seal.sealed, seal.leak_width_mm)
