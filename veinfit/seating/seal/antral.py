"""Areas of contact, and how deep a balloon lies."""

from __future__ import annotations

import numpy as np

from veinfit.seating.mechanics.triangles import area_above
from veinfit.seating.patch import WallPatch
from veinfit.seating.seal.clock import ClockSeal
from veinfit.seating.seal.gap import GapField
from veinfit.surface.mesh import face_areas
from veinfit.vectors import BoolArray, FloatArray

ON_PLANE_MM = 1e-6
"""Wall this close to the ostial plane counts as on its atrial side."""


def contact_area_mm2(patch: WallPatch, pressing: BoolArray, field: GapField) -> float:
    """Area of wall in cold contact around this vein, mm².

    Parameters
    ----------
    patch : WallPatch
    pressing : (F,) bool array
        Faces that the balloon can press.
    field : GapField
    """
    own = patch.near & pressing & _with_corner(patch, field.warm_open_mm < 0.0)
    return _area_above(patch, own, -field.warm_open_mm)


def antral_area_mm2(
    patch: WallPatch, pressing: BoolArray, field: GapField, open_to_atrium: BoolArray
) -> float:
    """Area on the atrial side of the ostial plane in cold contact or enclosed by it, mm².

    Parameters
    ----------
    patch : WallPatch
    pressing : (F,) bool array
    field : GapField
    open_to_atrium : (V,) bool array
        Vertices without cold contact from which a path without cold contact leads
        to the atrium; the others without it are enclosed.
    """
    atrial_side = ON_PLANE_MM - (patch.surface.points - patch.centre) @ patch.normal
    own = patch.near & _with_corner(patch, atrial_side > 0.0)
    # The open corners of a face are one another's neighbours: all are reached or none is.
    reached = _with_corner(patch, open_to_atrium)
    partly = own & reached & pressing & _with_corner(patch, field.warm_open_mm < 0.0)
    enclosed = _area_above(patch, own & ~reached, atrial_side)
    return enclosed + _area_above(patch, partly, -field.warm_open_mm, atrial_side)


def _with_corner(patch: WallPatch, marked: BoolArray) -> BoolArray:
    """Tell which faces (F,) of a patch have a marked vertex, ``marked`` being (V,)."""
    one, other, third = (marked.take(corner) for corner in patch.surface.by_corner)
    return np.asarray(one | other | third)


def _area_above(
    patch: WallPatch, chosen: BoolArray, first: FloatArray, second: FloatArray | None = None
) -> float:
    """Area of some faces (F,) where one or both of two values (V,) are above 0, mm²."""
    which = np.flatnonzero(chosen)
    areas = face_areas(patch.surface, which)
    return area_above(areas, patch.surface.faces.take(which, axis=0), first, second)


def contact_ring_deg(seal: ClockSeal, tolerance_mm: float) -> float | None:
    """Polar angle of the contact ring from the nose: the mean over meridians with contact.

    On each meridian the ring is where the gap is least. None without contact.
    """
    touched = seal.least_gap_mm <= tolerance_mm
    if not touched.any():
        return None
    return float(np.mean(seal.ring_polar_deg[touched]))
