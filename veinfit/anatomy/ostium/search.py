"""The ostium: a plane robustly fitted to the half-turn points around a vein."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.branches.branch_sections import STATION_MM, BranchSections, arc_length
from veinfit.anatomy.branches.lumen import Wall
from veinfit.anatomy.branches.model import Bifurcation
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.ostium.going_on import goes_on
from veinfit.anatomy.ostium.half_turn import HalfTurn, half_turns, half_turns_from_each
from veinfit.anatomy.ostium.leaning import (
    AXIS_SPAN_MM,
    LEAST_SECTOR_SHARE,
    Known,
    Settled,
    middle_ostium,
    plane_of,
)
from veinfit.anatomy.ostium.plane import OstiumFailure, ostium_in_plane, with_evidence
from veinfit.anatomy.ostium.plane_fit import Plane
from veinfit.notes import Note
from veinfit.settings import AnatomySettings
from veinfit.vectors import FloatArray

WALK_START_MM = 8.0
"""Profiles start this far distal of the ostium: past the flare of all but the widest funnel."""

END_CLEARANCE_MM = 0.75
"""They keep this far from the vein's end, whose rim is ragged."""

CLEAR_MM = 1.5
"""Centres nearer to the plane than this are drawn into the flare."""

WIDENED_POWER = 3.0
"""A section twice as large as the smallest counts an eighth for the axis."""

WAIST_SHARE = 1.015
"""Where the diameter grows distally by more than this past its least, that least is a waist."""

BULGE_MM = 3.0
"""... unless the diameter falls below it again within this: then the section was a slanted one."""

LEAST_START_MM = 3.0
"""A waist nearer than this leaves a profile no part that runs along the vein."""

FIRST_WIDENINGS = (1.5, 1.25, 2.0)
"""The search starts where the tube's area is these many times its least: in the flare."""

TRUNK_START_MM = 6.0
"""Profiles of a trunk start this far distal of its ostium: not so near its branches ..."""

CARINA_CLEARANCE_MM = 2.0
"""... nor nearer to the carina than this ..."""

LEAST_TRUNK_START_MM = 0.75
"""... unless the trunk is shorter than both."""

FLARED_DEG = 5.0
"""A profile whose start leans out by more than this beside one farther on starts in the flare."""

NEXT_START_MM = 2.0
"""Where the search finds nothing from any of these, it starts again so far past the last."""

ROUNDS = 6
"""Rounds of re-centring the sectors on the plane they gave."""

AGREED_MM = 0.02
"""Planes whose centres lie nearer to each other than this are one ..."""

AS_SURE_MM = 2.0
"""... and as sure as each other where their bounds differ by no more than this."""

SETTLED_MM = 0.05
"""The plane has settled when its centre moves less than this between rounds."""


def find_ostium(
    tube: BranchSections,
    settings: AnatomySettings,
    clearance_mm: float = END_CLEARANCE_MM,
    rivals: Sequence[FloatArray] = (),
    about_leaning: bool = True,
) -> tuple[Ostium, tuple[Note, ...]] | OstiumFailure:
    """Place the ostium of one tube, whose profiles keep ``clearance_mm`` from its distal end.

    The search starts at each place where the tube may begin to widen, and re-centres the
    sectors on the plane found until it settles; of several ostia that are about as sure the one
    farthest in the vein is taken. All half-turn points count alike.

    Parameters
    ----------
    tube : BranchSections
    settings : AnatomySettings
    clearance_mm : float
    rivals : sequence of (N, 3) array
        Paths from the body out into other veins: none passes through the ostium.
    about_leaning : bool
        Whether leaning axes count too.
    """
    s = arc_length(tube.centres)
    if len(tube.centres) < 3:
        return OstiumFailure("the stub is too short to show the vein's direction")
    search = _Search(tube, s, settings, clearance_mm)
    starts = _starts(tube, s)
    found, failures = search.ostia(starts, rivals, about_leaning)
    if not found:
        # A tip that tapers widens too: where all starts lie in it, those past it are tried.
        past = np.arange(max(starts) + NEXT_START_MM, s[-1], NEXT_START_MM).tolist()
        found, more = search.ostia(past, rivals, about_leaning)
        failures = [*failures, *more]
    return _agreed(found) if found else failures[0]


def _agreed(
    found: Sequence[tuple[Ostium, tuple[Note, ...]]],
) -> tuple[Ostium, tuple[Note, ...]]:
    """Return the ostium farthest in the vein that is about as sure as any.

    Where searches from several starts disagree, those that ran on into the atrium err.
    """
    limit = min(ostium.error_mm for ostium, _ in found) + AS_SURE_MM
    sure = [each for each in found if each[0].error_mm <= limit]
    first = sure[0][0]
    ostium, notes = max(sure, key=lambda each: (each[0].centre - first.centre) @ first.normal)
    assert ostium.evidence is not None
    apart = max(float(np.linalg.norm(other.centre - ostium.centre)) for other, _ in found)
    return with_evidence(ostium, replace(ostium.evidence, apart_mm=apart)), notes


def find_ostium_about(
    tube: BranchSections,
    line: tuple[FloatArray, FloatArray],
    settings: AnatomySettings,
    clearance_mm: float,
) -> tuple[Ostium, tuple[Note, ...]] | OstiumFailure:
    """Place the ostium of a tube too short to show its own direction.

    ``line`` is the point of its distal end and its direction into the vein; the
    sectors turn about it, and the profiles start ``clearance_mm`` from that point.
    """
    end, axis = line
    turns = half_turns(tube.wall, end, axis, -clearance_mm, settings.sectors)
    found = [t for t in turns if t is not None]
    if len(found) < LEAST_SECTOR_SHARE * settings.sectors:
        return _too_few(len(found), settings.sectors)
    plane = plane_of(found, axis)
    return ostium_in_plane(tube, plane, turns)


def settle_before_bifurcation(
    tube: BranchSections,
    start: Ostium,
    bifurcation: Bifurcation,
    clear: FloatArray,
    settings: AnatomySettings,
) -> tuple[Ostium, tuple[Note, ...]] | OstiumFailure:
    """Place the ostium of a trunk anew, its sectors about the path to where its branches part.

    Each plane gives a better direction, and that a better plane.

    Parameters
    ----------
    tube : BranchSections
    start : Ostium
        Where the search begins.
    bifurcation : Bifurcation
    clear : (3,) array
        A point of the trunk's course from which on, toward the body, no carina pinches it.
    settings : AnatomySettings
    """
    centre, normal = start.centre, start.normal
    settled: Settled | None = None
    starts = (0.0, 0.0)
    for _ in range(ROUNDS):
        axis = bifurcation.direction_from(centre, normal)
        room = max(float((clear - centre) @ axis), LEAST_START_MM)
        before = min(
            TRUNK_START_MM, float((bifurcation.carina - centre) @ axis) - CARINA_CLEARANCE_MM
        )
        starts = (min(room, before), before)
        turns = _turns_from_either(tube.wall, centre, axis, starts, settings)
        found = [t for t in turns if t is not None]
        if len(found) < LEAST_SECTOR_SHARE * settings.sectors:
            return _too_few(len(found), settings.sectors)
        plane = plane_of(found, axis)
        last = settled is not None and np.linalg.norm(plane.centre - centre) < SETTLED_MM
        settled = Settled(plane, turns, centre, axis, before)
        centre, normal = plane.centre, plane.normal
        if last:
            break
    assert settled is not None
    foot = settled.origin
    known = Known(
        float((bifurcation.carina - centre) @ settled.axis),
        lambda leaning: _turns_from_either(tube.wall, foot, leaning, starts, settings),
    )
    return middle_ostium(tube, settled, known=known)


def _turns_from_either(
    wall: Wall,
    origin: FloatArray,
    axis: FloatArray,
    starts: tuple[float, float],
    settings: AnatomySettings,
) -> list[HalfTurn | None]:
    """Find the half turns from the nearer of two ``starts``, mm, or from the farther one.

    The farther one counts where it is clear of the flare and the nearer is not: the carina
    pinches a trunk toward two sides only.
    """
    near, far = (max(start, LEAST_TRUNK_START_MM) for start in starts)
    if far <= near:
        return half_turns(wall, origin, axis, near, settings.sectors)
    turns, farther = half_turns_from_each(wall, origin, axis, (near, far), settings.sectors)
    return [
        a if b is None or (a and b.start_deg >= a.start_deg - FLARED_DEG) else b
        for a, b in zip(turns, farther, strict=True)
    ]


def _too_few(found: int, sectors: int) -> OstiumFailure:
    return OstiumFailure(
        f"the wall turns into the atrium in {found} of {sectors} directions "
        "only: the vein may be cut before its ostium"
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """A search for the ostium of one tube; ``s`` are the arc lengths of its centres."""

    tube: BranchSections
    s: FloatArray
    settings: AnatomySettings
    clearance_mm: float

    def ostia(
        self, starts: Sequence[float], rivals: Sequence[FloatArray], about_leaning: bool
    ) -> tuple[list[tuple[Ostium, tuple[Note, ...]]], list[OstiumFailure]]:
        """Return the ostia to which starts lead, one a plane, and why others lead to none."""
        settled: list[Settled] = []
        failures: list[OstiumFailure] = []
        for at in starts:
            result = self.follow(at)
            if isinstance(result, OstiumFailure):
                failures.append(result)
            else:
                settled.append(result)
        found: list[tuple[Ostium, tuple[Note, ...]]] = []
        while settled:
            one = settled[0]
            settled = [
                each
                for each in settled
                if not np.linalg.norm(each.plane.centre - one.plane.centre) < AGREED_MM
            ]
            ostium = (
                middle_ostium(self.tube, one, rivals)
                if about_leaning
                else ostium_in_plane(self.tube, one.plane, one.turns, rivals)
            )
            if not isinstance(ostium, OstiumFailure) and goes_on(self.tube, ostium[0]):
                ostium = OstiumFailure("the vein goes on past it as narrow as it is there")
            if isinstance(ostium, OstiumFailure):
                failures.append(ostium)
            else:
                found.append(ostium)
        return found, failures

    def follow(self, at: float) -> Settled | OstiumFailure:
        """Follow one start, an arc length from the distal end, until its plane settles."""
        tube, s, sectors = self.tube, self.s, self.settings.sectors
        settled: Settled | None = None
        first: FloatArray | None = None
        for _ in range(ROUNDS):
            before = settled
            origin, axis = line = _local_axis(tube, s, at, None if before is None else before.plane)
            start = _start_mm(tube, s, at, line, self.clearance_mm)
            if first is None:
                first = origin + start * axis
            elif not tube.is_longer_than_wide:
                # Of a stub a plane that goes toward the atrium must not take the start along:
                # profiles that start in the atrium show its folds alone.
                room = float((tube.centres[0] - origin) @ axis) - self.clearance_mm
                start = max(start, min(float((first - origin) @ axis), room))
            turns = half_turns(tube.wall, origin, axis, start, sectors)
            found = [t for t in turns if t is not None]
            if len(found) < LEAST_SECTOR_SHARE * sectors:
                return _too_few(len(found), sectors)
            plane = plane_of(found, axis)
            settled = Settled(plane, turns, origin, axis, start)
            moved = np.inf if before is None else plane.centre - before.plane.centre
            if np.linalg.norm(moved) < SETTLED_MM:
                break
            at = _arc_at(tube, s, plane.centre)
        assert settled is not None
        return settled


def _starts(tube: BranchSections, s: FloatArray) -> list[float]:
    """Arc lengths from the distal end at which the tube may begin to widen, without repeats."""
    narrowest = np.minimum.accumulate(tube.areas_mm2)
    starts: list[float] = []
    for widening in FIRST_WIDENINGS:
        wide = np.flatnonzero(tube.areas_mm2 > widening * narrowest)
        at = float(max(s[wide[0]], s[2])) if len(wide) else float(s[-1])
        if at not in starts:
            starts.append(at)
    return starts


def _local_axis(
    tube: BranchSections, s: FloatArray, at: float, plane: Plane | None
) -> tuple[FloatArray, FloatArray]:
    """Point and direction (into the vein) of the line through the centres distal of ``at``.

    Sections that have begun to widen lean toward the body's middle: they count
    less, and not at all once a plane tells where they are.
    """
    chosen = np.flatnonzero((s >= at - AXIS_SPAN_MM) & (s <= at + 1e-9))
    foot = tube.centres[min(int(np.searchsorted(s, at)), len(s) - 1)]
    if plane is not None:
        height = (tube.centres - plane.centre) @ plane.normal
        clear = np.flatnonzero((height >= CLEAR_MM) & (s <= at))
        chosen = clear[height[clear] <= CLEAR_MM + AXIS_SPAN_MM]
        foot = plane.centre
    if len(chosen) < 3:
        chosen = np.arange(min(3, len(s))) if at <= s[2] else np.arange(len(s) - 3, len(s))
    areas, points = tube.areas_mm2[chosen], tube.centres[chosen]
    weight = (areas.min() / areas) ** WIDENED_POWER
    middle = (weight[:, None] * points).sum(axis=0) / weight.sum()
    _, _, vt = np.linalg.svd((points - middle) * np.sqrt(weight)[:, None])
    axis = vt[0] if vt[0] @ (points[0] - points[-1]) > 0 else -vt[0]
    return middle + ((foot - middle) @ axis) * axis, axis


def _start_mm(
    tube: BranchSections,
    s: FloatArray,
    at: float,
    line: tuple[FloatArray, FloatArray],
    clearance_mm: float,
) -> float:
    """How far distal of the line's point along it the profiles start.

    Not past the waist: beyond it the wall leans outward again, toward branches.
    """
    origin, axis = line
    room = float((tube.centres[0] - origin) @ axis) - clearance_mm
    beyond = np.flatnonzero(s <= at + 1e-9)[::-1]
    diameter = np.sqrt(tube.areas_mm2[beyond])
    waist = room
    k = _waist(diameter, s[beyond])
    if k is not None:
        waist = float((tube.centres[beyond[k]] - origin) @ axis)
    start = min(WALK_START_MM, room, max(waist, LEAST_START_MM))
    return start if start >= 1.0 else max(room + 0.5 * clearance_mm, 0.5)


def _waist(diameter: FloatArray, s: FloatArray) -> int | None:
    """Index of the first lasting least of (N,) diameters at arc lengths ``s``, None without."""
    narrowest = 0
    for k in range(1, len(diameter)):
        if diameter[k] <= diameter[narrowest]:
            narrowest = k
        elif diameter[k] > WAIST_SHARE * diameter[narrowest]:
            soon = np.abs(s[k:] - s[narrowest]) <= BULGE_MM + STATION_MM
            if not (diameter[k:][soon] < diameter[narrowest]).any():
                return narrowest
    return None


def _arc_at(tube: BranchSections, s: FloatArray, point: FloatArray) -> float:
    """Arc length on the tube, from its distal end, nearest to ``point``."""
    nearest = int(np.argmin(np.linalg.norm(tube.centres - point, axis=1)))
    return float(s[nearest])
