"""The mapping loop: where a circular catheter lies that runs ahead through the balloon's shaft."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.seating.mechanics.guide import guide_of
from veinfit.vectors import FloatArray

OPEN, FOLDED = "open", "folded"
"""A loop that is no wider than the vein lies open in it, a wider one folds."""


@dataclass(frozen=True, slots=True)
class LoopReading:
    """Where the loop lies when it is drawn back to the balloon's nose.

    Attributes
    ----------
    depth_mm : float or None
        Along the centreline from the ostium, positive into the vein; None where the
        vein is not known so far.
    diameter_mm : float or None
        Diameter of the circle of the section's area there.
    fit : str
        ``open``, ``folded``, or empty where the diameter is not known.
    """

    depth_mm: float | None
    diameter_mm: float | None
    fit: str


def loop_reading(vein: Vein, nose: FloatArray, loop_mm: float) -> LoopReading:
    """Tell where a loop of some diameter lies when it is drawn back to the nose (3,).

    Nothing is told of a loop of 0 mm. Before the ostium the loop lies in the antrum; the vein's
    diameter is then that of the ostium.
    """
    if loop_mm <= 0.0:
        return LoopReading(None, None, "")
    guide = guide_of(vein)
    depth = guide.arc_length(nose) - guide.arc_length(vein.ostium.centre)
    known = np.array([section.s_mm for section in vein.sections])
    if not len(known) or depth > float(known.max()):
        return LoopReading(None, None, "")
    widths = np.array([section.measures.d_area_mm for section in vein.sections])
    order = np.argsort(known)
    diameter = float(np.interp(max(depth, float(known.min())), known[order], widths[order]))
    return LoopReading(float(depth), diameter, OPEN if loop_mm <= diameter else FOLDED)
