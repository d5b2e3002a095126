"""Veins that go on past what looks like their ostium: a taper, or where a branch comes in."""

from __future__ import annotations

import numpy as np

from veinfit.anatomy.branches.branch_sections import BranchSections, arc_length
from veinfit.anatomy.model import Ostium

GOES_ON_MM = 10.0
GOES_ON_SHARE = 1.3
GOES_ON_MOST = 2.0
"""Where a vein's own tube goes on for so long without growing to so many times its area, half turns
before it are those of a taper or of a branch; wider than so many times theirs it is the atrium."""


def goes_on(tube: BranchSections, ostium: Ostium) -> bool:
    """Whether a vein goes on past an ostium, toward the body, about as narrow as it is there.

    ``tube`` is the vein's, or that of a common part.
    """
    past = (tube.centres - ostium.centre) @ ostium.normal < 0.0
    if not past.any():
        return False
    first = int(np.argmax(past))
    areas = tube.areas_mm2[first:]
    s = arc_length(tube.centres[first:])
    ahead = np.searchsorted(s, s + GOES_ON_MM, side="right")
    for k, end in enumerate(ahead.tolist()):
        if end == len(s) or areas[k] > GOES_ON_MOST * areas[0]:
            return False
        if areas[k:end].max() < GOES_ON_SHARE * areas[k:end].min():
            return True
    return False
