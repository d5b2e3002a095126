"""Several seats that close a vein together: chosen, checked by full seats, and their probability.

Asked for each vein that no single seat is likely to close. Two seats are chosen by the tries
behind the aim maps, then three where two are not likely to close the vein. New tries tell
their probability, and seats on the refined wall what each covers and what gap is left.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from veinfit.frames import clock_direction, clock_hours, side_words
from veinfit.notes import Note
from veinfit.seating.approach.reachable import Directions
from veinfit.seating.further import Plan, PlanSeat, VeinPlans
from veinfit.seating.likely import as_told, reaches
from veinfit.seating.patch import WallPatch
from veinfit.seating.plans.choose import Candidates, Closes, best_sets
from veinfit.seating.plans.cover import Cover, closed_together, cover_of, shared_wall
from veinfit.seating.plans.full import FullSeat, full_seat, line_of, longest_arc, plan_gap
from veinfit.seating.seal.clock import meridians
from veinfit.seating.seal.closure import ClosureWall
from veinfit.seating.seal.orifice import cut_graph
from veinfit.seating.seal.paths import WIDE_MM
from veinfit.seating.uncertainty.attempts import Simulator
from veinfit.seating.uncertainty.made import TriesMade
from veinfit.seating.uncertainty.margin import LEAST_ASSESSED
from veinfit.seating.uncertainty.readings import NOT_ASSESSED, Readings
from veinfit.seating.uncertainty.unknowns import TryInputs, draw
from veinfit.vectors import BoolArray, FloatArray, IntArray

TRIES_PER_PATIENT = 4
"""Tries of each seat of a plan for each draw of the patient's unknowns."""

SECTORS = 24
"""Directions around the vein in which a set of seats must cover the wall."""


_Key = tuple[str, int]
"""A size of balloon and a nominal try of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """One size of balloon with the tries that were made of it."""

    simulator: Simulator
    made: TriesMade


@dataclass(frozen=True, slots=True, eq=False)
class _Aim:
    """One seat that a plan may have: the balloon, its nominal try and where the shaft points."""

    tried: Tried
    row: int
    direction: FloatArray
    hour: float
    tilt_deg: float

    @property
    def key(self) -> _Key:
        """By what it is looked up."""
        return self.tried.simulator.balloon.name, self.row

    @property
    def nominal(self) -> Readings:
        assert self.tried.made.nominal is not None
        return self.tried.made.nominal


def plans_of(
    tried: Sequence[Tried], directions: Directions, likely_from: float
) -> tuple[VeinPlans | None, tuple[Note, ...]]:
    """Look for seats that close a vein together, where no single one is likely to.

    Parameters
    ----------
    tried : sequence of Tried
        All sizes, by one approach.
    directions : Directions
        In which the sheath can point.
    likely_from : float
        Plans are looked for where the best single seat seals with less than this probability,
        and three seats where two do. Probabilities count as they are told, to two digits.

    Returns
    -------
    plans : VeinPlans or None
        None where a single seat is likely to seal, or where the tries do not tell.
    notes : tuple of Note
        That something stays out of reach of all seats.
    """
    tried = [one for one in tried if one.made.field is not None and one.made.nominal is not None]
    if not tried:
        return None, ()
    simulator = tried[0].simulator
    patch, line = simulator.prepared.patch, simulator.line
    best = max(_single(one, directions) for one in tried)
    if reaches(best, likely_from):
        return None, ()
    wall = shared_wall([one.simulator for one in tried])
    nominal = [cover_of(wall, aim.simulator, aim.made.nominal) for aim in tried if aim.made.nominal]
    found = _reach(VeinPlans(patch.vein, line.kind, best), patch, simulator, nominal)
    aims, seats, closes = _candidates(tried, directions, nominal)
    plans: list[Plan] = []
    looked_up = _Seats(wall, patch)
    for chosen in best_sets(seats, closes):
        own = [aims[number] for number in chosen]
        plan = _plan(own, looked_up)
        if plans and (better := _better_pair(own, plan, plans[0])):
            # The tries made for three seats tell of pairs of them too.
            plans = [_plan(better, looked_up)]
            if reaches(plans[0].seal_probability, likely_from):
                break
        told, before = plan.seal_probability, plans[-1].seal_probability if plans else None
        # Three seats are worth no row that are no likelier than two.
        if before is None or (told is not None and as_told(told) > as_told(before)):
            plans.append(plan)
        if reaches(told, likely_from):
            break
    found = replace(found, plans=tuple(plans))
    return found, _notes(found, simulator.seating.contact_tolerance_mm)


def _single(one: Tried, directions: Directions) -> float:
    """Greatest probability of a seat that the aim map of one size tells."""
    field = one.made.field
    assert field is not None
    told = [field.probability(directions.direction[k]) for k in np.flatnonzero(directions.reached)]
    return max((chance[0] for chance in told if chance is not None), default=0.0)


def _reach(
    found: VeinPlans, patch: WallPatch, simulator: Simulator, nominal: Sequence[Cover]
) -> VeinPlans:
    """Tell what all directions and sizes together cover, and what they leave open."""
    gap = np.concatenate([cover.gap_mm for cover in nominal]).min(axis=0)
    wall = nominal[0].wall
    width, narrowest = wall.wall.widest(gap)
    closed = width <= simulator.seating.contact_tolerance_mm
    sectors = np.asarray(np.concatenate([cover.sectors for cover in nominal]).any(axis=0))
    turn = 2.0 * np.pi * (np.arange(len(sectors)) + 0.5) / len(sectors) - np.pi
    axes = simulator.prepared.axes
    beside = np.cos(turn)[:, None] * axes[0] + np.sin(turn)[:, None] * axes[1]
    order = np.argsort(clock_hours(beside, patch.axis), kind="stable")
    hours = clock_hours(beside[order], patch.axis)
    from_h, to_h = longest_arc(sectors[order], hours)
    side = "" if closed else _side(patch, narrowest)
    begin, end = longest_arc(~sectors[order], hours)
    if not closed and not side and begin is not None and end is not None:
        # Wide open: the path keeps clear of all wall that they come near.
        middle = (begin + 0.5 * ((end - begin) % 12.0 or 12.0)) % 12.0
        side = side_words(clock_direction(middle, patch.axis))
    return replace(
        found,
        reach_gap_mm=float(np.clip(width, 0.0, WIDE_MM)),
        reach_side=side,
        reach_from_h=from_h,
        reach_to_h=to_h,
    )


def _side(patch: WallPatch, vertex: int) -> str:
    """Return in words where a vertex of the patch lies about the vein; empty for none."""
    if not 0 <= vertex < len(patch.surface.points):
        return ""
    offset = patch.surface.points[vertex] - patch.centre
    return side_words(offset - (offset @ patch.axis) * patch.axis)


def _candidates(
    tried: Sequence[Tried], directions: Directions, nominal: Sequence[Cover]
) -> tuple[list[_Aim], Candidates, Closes]:
    """All seats whose nominal try touches and near whose aim enough tries lie."""
    wall = nominal[0].wall
    covers = [cover for one in tried for cover in _covers(wall, one)]
    begin = np.cumsum([0, *(2 * len(one.made.chains.first.outcome) for one in tried)])
    reached = np.flatnonzero(directions.reached)
    aims, weights, shown = [], [], []
    for size, (one, cover) in enumerate(zip(tried, nominal, strict=True)):
        field = one.made.field
        assert field is not None
        sectors = _directions(cover)
        for row, number in enumerate(reached):
            direction = directions.direction[number]
            weight = field.weights(direction) if sectors[row].any() else None
            if weight is None:
                continue
            whole = np.zeros(begin[-1])
            whole[begin[size] + field.row] = weight
            weights.append(whole)
            shown.append(sectors[row])
            hour, tilt = float(directions.hour[number]), float(directions.tilt_deg[number])
            aims.append(_Aim(one, row, direction, hour, tilt))
    seats = Candidates(
        np.array(weights).reshape(len(aims), int(begin[-1])),
        np.concatenate([_directions(cover) for cover in covers]),
        np.array(shown).reshape(len(aims), SECTORS),
    )
    every = replace(covers[0], gap_mm=np.concatenate([cover.gap_mm for cover in covers]))

    def closes(which: Sequence[IntArray]) -> BoolArray:
        return closed_together([every] * len(which), which)

    return aims, seats, closes


def _covers(wall: ClosureWall, one: Tried) -> tuple[Cover, Cover]:
    """Return what the first tries of the margin cover, and those spread over all directions."""
    unknowns = one.made.chains.unknowns
    patient = np.repeat(unknowns.patient, unknowns.shape[1], axis=0)
    assert one.made.spread is not None
    first, spread = one.made.chains.first, one.made.spread
    simulator = one.simulator
    return (
        cover_of(wall, simulator, first, patient),
        cover_of(wall, simulator, spread, patient),
    )


def _directions(cover: Cover) -> BoolArray:
    """Directions around the vein (N, S) that seats cover."""
    sectors = cover.sectors
    return np.asarray(sectors.reshape(len(sectors), SECTORS, -1).any(axis=2))


class _Seats:
    """Seats of the plans of one vein, each worked out once: three have two of before among them."""

    def __init__(self, wall: ClosureWall, patch: WallPatch) -> None:
        self.graph, self.lines = cut_graph(patch), meridians(patch)
        self._wall = wall
        self._full: dict[_Key, FullSeat] = {}
        self._tries: dict[_Key, tuple[Cover, BoolArray]] = {}

    def full(self, aim: _Aim) -> FullSeat:
        """Return the seat on the refined wall."""
        if aim.key not in self._full:
            simulator = aim.tried.simulator
            self._full[aim.key] = full_seat(
                simulator, aim.direction, aim.nominal, aim.row, self.lines
            )
        return self._full[aim.key]

    def tries(self, aims: Sequence[_Aim]) -> list[tuple[Cover, BoolArray]]:
        """Return what tries made for these seats alone cover, and which could be assessed."""
        fresh: dict[str, list[_Aim]] = {}
        for aim in aims:
            if aim.key not in self._tries:
                fresh.setdefault(aim.tried.simulator.balloon.name, []).append(aim)
        for own in fresh.values():
            self._make(own)
        return [self._tries[aim.key] for aim in aims]

    def _make(self, aims: Sequence[_Aim]) -> None:
        """Make the tries of seats of one size, in one batch."""
        tried = aims[0].tried
        simulator, patients = tried.simulator, len(tried.made.chains.unknowns.patient)
        margin = replace(
            simulator.margin,
            samples=patients * TRIES_PER_PATIENT,
            chains_per_patient=TRIES_PER_PATIENT,
        )
        inputs = []
        for aim in aims:
            unknowns = draw(margin, f"plan {simulator.label} {aim.hour:.3f} {aim.tilt_deg:.3f}", 1)
            patient = np.repeat(unknowns.patient, TRIES_PER_PATIENT, axis=0)
            scores = unknowns.first.reshape(len(patient), -1)
            inputs.append(TryInputs(np.tile(aim.direction, (len(patient), 1)), patient, scores))
        whole = TryInputs.joined(inputs)
        readings = simulator.tries(whole.aim, whole.patient, whole.scores, widths=0)
        begin = 0
        for aim, one in zip(aims, inputs, strict=True):
            own = readings.rows(slice(begin, begin + one.count))
            cover = cover_of(self._wall, simulator, own, one.patient)
            self._tries[aim.key] = cover, own.outcome != NOT_ASSESSED
            begin += one.count


def _plan(aims: Sequence[_Aim], seats: _Seats) -> Plan:
    first = aims[0].tried.simulator
    patch, tolerance = first.prepared.patch, first.seating.contact_tolerance_mm
    full = [seats.full(aim) for aim in aims]
    fields = [seat.field for seat in full]
    gap_mm, narrowest = plan_gap(patch, seats.graph, fields, tolerance)
    probability, error, without = _probability(seats.tries(aims))
    closed = gap_mm is not None and gap_mm <= tolerance
    return Plan(
        seats=tuple(
            _told(aim, seat, chance) for aim, seat, chance in zip(aims, full, without, strict=True)
        ),
        seal_probability=probability,
        sampling_error=error,
        open_gap_mm=None if gap_mm is None else float(np.clip(gap_mm, 0.0, WIDE_MM)),
        open_side="" if closed else _side(patch, narrowest),
        line_mm=line_of(seats.lines, fields),
    )


def _better_pair(aims: Sequence[_Aim], plan: Plan, pair: Plan) -> list[_Aim]:
    """Return those two of three seats that seal more often than a pair; none where none do."""
    without = [
        -1.0 if seat.probability_without is None else seat.probability_without
        for seat in plan.seats
    ]
    spare = int(np.argmax(without))
    least = -1.0 if pair.seal_probability is None else pair.seal_probability
    return [aim for k, aim in enumerate(aims) if k != spare] if without[spare] > least else []


def _told(aim: _Aim, seat: FullSeat, without: float | None) -> PlanSeat:
    straight = not math.isfinite(aim.hour)
    axis = aim.tried.simulator.prepared.patch.axis
    aside = aim.direction - (aim.direction @ axis) * axis
    return PlanSeat(
        balloon=aim.tried.simulator.balloon.name,
        shaft_clock_h=None if straight else aim.hour,
        shaft_side="" if straight else side_words(aside),
        shaft_tilt_deg=aim.tilt_deg,
        covers_from_h=seat.from_h,
        covers_to_h=seat.to_h,
        probability_without=without,
        band_from_mm=seat.band_from_mm,
        band_to_mm=seat.band_to_mm,
    )


def _probability(
    tries: Sequence[tuple[Cover, BoolArray]],
) -> tuple[float | None, float | None, list[float | None]]:
    """Probability that seats close a vein together, its error, and that without each of them.

    Tries of one draw of the patient's unknowns are set beside one another in every way.
    """
    covers, known = [one[0] for one in tries], [one[1] for one in tries]
    whole = _share_closed(covers, known)
    if whole is None:
        return None, None, [None] * len(tries)
    without = []
    for number in range(len(tries)):
        others = [one for one in range(len(tries)) if one != number]
        told = _share_closed([covers[k] for k in others], [known[k] for k in others])
        without.append(None if told is None else told[0])
    return *whole, without


def _share_closed(
    covers: Sequence[Cover], known: Sequence[np.ndarray]
) -> tuple[float, float] | None:
    """Share of sets of tries, one of each seat, that close the vein; and its standard error."""
    count = len(known[0]) // TRIES_PER_PATIENT
    combinations = np.array(list(product(range(TRIES_PER_PATIENT), repeat=len(covers))))
    begin = TRIES_PER_PATIENT * np.repeat(np.arange(count), len(combinations))
    which = [begin + np.tile(combinations[:, k], count) for k in range(len(covers))]
    assessed = np.all([one[rows] for one, rows in zip(known, which, strict=True)], axis=0)
    if assessed.mean() < LEAST_ASSESSED:
        return None
    closed = np.where(assessed, closed_together(covers, which), np.nan).reshape(count, -1)
    given = np.nanmean(closed[np.isfinite(closed).any(axis=1)], axis=1)
    share = float(given.mean())
    tries = count * TRIES_PER_PATIENT
    mild = (share * tries + 0.5) / (tries + 1.0)
    error = math.sqrt(mild * (1.0 - mild) / tries)
    if len(given) > 1:
        error = max(error, float(given.std(ddof=1) / math.sqrt(len(given))))
    return share, error


def _notes(found: VeinPlans, tolerance_mm: float) -> tuple[Note, ...]:
    if found.reach_gap_mm is None or found.reach_gap_mm <= tolerance_mm:
        text = "no two or three seats together sealed the vein in any of the tries compared"
        return () if found.plans else (Note("seating", text, found.vein),)
    wide = found.reach_gap_mm >= WIDE_MM
    digits = 2 if found.reach_gap_mm < 1.0 else 1  # hundredths where the tolerance lies
    gap = f"{WIDE_MM:g} mm or more" if wide else f"{found.reach_gap_mm:.{digits}f} mm"
    where = f" on the {found.reach_side} side" if found.reach_side else ""
    text = (
        f"no set of seats is predicted to seal the vein: in every direction of the sheath, part of "
        f"the wall{where} stays {gap} away from every size"
    )
    return (Note("seating", text, found.vein),)
