"""Where a blind branch ends, and its tube from there on."""

from __future__ import annotations

import numpy as np

from veinfit.anatomy.branches.branch_sections import STATION_MM, BranchSections
from veinfit.anatomy.branches.flat_ends import (
    LEAST_SHARE,
    FlatEnd,
    find_flat_end,
    flat_end_at,
    walk_from,
)
from veinfit.anatomy.branches.lumen import Lumen
from veinfit.anatomy.branches.model import Branch, Branches
from veinfit.anatomy.branches.widening import widening
from veinfit.vectors import FloatArray, angle_deg, unit

Line = tuple[FloatArray, FloatArray]
"""A point (3,) and a direction (3,)."""

DIRECTION_MM = 8.0
"""A vein's direction at its end is taken over so much of it."""

FAR_START_MM = 3.0
BLIND_START_MM = 14.0
"""A tube that starts farther than this from a cut end, or from the tip of a rounded one, is none of
the vein's."""

LEAST_FROM_END = 0.5
"""A piece of wall from which a branch is followed over less than this share of the length from its
tip is no cut of it either."""

SIDE_WALL_DEG = 50.0
"""A flat piece more oblique than this to what was walked from the tip is no cut of it."""


def end_and_tube(
    lumen: Lumen, branches: Branches, branch: Branch, tube: BranchSections | None
) -> tuple[FlatEnd | None, BranchSections | None]:
    """Return a blind branch's flat end, None without, and its tube.

    ``tube`` is as walked from the branch's tip, which lies in a corner of a flat end: across a
    stub wider than long that walk runs aslant, and the flat piece that it meets may be another.

    Parameters
    ----------
    lumen : Lumen
    branches : Branches
    branch : Branch
        Without an opening.
    tube : BranchSections or None

    Returns
    -------
    end : FlatEnd or None
    tube : BranchSections or None
        Walked from the end where there is one.
    """
    if tube is not None and tube.is_longer_than_wide and starts_at(tube, branch.tip, None):
        end = find_flat_end(lumen.wall, tube, branch.tip)
        if end is None:
            end = _end_of_stub(flat_end_at(lumen.wall, branch.tip), tube, branch)
        return _walked_from_end(lumen, branches, branch, end, tube)
    end = None if tube is None else find_flat_end(lumen.wall, tube, branch.tip)
    first = _walked_from_end(lumen, branches, branch, end, tube)
    if _starts_near(*first):
        return first
    end = flat_end_at(lumen.wall, branch.tip)
    second = _walked_from_end(lumen, branches, branch, end, tube)
    if _clear_of_end_mm(*second) < FAR_START_MM:
        return second
    if first[0] is not None:
        return first
    third = _walked_from_end(lumen, branches, branch, _end_of_stub(end, tube, branch), tube)
    return third if tube is None or _clear_of_end_mm(*third) < BLIND_START_MM else (None, tube)


def _clear_of_end_mm(end: FlatEnd | None, tube: BranchSections | None) -> float:
    """How far from its flat end a tube starts, mm; infinite without either."""
    if end is None or tube is None:
        return np.inf
    return float(np.linalg.norm(tube.centres[0] - end.centre))


def _starts_near(end: FlatEnd | None, tube: BranchSections | None) -> bool:
    """Whether a tube starts as near to its flat end as sections at 45 degrees to it can."""
    if end is None or tube is None:
        return False
    return _clear_of_end_mm(end, tube) < FAR_START_MM + _radius_mm(end, tube)


def _radius_mm(end: FlatEnd | None, tube: BranchSections) -> float:
    """Return the radius of a tube's first section, no wider than what its flat end can be of.

    What was walked may be the atrium itself.
    """
    most_mm2 = np.inf if end is None else end.area_mm2 / LEAST_SHARE
    return float(np.sqrt(min(tube.areas_mm2[0], most_mm2) / np.pi))


def _walked_from_end(
    lumen: Lumen,
    branches: Branches,
    branch: Branch,
    end: FlatEnd | None,
    tube: BranchSections | None,
) -> tuple[FlatEnd | None, BranchSections | None]:
    """Return a blind branch's flat end, None for a piece of its side wall, and its tube.

    A vein that can be followed from its tip can be followed as far from its cut. From a flat
    piece of the side wall of a rounded end the sections soon part.
    """
    if end is None:
        return None, tube
    anew = walk_from(end, lumen, branches.paths)
    starts = anew is not None and starts_at(anew, end.centre, (end.centre, end.normal), end)
    if not starts and tube is not None and starts_at(tube, branch.tip, None):
        walked = widening(tube.wall, end.centre, end.normal, ())
        if walked is None or walked.length_mm < LEAST_FROM_END * tube.length_mm:
            return None, tube
    return end, anew or tube


def _end_of_stub(
    end: FlatEnd | None, tube: BranchSections | None, branch: Branch
) -> FlatEnd | None:
    """Return a stub's end unless what was walked from its tip shows that it is a side wall."""
    if end is None or tube is None or not starts_at(tube, branch.tip, None):
        return end
    first = tube.centres[: round(DIRECTION_MM / STATION_MM) + 1]
    return end if angle_deg(unit(first[0] - first[-1]), end.normal) < SIDE_WALL_DEG else None


def starts_at(
    tube: BranchSections,
    place: FloatArray,
    cut: tuple[FloatArray, FloatArray] | None,
    end: FlatEnd | None = None,
) -> bool:
    """Whether a tube starts at the end of its branch: at a cut, or at a rounded one's tip.

    The first section that is clear of a flat end lies the farther from it the more oblique that is
    to the vein; at an opening of a stub the walk starts square to it.

    Parameters
    ----------
    tube : BranchSections
    place : (3,) array
        The middle of the cut, or the tip.
    cut : (centre, normal) or None
        None for a rounded end.
    end : FlatEnd or None
        The cut's, None for an opening.
    """
    away = float(np.linalg.norm(tube.centres[0] - place))
    if cut is None:
        return away < BLIND_START_MM
    if end is None and not tube.is_longer_than_wide:
        return away < FAR_START_MM
    first = tube.centres[: round(DIRECTION_MM / STATION_MM) + 1]
    lean_deg = min(float(angle_deg(first[0] - first[-1], cut[1])), SIDE_WALL_DEG)
    return bool(away < FAR_START_MM + _radius_mm(end, tube) * np.tan(np.radians(lean_deg)))


def end_line(
    branch: Branch, tube: BranchSections | None, cut: Line | None, border: Line | None
) -> Line | None:
    """Return the middle (3,) of a branch's end and the vein's direction (3,) there.

    Parameters
    ----------
    branch : Branch
    tube : BranchSections or None
        What was walked from its end.
    cut : (centre, normal) or None
        None for a rounded end.
    border : (centre, normal) or None
        Of its own label.

    Returns
    -------
    (point, direction) or None
        None for a branch too short to have a direction.
    """
    if tube is not None and len(tube.centres) >= 4:
        first = tube.centres[: round(DIRECTION_MM / STATION_MM) + 1]
        axis = unit(first[0] - first[-1])
        beyond = 0.0 if cut is None else float((cut[0] - first[0]) @ axis)
        return first[0] + beyond * axis, axis
    if cut is not None:
        return cut
    if border is not None:
        return branch.tip, border[1]
    behind = branch.path[np.linalg.norm(branch.path - branch.tip, axis=1) > DIRECTION_MM]
    return (branch.tip, unit(branch.tip - behind[-1])) if len(behind) else None
