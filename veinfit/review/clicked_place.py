"""What lies under a place of the surface that was clicked."""

from __future__ import annotations

import math

from veinfit.anatomy.naming.names import TEMPLATE
from veinfit.errors import InputError
from veinfit.seating.approach.rays import free_distance_mm
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, unit
from veinfit.vein_names import TRUNK_BRANCHES, VEIN_NAMES

NO_ATRIUM = "there is no atrium under that place; click on its surface"

INSIDE_MM = 0.05
"""How far past a wall its other side is looked for."""


def blood_under(lumen: Surface, origin: FloatArray, direction: FloatArray) -> FloatArray:
    """Return the point half way from the nearest wall to the wall behind it, LPS mm.

    Parameters
    ----------
    lumen : Surface
    origin, direction : (3,) array
        Where the viewer looks from, LPS mm, and where to.

    Raises
    ------
    InputError
        Nothing is there.
    """
    towards = unit(direction)
    first = free_distance_mm(lumen, origin, towards)
    if not math.isfinite(first):
        raise InputError(NO_ATRIUM)
    inside = origin + (first + INSIDE_MM) * towards
    through = free_distance_mm(lumen, inside, towards)
    if not math.isfinite(through):
        raise InputError(NO_ATRIUM)
    return inside + 0.5 * (through - INSIDE_MM) * towards


def names_at(point: FloatArray, body_centre: FloatArray) -> list[str]:
    """Return the names of single veins, nearest to their usual place first."""
    place = unit(point - body_centre)
    single = [name for name in VEIN_NAMES if name in TEMPLATE and name not in TRUNK_BRANCHES]
    return sorted(single, key=lambda name: -float(place @ unit(TEMPLATE[name][0])))
