"""Freeze drift: what a balloon that grows when freezing starts does to its seat."""

from __future__ import annotations

import numpy as np

from veinfit.seating.balloon import Balloon
from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.minimise import AT_REST, WENT_THROUGH, minimise
from veinfit.seating.model import FreezeDrift
from veinfit.seating.prepare import PreparedVein
from veinfit.seating.seal.gap import gap_field
from veinfit.seating.seal.seal import Seal, find_seal, verdict, why_not_assessed
from veinfit.settings import SeatingSettings
from veinfit.vectors import BoolArray, FloatArray


def constant_size(seal: Seal) -> FreezeDrift:
    """Return the drift of a balloon that keeps its size: none, and all stays as it is."""
    return FreezeDrift(0.0, "seated", 0.0, seal.occluded, seal.sealed, seal.leak_width_mm)


def freeze_drift(
    prepared: PreparedVein,
    touchable: BoolArray,
    grown: Balloon,
    growth_mm: float,
    batch: BalloonBatch,
    place: FloatArray,
    settings: SeatingSettings,
) -> FreezeDrift:
    """Seat a balloon again from where it rests, with the diameter it has grown to.

    Parameters
    ----------
    prepared : PreparedVein
    touchable : (V,) bool array
        Vertices that the balloon can press.
    grown : Balloon
        As it is once freezing has started.
    growth_mm : float
        By which its diameter has grown.
    batch : BalloonBatch
        Of the grown balloon, alone, at the push of its seat.
    place : (3 + M,) array
        The first equilibrium.
    settings : SeatingSettings
    """
    rest = minimise(batch, place[None], prepared.exit(settings))
    if rest.state[0] == WENT_THROUGH:
        return FreezeDrift(growth_mm, "passes through", None, False, False, None)
    if rest.state[0] != AT_REST:
        return FreezeDrift(growth_mm, "not assessed")
    tolerance = settings.contact_tolerance_mm
    patch = prepared.shaped(rest.place[0, 3:])
    centre = rest.place[0, :3]
    field = gap_field(patch, touchable, grown, centre, batch.direction[0], tolerance)
    seal = find_seal(patch, field, tolerance)
    shift = float(np.linalg.norm(centre - place[:3]))
    if why_not_assessed(seal, verdict(patch, field)):
        return FreezeDrift(growth_mm, "not assessed", shift)
    return FreezeDrift(growth_mm, "seated", shift, seal.occluded, seal.sealed, seal.leak_width_mm)
