"""Veins whose end was cut aslant: sections near it are cut off on one side."""

from __future__ import annotations

import math
from collections.abc import Sequence

from veinfit.anatomy.detection import Detection
from veinfit.anatomy.model import Vein
from veinfit.notes import Note
from veinfit.vectors import FloatArray, angle_deg

TOLD_DEG = 30.0
"""A cut this oblique to the vein's axis is told where it comes near the ostium."""

CLEAR_MM = 6.0
"""The wall's turn is read over about so much of the vein past its ostium, on every side."""


def oblique_cut_notes(found: Detection, veins: Sequence[Vein]) -> list[Note]:
    """Return a caution for each vein whose oblique cut leaves little of it on one side."""
    notes = []
    for vein in veins:
        index = found.roles.get(vein.name)
        if index is None:
            continue
        member = found.candidates[index].members[0]
        cut = cut_of(found, member)
        if cut is None:
            continue
        centre, normal = cut
        aslant = float(angle_deg(normal, vein.axis))
        aslant = min(aslant, 180.0 - aslant)
        along = float((centre - vein.ostium.centre) @ vein.axis)
        radius = 0.5 * vein.ostium.measures.d_area_mm
        least = along - radius * math.tan(math.radians(min(aslant, 80.0)))
        if aslant < TOLD_DEG or least > CLEAR_MM:
            continue
        text = (
            f"its end is cut obliquely, by {aslant:.0f} degrees: the vein ends "
            f"{max(least, 0.0):.0f} mm past the ostium on one side and {along:.0f} mm in the "
            "middle. Ostium and axis are uncertain on that side"
        )
        notes.append(Note("ostium", text, vein.name, "caution"))
    return notes


def cut_of(found: Detection, member: int) -> tuple[FloatArray, FloatArray] | None:
    """Return the middle and the outward normal, (3,) each, of a branch's flat end."""
    opening = found.branches.branches[member].opening
    if opening is not None:
        return found.lumen.openings[opening].centre, found.lumen.openings[opening].normal
    for candidate in found.candidates:
        if candidate.members == (member,) and candidate.end is not None:
            return candidate.end.centre, candidate.end.normal
    return None
