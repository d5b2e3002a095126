"""Veins that go on past what looks like their ostium: a taper, or where a branch comes in."""

from __future__ import annotations

import numpy as np

from veinfit.anatomy.branches.branch_sections import (
    WIDEST_TUBE_MM2,
    BranchSections,
    arc_length,
)
from veinfit.anatomy.model import Ostium

GOES_ON_MM = 10.0
GOES_ON_SHARE = 1.3
"""Where a vein's own tube goes on for so long without growing to so many times its area, half turns
before it are those of a taper or of a branch ..."""

GOES_ON_MOST = 2.5
"""... but what is so many times larger than they tell, or wider than any tube, is the atrium."""


def goes_on(tube: BranchSections, ostium: Ostium) -> bool:
    """Whether a vein goes on past an ostium, toward the body, about as narrow as it is there.

    ``tube`` is the vein's, or that of a common part; one that begins past the ostium tells nothing.
    """
    past = (tube.centres - ostium.centre) @ ostium.normal < 0.0
    first = int(np.argmax(past))
    if first == 0:
        return False
    areas = tube.areas_mm2[first:]
    s = arc_length(tube.centres[first:])
    most_mm2 = min(GOES_ON_MOST * ostium.measures.area_mm2, WIDEST_TUBE_MM2)
    ahead = np.searchsorted(s, s + GOES_ON_MM, side="right")
    for k, end in enumerate(ahead.tolist()):
        widest = areas[k:end].max()
        if end == len(s) or widest > most_mm2:
            return False
        if widest < GOES_ON_SHARE * areas[k:end].min():
            return True
    return False
