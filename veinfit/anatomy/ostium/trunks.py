"""The common part of several branches: its course, its ostium and its length."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.branches.branch_sections import (
    PATH_SMOOTHING_MM,
    WALL_REACH_MM,
    WIDEST_TUBE_MM2,
    BranchSections,
    arc_length,
    resample,
    section_at,
    smooth,
    tangents,
    walk_tube,
)
from veinfit.anatomy.branches.finding import BEYOND_BIFURCATION_MM, LEAD_MM
from veinfit.anatomy.branches.lumen import Lumen
from veinfit.anatomy.branches.model import SharedPart
from veinfit.anatomy.branches.widening import leaning
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.ostium.going_on import goes_on
from veinfit.anatomy.ostium.plane import OstiumFailure
from veinfit.anatomy.ostium.search import (
    find_ostium,
    find_ostium_about,
    settle_before_bifurcation,
)
from veinfit.anatomy.ostium.sections import Found, is_sharp, weighed, where_it_ends
from veinfit.anatomy.walked_aslant import around_bends
from veinfit.notes import Note
from veinfit.settings import AnatomySettings
from veinfit.surface.contours import convexity, passes
from veinfit.vectors import FloatArray, unit

PATH_STEP_MM = 0.5
"""Spacing at which common sections are sought."""

HELD_SECTIONS = 5
"""So many neighbouring sections hold all branches where a trunk begins: one alone may be a chance
cut along a branch."""

TRUNK_EXCESS = 3.6
"""No section of a trunk, its ostium included, is larger than this times its branches together
where they part. On drawn atria the trunks of early branching veins reach 3.4."""

OSTIA_EXCESS = 2.6
"""Or, if that is more, than this times its branches' own ostia together: branches that part at once
may be thin farther on. Of drawn veins that part within 7 mm trunks have 1.5 to 2.4."""

FORK_SPAN_MM = 8.0
"""A branch's direction where it joins is taken over this length of it."""

BIFURCATION_CLEARANCE_MM = 2.5
"""Nearer to its bifurcation a trunk's wall already turns toward the branches."""

CONVEX_SHARE = 0.985
"""A section that fills less of its convex hull is still pinched by the carina of the branches,
whose wall turns outward along the trunk as it does at an ostium."""

LEAST_START_SHARE = 0.5
"""Where the wall turns in a smaller share of the directions, two veins lie side by side in the wall
of the atrium: what no path to a carina confirms is then no common part."""

MOST_START_ERROR_MM = 9.0
"""Nor is it one where its ostium is known no better than this."""

LONG_MM = 16.0
"""A common part longer than this is a vein that branches far out: its ostium is sought as that of a
single one, from its own flare, and is as wide as its own course may widen to."""

AS_LONG_SHARE = 0.5
"""Beside a long course one that ends in less than this share of its length tells no ostium."""

LEAST_STATIONS = 3
"""A tube of fewer stations shows no direction."""


@dataclass(frozen=True, slots=True, eq=False)
class Trunk:
    """A common part with an ostium of its own.

    Attributes
    ----------
    tube : BranchSections
        From the carina of the branches to the body.
    ostium : Ostium
    notes : tuple of Note
    length_mm : float
        From the ostium to the carina.
    excess : float
        Area of the ostium over the branches' typical areas together.
    """

    tube: BranchSections
    ostium: Ostium
    notes: tuple[Note, ...]
    length_mm: float
    excess: float


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """A tube of a common part, and the line along which its distal end lies in the branches."""

    tube: BranchSections
    end: FloatArray
    direction: FloatArray


def find_trunk(
    lumen: Lumen,
    part: SharedPart,
    paths: Sequence[FloatArray],
    tubes: Sequence[BranchSections],
    settings: AnatomySettings,
    ostia_mm2: float = 0.0,
) -> Trunk | None:
    """Walk the common part of several branches from their carina to the body.

    Parameters
    ----------
    lumen : Lumen
    part : SharedPart
    paths : sequence of (N, 3) array
        Of the branches, from the body on.
    tubes : sequence of BranchSections
        Of the branches, in the same order.
    settings : AnatomySettings
    ostia_mm2 : float
        Area of the branches' own ostia together, 0 where one has none.

    Returns
    -------
    Trunk or None
        None where no ostium before the carina holds all branches.
    """
    walked = [_beyond(tube, part.bifurcation.carina) for tube in tubes]
    together = sum(_area_at_bifurcation(tube) for tube in walked)
    limit = max(TRUNK_EXCESS * together, OSTIA_EXCESS * ostia_mm2)
    fork = _fork(part, walked)
    # Where a long part branches its branches may be thin, or worn by coarse voxels.
    widest = max(limit, WIDEST_TUBE_MM2) if part.length_mm > LONG_MM else limit
    courses = list(_courses(lumen, (part.path, fork), paths, widest))
    far_out = part.length_mm > LONG_MM and any(map(_is_long, courses))
    if far_out:
        courses = _as_long(courses)
    limit = max([limit, *(TRUNK_EXCESS * _typical_mm2(c.tube) for c in courses if _is_long(c))])
    begun: list[Trunk] = []
    along = [course.tube for course in courses]
    for starts in _starts(lumen, part, fork, courses, together, settings):
        found = [
            trunk
            for tube, start in starts
            if (trunk := _settled(part, tube, start, paths, limit, settings)) is not None
            and not _goes_on(along, trunk)
        ]
        if found:
            return _surest(found, together)
        begun += [
            trunk
            for tube, (ostium, notes) in starts
            if _is_sound(ostium, far_out)
            and (trunk := _before_carina(part, tube, ostium, notes, paths, limit)) is not None
            and not _goes_on(along, trunk)
        ]
        if far_out and begun:
            break  # What the other starts see of a long one is its branches.
    # Of a trunk hardly longer than wide the path to its carina may tell less than its own tube.
    return _surest(begun, together) if begun else None


def _goes_on(along: Sequence[BranchSections], trunk: Trunk) -> bool:
    """Whether a common part goes on past an ostium, along the course of it or another."""
    return any(goes_on(tube, trunk.ostium) for tube in (trunk.tube, *along))


def _as_long(courses: Sequence[_Course]) -> list[_Course]:
    """Leave out those that stop in a part where another goes on: they left it at a bend."""
    longest = max(c.tube.length_mm for c in courses)
    return [c for c in courses if c.tube.length_mm >= AS_LONG_SHARE * longest]


def _is_long(course: _Course) -> bool:
    return course.tube.length_mm > LONG_MM


def _typical_mm2(tube: BranchSections) -> float:
    return float(np.median(tube.areas_mm2))


def _is_sound(start: Ostium, far_out: bool) -> bool:
    turns = start.evidence is None or start.evidence.share >= LEAST_START_SHARE
    return (turns or far_out) and start.error_mm <= MOST_START_ERROR_MM


def _surest(trunks: Sequence[Trunk], together_mm2: float) -> Trunk:
    best = min(trunks, key=lambda trunk: trunk.ostium.error_mm)
    return replace(best, excess=best.ostium.measures.area_mm2 / together_mm2)


def _courses(
    lumen: Lumen, lines: Sequence[FloatArray], paths: Sequence[FloatArray], limit_mm2: float
) -> Iterator[_Course]:
    """Walk the part along each line as far as its sections hold all branches."""
    for line in lines:
        path = _held_path(lumen, line, paths, limit_mm2)
        tube = None if path is None else walk_tube(lumen, path, rounds=1)
        if path is not None and tube is not None:
            yield _Course(tube, path[-1], unit(path[-1] - path[-1 - HELD_SECTIONS]))


def _starts(
    lumen: Lumen,
    part: SharedPart,
    fork: FloatArray,
    courses: Sequence[_Course],
    together: float,
    settings: AnatomySettings,
) -> Iterator[list[tuple[BranchSections, Found]]]:
    """Where to start from: each next kind costs more, or serves the shortest trunks only.

    Of a long one the profiles from its carina show the wall that turns toward the branches.
    """
    clearance = BIFURCATION_CLEARANCE_MM

    def from_carina() -> list[tuple[BranchSections, Found]]:
        lines = [(c.tube, (c.end, c.direction)) for c in courses]
        return _found(
            [(tube, find_ostium_about(tube, line, settings, clearance)) for tube, line in lines]
        )

    def from_flare() -> list[tuple[BranchSections, Found]]:
        return _found([(c.tube, _from_flare(c, part, settings)) for c in courses])

    is_long = any(map(_is_long, courses))
    for starts in (from_flare, from_carina) if is_long else (from_carina, from_flare):
        yield starts()
    if is_long and part.length_mm > LONG_MM:
        return
    stub = _stub(lumen, part, fork, together)
    line = (stub.end, stub.direction)
    yield _found([(stub.tube, find_ostium_about(stub.tube, line, settings, clearance))])


def _from_flare(
    course: _Course, part: SharedPart, settings: AnatomySettings
) -> Found | OstiumFailure:
    """Place the ostium of a course by its own flare; of a long part as of a single vein."""
    found = find_ostium(course.tube, settings, BIFURCATION_CLEARANCE_MM)
    if not (_is_long(course) and part.length_mm > LONG_MM):
        return found
    by_turn = None if isinstance(found, OstiumFailure) else found
    if by_turn is not None and is_sharp(by_turn[0]):
        return by_turn
    wall = course.tube.wall
    walks = leaning(wall, course.end, course.direction, ())
    bent = around_bends(walks, wall, course.end, course.tube, ())
    walks = walks if by_turn is None and not bent else list(bent)
    weighted = weighed(wall, by_turn, walks, None, ())
    if weighted is None or goes_on(course.tube, weighted[0]):
        weighted = by_turn or where_it_ends(course.tube)
    return weighted or found


def _found(
    results: Sequence[tuple[BranchSections, Found | OstiumFailure]],
) -> list[tuple[BranchSections, Found]]:
    return [(tube, r) for tube, r in results if not isinstance(r, OstiumFailure)]


def _settled(
    part: SharedPart,
    tube: BranchSections,
    start: Found,
    paths: Sequence[FloatArray],
    limit_mm2: float,
    settings: AnatomySettings,
) -> Trunk | None:
    """Return the trunk that a start leads to, if it lies before the carina and holds all paths."""
    result = settle_before_bifurcation(
        tube, start[0], part.bifurcation, _clear_of_carina(tube), settings
    )
    if isinstance(result, OstiumFailure):
        return None
    return _before_carina(part, tube, *result, paths, limit_mm2)


def _before_carina(
    part: SharedPart,
    tube: BranchSections,
    ostium: Ostium,
    notes: tuple[Note, ...],
    paths: Sequence[FloatArray],
    limit_mm2: float,
) -> Trunk | None:
    """Return the trunk with an ostium that lies before the carina and holds all paths."""
    length = part.bifurcation.length_from(ostium.centre, ostium.normal)
    holds = all(passes(w, ostium.contour.points, ostium.centre, ostium.normal) for w in paths)
    if length <= 0 or ostium.measures.area_mm2 > limit_mm2 or not holds:
        return None
    return Trunk(tube, ostium, notes, length, 1.0)


def _clear_of_carina(tube: BranchSections) -> FloatArray:
    """Return the first centre (3,) of a trunk's tube whose section no carina pinches."""
    directions = tangents(tube.centres)
    for centre, direction in zip(tube.centres, directions, strict=True):
        station = section_at(tube.wall, centre, direction)
        if station is not None and convexity(station.contour.points, direction) > CONVEX_SHARE:
            return np.asarray(centre)
    return np.asarray(tube.centres[0])


def _stub(lumen: Lumen, part: SharedPart, fork: FloatArray, together: float) -> _Course:
    """Return what stands for the course of a trunk too short to hold sections of its own.

    It runs from the carina back, along the fork.
    """
    direction = unit(fork[-1] - fork[1])
    end = fork[1] + ((part.bifurcation.carina - fork[1]) @ direction) * direction
    centres = end - np.arange(2)[:, None] * PATH_STEP_MM * direction
    wall = lumen.wall.near(centres, WALL_REACH_MM)
    tube = BranchSections(centres, np.full(2, together), PATH_STEP_MM, wall, fork[::-1])
    return _Course(tube, end, direction)


def _beyond(tube: BranchSections, carina: FloatArray) -> BranchSections:
    """Return a branch's tube without what it shares: up to where it passes the carina."""
    last = int(np.argmin(np.linalg.norm(tube.centres - carina, axis=1)))
    return _part(tube, slice(0, max(last + 1, LEAST_STATIONS)))


def _part(tube: BranchSections, kept: slice) -> BranchSections:
    """Return a tube of some of another's stations."""
    centres = tube.centres[kept]
    length = float(arc_length(centres)[-1])
    return replace(tube, centres=centres, areas_mm2=tube.areas_mm2[kept], length_mm=length)


def _area_at_bifurcation(tube: BranchSections) -> float:
    """Typical area of a branch over its first ``FORK_SPAN_MM``, mm²: branches taper."""
    return float(np.median(tube.areas_mm2[_to_bifurcation_mm(tube) <= FORK_SPAN_MM]))


def _to_bifurcation_mm(tube: BranchSections) -> FloatArray:
    """Return the (N,) arc lengths from the end of a tube that is nearest to the body."""
    return arc_length(tube.centres[::-1])[::-1]


def _fork(part: SharedPart, tubes: Sequence[BranchSections]) -> FloatArray:
    """Course midway between several branches: straight on in their mean direction.

    Where a trunk is hardly longer than wide, the branches show its direction
    better than the fronts do, which still bend round the body.
    """
    share = np.array([_area_at_bifurcation(tube) for tube in tubes])
    share /= share.sum()
    direction = np.zeros(3)
    for weight, tube in zip(share, tubes, strict=True):
        near = tube.centres[_to_bifurcation_mm(tube) <= FORK_SPAN_MM]
        direction += weight * unit(near[0] - near[-1])
    middle = share @ np.array([tube.centres[-1] for tube in tubes])
    along = np.arange(-LEAD_MM, BEYOND_BIFURCATION_MM + LEAD_MM, PATH_STEP_MM)
    return np.concatenate([part.path[:1], middle + along[:, None] * unit(direction)])


def _held_path(
    lumen: Lumen, line: FloatArray, paths: Sequence[FloatArray], limit_mm2: float
) -> FloatArray | None:
    """Return the path from the body to the last section that holds all branches.

    ``line`` (N, 3), from the core to beyond where they part, is followed back.
    """
    path = smooth(resample(line, PATH_STEP_MM), PATH_SMOOTHING_MM, PATH_STEP_MM)
    direction = tangents(path)
    wall = lumen.wall.near(path, WALL_REACH_MM)
    held = 0
    for k in range(len(path) - 1, 2, -1):
        station = section_at(wall, path[k], direction[k])
        whole = (
            station is not None
            and not station.touches_cap
            and station.area_mm2 <= limit_mm2
            and all(passes(w, station.contour.points, path[k], direction[k]) for w in paths)
        )
        held = held + 1 if whole else 0
        if held == HELD_SECTIONS:
            return path[: k + HELD_SECTIONS]
    return None
