"""Veins that go on past what looks like their ostium: a taper, or where a branch comes in."""

from __future__ import annotations

import numpy as np

from veinfit.anatomy.branches.branch_sections import (
    GOES_ON_MM,
    STAYS_SHARE,
    VEIN_MM2,
    WIDEST_TUBE_MM2,
    BranchSections,
    arc_length,
)
from veinfit.anatomy.model import Ostium
from veinfit.vectors import FloatArray

GOES_ON = ((GOES_ON_MM, STAYS_SHARE), (20.0, 2.0))
"""Where a vein's own tube goes on for so many mm without growing to so many times its area, half
turns before it are those of a taper or of a branch ..."""

GOES_ON_MOST = 2.5
"""... but what is so many times larger than they tell, or wider than any tube, is the atrium,
unless it is no wider than a vein."""


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
    most_mm2 = max(min(GOES_ON_MOST * ostium.measures.area_mm2, WIDEST_TUBE_MM2), VEIN_MM2)
    return any(_stays(areas, s, length, share, most_mm2) for length, share in GOES_ON)


def _stays(areas: FloatArray, s: FloatArray, length_mm: float, share: float, most: float) -> bool:
    """Whether areas (N,) at arc lengths ``s`` stay within ``share`` over some ``length_mm``.

    Only before they have grown to ``most``, mm2.
    """
    ahead = np.searchsorted(s, s + length_mm, side="right")
    for k, end in enumerate(ahead.tolist()):
        if end == len(s):
            return False
        widest = areas[k:end].max()
        if widest > most:
            return False
        if widest < share * areas[k:end].min():
            return True
    return False
