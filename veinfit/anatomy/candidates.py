"""What could be a vein: every branch, and every trunk that branches share.

Each candidate is walked as a tube and given an ostium where it has one; which
of them are veins, and which veins, is for the names to decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.branches import BEYOND_PARTING_MM, LEAD_MM, Branch, Branches, SharedPart
from veinfit.anatomy.contours import enters, passes
from veinfit.anatomy.lumen import Lumen
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.ostia import OstiumFailure, find_ostium, find_ostium_about
from veinfit.anatomy.tubes import (
    WALL_REACH_MM,
    WAY_SMOOTHING_MM,
    Tube,
    arc_length,
    resample,
    section_at,
    smooth,
    tangents,
    walk_tube,
)
from veinfit.frames import FloatArray, unit
from veinfit.notes import Note
from veinfit.settings import AnatomySettings

WAY_STEP_MM = 0.5
"""Spacing at which common sections are sought."""

HELD_SECTIONS = 5
"""So many neighbouring sections hold all branches where a trunk begins: one alone may be a chance
cut along a branch."""

TRUNK_EXCESS = 3.6
"""No section of a trunk, its ostium included, is larger than this times its branches together
where they part. On drawn atria the trunks of early branching veins reach 3.4."""

FORK_SPAN_MM = 8.0
"""A branch's direction where it joins is taken over this length of it."""

PARTING_CLEARANCE_MM = 2.5
"""Nearer to its parting a trunk's wall already turns toward the branches."""

LEAST_COURSE_MM = 4.0
"""A trunk's course that goes on for less than this past the ostium shows no direction."""

MOST_MEMBERS = 4
"""No trunk has more branches than this; what joins more is the body."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A branch, or a trunk with its branches.

    Attributes
    ----------
    members : tuple of int
        Indices of the branches; more than one for a trunk, the longest first.
    tube : Tube or None
        The branch's tube; for a trunk the tube from the carina to the body.
    ostium : Ostium or None
    carina_mm : float or None
        Length from the ostium to the crest where the branches part; None for one branch.
    reason : str
        Why there is no ostium.
    notes : tuple of Note
    excess : float
        Area of a trunk's ostium over its branches' typical areas together; 1 for one branch.
    crest : (3,) array or None
        Of the crotch where a trunk's branches part; None for one branch.
    """

    members: tuple[int, ...]
    tube: Tube | None
    ostium: Ostium | None
    carina_mm: float | None
    reason: str
    notes: tuple[Note, ...]
    excess: float = 1.0
    crest: FloatArray | None = None


def find_candidates(
    lumen: Lumen, branches: Branches, settings: AnatomySettings
) -> tuple[Candidate, ...]:
    """Walk every branch and every shared trunk; single branches come first."""
    singles = [
        _single(lumen, branches.branches[k], k, settings) for k in range(len(branches.branches))
    ]
    trunks = [
        trunk
        for part in branches.shared
        if (trunk := _trunk(lumen, branches, singles, part, settings)) is not None
    ]
    return tuple(singles + trunks)


def _single(lumen: Lumen, branch: Branch, index: int, settings: AnatomySettings) -> Candidate:
    opening = None if branch.opening is None else lumen.openings[branch.opening].normal
    tube = walk_tube(lumen, branch.way, opening)
    if tube is None:
        return Candidate((index,), None, None, None, "no section surrounds its middle", ())
    found = find_ostium(tube, settings)
    if isinstance(found, OstiumFailure):
        return Candidate((index,), tube, None, None, found.reason, ())
    ostium, notes = found
    if not enters(branch.way, ostium.contour.points, ostium.centre, ostium.normal):
        reason = "the plane through its wall's half turns does not part it from the atrium"
        return Candidate((index,), tube, None, None, reason, ())
    return Candidate((index,), tube, ostium, None, "", notes)


def _trunk(
    lumen: Lumen,
    branches: Branches,
    singles: Sequence[Candidate],
    part: SharedPart,
    settings: AnatomySettings,
) -> Candidate | None:
    """Walk the common part of several branches from their carina to the body."""
    members = part.members
    tubes = [singles[m].tube for m in members]
    if len(members) > MOST_MEMBERS or any(t is None for t in tubes):
        return None
    walked = [_beyond(t, part.crest) for t in tubes if t is not None]
    together = sum(_area_at_parting(t) for t in walked)
    limit = TRUNK_EXCESS * together
    ways = [branches.branches[m].way for m in members]
    fork = _fork(part, walked)
    found: list[Candidate] = []
    for line in (part.way, fork):
        way = _held_way(lumen, line, ways, limit)
        tube = None if way is None else walk_tube(lumen, way, rounds=1)
        if way is None or tube is None:
            continue
        about = (way[-1], unit(way[-1] - way[-1 - HELD_SECTIONS]))
        found += _with_ostium(
            part,
            tube,
            ways,
            together,
            find_ostium(tube, settings, PARTING_CLEARANCE_MM),
            find_ostium_about(tube, about, settings, PARTING_CLEARANCE_MM),
        )
    if not found:
        # A trunk too short to hold sections of its own: from the crest back, along the fork.
        tube, about = _stub(lumen, part, fork, together)
        found = _with_ostium(
            part,
            tube,
            ways,
            together,
            find_ostium_about(tube, about, settings, PARTING_CLEARANCE_MM),
        )
    return min(found, key=lambda c: c.ostium.error_mm if c.ostium else np.inf, default=None)


def _with_ostium(
    part: SharedPart,
    tube: Tube,
    ways: Sequence[FloatArray],
    together: float,
    *results: tuple[Ostium, tuple[Note, ...]] | OstiumFailure,
) -> list[Candidate]:
    """Return the trunks that these ostia make: before the crest, and holding all branches."""
    found: list[Candidate] = []
    for result in results:
        if isinstance(result, OstiumFailure):
            continue
        ostium, notes = result
        length = _length_mm(tube, ostium, part.crest)
        excess = ostium.measures.area_mm2 / together
        holds = all(passes(w, ostium.contour.points, ostium.centre, ostium.normal) for w in ways)
        if length > 0 and excess <= TRUNK_EXCESS and holds:
            found.append(
                Candidate(part.members, tube, ostium, length, "", notes, excess, part.crest)
            )
    return found


def _stub(
    lumen: Lumen, part: SharedPart, fork: FloatArray, together: float
) -> tuple[Tube, tuple[FloatArray, FloatArray]]:
    """Return what stands for the tube of a very short trunk, and the line about which it turns."""
    direction = unit(fork[-1] - fork[1])
    end = fork[1] + ((part.crest - fork[1]) @ direction) * direction
    centres = end - np.arange(2)[:, None] * WAY_STEP_MM * direction
    wall = lumen.wall.near(centres, WALL_REACH_MM)
    return Tube(centres, np.full(2, together), WAY_STEP_MM, wall, centres), (end, direction)


def _beyond(tube: Tube, crest: FloatArray) -> Tube:
    """Return a branch's tube without what it shares: up to where it passes the crest."""
    last = int(np.argmin(np.linalg.norm(tube.centres - crest, axis=1)))
    kept = slice(0, max(last + 1, 3))
    centres = tube.centres[kept]
    length = float(arc_length(centres)[-1])
    return replace(tube, centres=centres, areas_mm2=tube.areas_mm2[kept], length_mm=length)


def _area_at_parting(tube: Tube) -> float:
    """Typical area of a branch over its first ``FORK_SPAN_MM``, mm²: branches taper."""
    return float(np.median(tube.areas_mm2[_to_parting_mm(tube) <= FORK_SPAN_MM]))


def _to_parting_mm(tube: Tube) -> FloatArray:
    """Return the (N,) arc lengths from the end of a tube that is nearest to the body."""
    return arc_length(tube.centres[::-1])[::-1]


def _length_mm(tube: Tube, ostium: Ostium, crest: FloatArray) -> float:
    """Length of a trunk from its ostium to the crest of the crotch, along its course."""
    course = tube.centres[0] - ostium.centre
    along = float(course @ ostium.normal)
    direction = unit(course) if along >= LEAST_COURSE_MM else ostium.normal
    return float((crest - ostium.centre) @ direction)


def _fork(part: SharedPart, tubes: Sequence[Tube]) -> FloatArray:
    """Way midway between several branches: straight on in their mean direction.

    Where a trunk is hardly longer than wide, the branches show its direction
    better than the fronts do, which still bend round the body.
    """
    share = np.array([_area_at_parting(tube) for tube in tubes])
    share /= share.sum()
    direction = np.zeros(3)
    for weight, tube in zip(share, tubes, strict=True):
        near = tube.centres[_to_parting_mm(tube) <= FORK_SPAN_MM]
        direction += weight * unit(near[0] - near[-1])
    middle = share @ np.array([tube.centres[-1] for tube in tubes])
    along = np.arange(-LEAD_MM, BEYOND_PARTING_MM + LEAD_MM, WAY_STEP_MM)
    return np.concatenate([part.way[:1], middle + along[:, None] * unit(direction)])


def _held_way(
    lumen: Lumen, line: FloatArray, ways: Sequence[FloatArray], limit_mm2: float
) -> FloatArray | None:
    """Return the way from the body to the last section that holds all branches.

    ``line`` (N, 3), from the core to beyond where they part, is followed back.
    """
    way = smooth(resample(line, WAY_STEP_MM), WAY_SMOOTHING_MM, WAY_STEP_MM)
    direction = tangents(way)
    wall = lumen.wall.near(way, WALL_REACH_MM)
    held = 0
    for k in range(len(way) - 1, 2, -1):
        station = section_at(wall, way[k], direction[k])
        whole = (
            station is not None
            and not station.touches_cap
            and station.area_mm2 <= limit_mm2
            and all(passes(w, station.contour.points, way[k], direction[k]) for w in ways)
        )
        held = held + 1 if whole else 0
        if held == HELD_SECTIONS:
            return way[: k + HELD_SECTIONS]
    return None
