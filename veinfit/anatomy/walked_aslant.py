"""Stubs and branches whose walk goes wrong: it runs aslant, or stops where a branch comes in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from veinfit.anatomy.branches.blind_ends import Line
from veinfit.anatomy.branches.branch_sections import STATION_MM, BranchSections
from veinfit.anatomy.branches.lumen import Wall
from veinfit.anatomy.branches.widening import (
    STEP_MM,
    WIDEST_SHARE,
    Widening,
    direction_at,
    leaning,
    widening,
)
from veinfit.anatomy.ostium.plane import OstiumFailure
from veinfit.anatomy.ostium.sections import Found
from veinfit.vectors import FloatArray

ASLANT = 1.25
"""Sections this many times as wide as those square to the cut run aslant ..."""

WHOLE_MM = 3.0
WHOLE_SHARE = 0.75
"""... unless the first of those is smaller than this share of the one so much farther on: then what
looks like a cut is the flat tip of a rounded end."""

PAST_WAIST_MM = 1.0
"""An ostium so far out from where the vein narrows once more is that of a branch."""

WIDEST_MM = 30.0
"""A stub's ostium wider than this, and so many times as wide as its sections that they would have
parted, lies in the atrium: single veins reach 30 mm (Cronin et al., Acad Radiol 2007)."""

WIDEST_START_MM = 24.0
"""... and a rounded end's first section no vein's if wider than this."""

ON_MM = 3.0
ON_SHARE = 1.15
"""A walk that ends although the vein's tube goes on so far, and is no wider there than this many
times its last section, has left a bend and not the vein."""


def walked_in(
    wall: Wall,
    line: Line | None,
    cut: Line | None,
    tube: BranchSections | None,
    rivals: Sequence[FloatArray],
) -> tuple[Line | None, Widening | None]:
    """Return the line into the atrium from a branch's end and the walk along it.

    The middles of a stub wider than long run aslant, into a corner of the atrium: square to its
    cut the sections are smaller where that is so.
    """
    if line is None:
        return None, None
    walked = widening(wall, *line, rivals)
    if cut is None or (tube is not None and tube.is_longer_than_wide):
        return line, walked
    square = widening(wall, *cut, rivals)
    if square is None:
        return line, walked
    if walked is None:
        return cut, square
    aslant = walked.diameters_mm[0] > ASLANT * square.diameters_mm[0]
    return (cut, square) if aslant and not _is_rounded(square) else (line, walked)


def _is_rounded(walked: Widening) -> bool:
    d_mm = walked.diameters_mm
    return float(d_mm[0]) < WHOLE_SHARE * float(d_mm[: round(WHOLE_MM / STEP_MM) + 1][-1])


def lies_past(found: Found | OstiumFailure, walked: Widening, waist: int) -> bool:
    """Whether an ostium lies farther out in a vein than where it narrows once more."""
    if isinstance(found, OstiumFailure):
        return False
    return float((found[0].centre - walked.centres[waist]) @ walked.axes[waist]) > PAST_WAIST_MM


def around_bends(
    walks: Sequence[Widening],
    wall: Wall,
    end: FloatArray,
    tube: BranchSections,
    rivals: Sequence[FloatArray],
) -> Sequence[Widening]:
    """Return walks from a vein's ``end`` (3,), along its tube where most of them left a bend.

    None where most leave it even so: such a tube starts aslant.
    """
    if not _most_left_a_bend(walks, tube):
        return walks
    along = leaning(wall, end, direction_at(tube.centres, 0), rivals, tube.centres)
    return [] if _most_left_a_bend(along, tube) else along


def _most_left_a_bend(walks: Sequence[Widening], tube: BranchSections) -> bool:
    return 2 * sum(left_a_bend(each, tube) for each in walks) > len(walks)


def left_a_bend(walked: Widening, tube: BranchSections) -> bool:
    """Whether a walk into the atrium parted where the vein's own tube merely bends."""
    if not walked.parted or walked.gradient_index() is not None:
        return False
    last = walked.centres[-1]
    nearest = int(np.argmin(np.linalg.norm(tube.centres - last, axis=1)))
    beyond = nearest + 1 + np.arange(round(ON_MM / STATION_MM))
    if beyond[-1] >= len(tube.centres):
        return False
    d_mm = np.sqrt(4.0 / np.pi * tube.areas_mm2[beyond])
    return float(d_mm.max()) < ON_SHARE * float(walked.diameters_mm[-1])


def is_in_atrium(found: Found | OstiumFailure, walked: Widening) -> bool:
    """Whether an ostium is too wide for the vein's own sections, and lies in the atrium."""
    if isinstance(found, OstiumFailure):
        return False
    d_mm = found[0].measures.d_area_mm
    return d_mm > max(WIDEST_MM, WIDEST_SHARE * float(walked.diameters_mm.min()))


def starts_wider_than_a_vein(tube: BranchSections) -> bool:
    """Whether what was walked from the tip of a rounded end begins wider than any vein."""
    return float(tube.areas_mm2[0]) > np.pi / 4.0 * WIDEST_START_MM**2
