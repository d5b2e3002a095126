"""What could be a vein: every branch, and every trunk that branches share.

Each candidate is walked as a tube and given an ostium where it has one; which
of them are veins, and which veins, is for the names to decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.branches import BEYOND_PARTING_MM, LEAD_MM, Branch, Branches, SharedPart
from veinfit.anatomy.contours import in_plane, surrounds
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

TRUNK_EXCESS = 3.0
"""No section of a trunk, its ostium included, is larger than this times its branches together."""

FORK_SPAN_MM = 8.0
"""A branch's direction where it joins is taken over this length of it."""

PARTING_CLEARANCE_MM = 2.5
"""Nearer to its parting a trunk's wall already turns toward the branches."""

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
        Distance from the ostium to where the branches part; None for one branch.
    reason : str
        Why there is no ostium.
    notes : tuple of Note
    excess : float
        Area of a trunk's ostium over its branches' typical areas together; 1 for one branch.
    """

    members: tuple[int, ...]
    tube: Tube | None
    ostium: Ostium | None
    carina_mm: float | None
    reason: str
    notes: tuple[Note, ...]
    excess: float = 1.0


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
    walked = [t for t in tubes if t is not None]
    together = sum(float(np.median(t.areas_mm2)) for t in walked)
    limit = TRUNK_EXCESS * together
    ways = [branches.branches[m].way for m in members]
    found: list[Candidate] = []
    for line in (part.way, _fork(part.way[0], walked)):
        way = _held_way(lumen, line, ways, limit)
        tube = None if way is None else walk_tube(lumen, way, rounds=1)
        if way is None or tube is None:
            continue
        parting = way[-1]
        about = (parting, unit(parting - way[-1 - HELD_SECTIONS]))
        for ostium, notes in (
            found_one
            for found_one in (
                find_ostium(tube, settings, PARTING_CLEARANCE_MM),
                find_ostium_about(tube, about, settings, PARTING_CLEARANCE_MM),
            )
            if not isinstance(found_one, OstiumFailure)
        ):
            length = float((parting - ostium.centre) @ ostium.normal)
            excess = ostium.measures.area_mm2 / together
            if length > 0 and excess <= TRUNK_EXCESS:
                found.append(Candidate(members, tube, ostium, length, "", notes, excess))
    return min(found, key=lambda c: c.ostium.error_mm if c.ostium else np.inf, default=None)


def _fork(core: FloatArray, tubes: Sequence[Tube]) -> FloatArray:
    """Way midway between several branches: straight on in their mean direction.

    Where a trunk is hardly longer than wide, the branches show its direction
    better than the fronts do, which still bend round the body.
    """
    share = np.array([float(np.median(tube.areas_mm2)) for tube in tubes])
    share /= share.sum()
    direction = np.zeros(3)
    for weight, tube in zip(share, tubes, strict=True):
        near = tube.centres[arc_length(tube.centres[::-1])[::-1] <= FORK_SPAN_MM]
        direction += weight * unit(near[0] - near[-1])
    middle = share @ np.array([tube.centres[-1] for tube in tubes])
    along = np.arange(-LEAD_MM, BEYOND_PARTING_MM + LEAD_MM, WAY_STEP_MM)
    return np.concatenate([core[None], middle + along[:, None] * unit(direction)])


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
            and all(_passes(w, station.contour.points, way[k], direction[k]) for w in ways)
        )
        held = held + 1 if whole else 0
        if held == HELD_SECTIONS:
            return way[: k + HELD_SECTIONS]
    return None


def _passes(way: FloatArray, contour: FloatArray, origin: FloatArray, normal: FloatArray) -> bool:
    """Whether a way, where it last crosses the plane, does so inside the contour."""
    height = (way - origin) @ normal
    crossing = np.flatnonzero((height[:-1] < 0) != (height[1:] < 0))
    if not len(crossing):
        return False
    k = int(crossing[-1])
    t = height[k] / (height[k] - height[k + 1])
    point = way[k] + t * (way[k + 1] - way[k])
    flat = in_plane(contour, origin, normal)
    return surrounds(flat, in_plane(point[None], origin, normal)[0])
