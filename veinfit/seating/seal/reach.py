"""Whether a balloon that came to rest has reached the vein, or lies held far before it."""

from __future__ import annotations

import numpy as np

from veinfit.frames import BoolArray, FloatArray
from veinfit.seating.patch import WallPatch
from veinfit.settings import SeatingSettings


def reached(patch: WallPatch, noses: FloatArray, settings: SeatingSettings) -> BoolArray:
    """Tell which balloons have their nose near enough to the ostial plane.

    Parameters
    ----------
    patch : WallPatch
    noses : (..., 3) array
        The balloons' noses at rest, mm.
    settings : SeatingSettings

    Returns
    -------
    reached : (...) bool array
        False: the balloon cannot reach the vein and seals nothing, whatever it touches.
    """
    return _before_mm(patch, noses) <= settings.farthest_nose_mm


def why_not_reached(patch: WallPatch, nose: FloatArray, settings: SeatingSettings) -> str:
    """Return why a balloon with its nose (3,) at rest there does not reach; empty where it does."""
    if bool(reached(patch, nose, settings)):
        return ""
    return (
        "wall before the ostium holds the balloon: its nose comes to rest "
        f"{float(_before_mm(patch, nose)):.0f} mm before the ostial plane, and a balloon whose "
        f"nose stays more than {settings.farthest_nose_mm:g} mm before it does not reach the vein"
    )


def _before_mm(patch: WallPatch, noses: FloatArray) -> FloatArray:
    return np.asarray((patch.centre - noses) @ patch.normal)
