"""Areas of contact, and how deep a balloon lies."""

from __future__ import annotations

import numpy as np

from veinfit.seating.mechanics.triangles import area_above
from veinfit.seating.patch import WallPatch
from veinfit.seating.seal.clock import ClockSeal
from veinfit.seating.seal.gap import GapField
from veinfit.surface.mesh import any_corner
from veinfit.vectors import BoolArray

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
    own = patch.near & pressing
    return area_above(patch.areas[own], patch.surface.faces[own], -field.warm_open_mm)


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
    faces = patch.surface.faces
    atrial_side = ON_PLANE_MM - (patch.surface.points - patch.centre) @ patch.normal
    # The open corners of a face are one another's neighbours: all are reached or none is.
    reached = any_corner(faces, open_to_atrium)
    enclosed = patch.near & ~reached
    partly = patch.near & reached & pressing
    return area_above(patch.areas[enclosed], faces[enclosed], atrial_side) + area_above(
        patch.areas[partly], faces[partly], -field.warm_open_mm, atrial_side
    )


def contact_ring_deg(seal: ClockSeal, tolerance_mm: float) -> float | None:
    """Polar angle of the contact ring from the nose: the mean over meridians with contact.

    On each meridian the ring is where the gap is least. None without contact.
    """
    touched = seal.least_gap_mm <= tolerance_mm
    if not touched.any():
        return None
    return float(np.mean(seal.ring_polar_deg[touched]))
