"""Seating: from an anatomy and some balloons to a fit for each vein."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import product

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.notes import Note
from veinfit.seating.approach.line import approach_line, line_through_ostium
from veinfit.seating.approach.reachable import directions_about
from veinfit.seating.balloon import Balloon
from veinfit.seating.further import Growth
from veinfit.seating.growth.in_place import growth_of
from veinfit.seating.mechanics.guide import guide_notes
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import Structure
from veinfit.seating.nominal import growth_mm, seat_balloon
from veinfit.seating.plans.plan import Tried, plans_of
from veinfit.seating.prepare import prepare
from veinfit.seating.uncertainty.attempts import Simulator, simulator, tries_together
from veinfit.seating.uncertainty.made import (
    TriesMade,
    field_without_course,
    first_tries_of,
    with_margins,
)
from veinfit.seating.uncertainty.readings import Readings
from veinfit.seating.uncertainty.unknowns import TryInputs
from veinfit.settings import MarginSettings, SeatingSettings

Key = tuple[int, int]
"""Numbers of a balloon and of a line."""

RESERVE_SD = 4.0
"""The wall reaches so many standard deviations of the surface offset past the largest balloon."""


def seat_vein(
    anatomy: Anatomy,
    vein: Vein,
    balloons: Sequence[Balloon],
    settings: SeatingSettings,
    approaches: Iterable[str] = ("coaxial",),
    structures: Mapping[str, Structure] | None = None,
    margin: MarginSettings | None = None,
) -> tuple[Fit, ...]:
    """Seat every balloon before one vein, by every approach.

    Parameters
    ----------
    anatomy : Anatomy
    vein : Vein
        One of ``anatomy.veins``.
    balloons : sequence of Balloon
    settings : SeatingSettings
    approaches : iterable of str
    structures : mapping of str to Surface or (N, 3) array, optional
        Surfaces, polylines or points to measure distances to, LPS mm.
    margin : MarginSettings, optional
        With it every fit gets its margin and its aim map.

    Returns
    -------
    fits : tuple of Fit
        Balloon by balloon, the approaches of each in turn.

    Raises
    ------
    InputError
        There is no such approach.
    """
    return tuple(
        each_seat(anatomy, vein, balloons, settings, approaches, structures, margin, at_once=True)
    )


def each_seat(
    anatomy: Anatomy,
    vein: Vein,
    balloons: Sequence[Balloon],
    settings: SeatingSettings,
    approaches: Iterable[str] = ("coaxial",),
    structures: Mapping[str, Structure] | None = None,
    margin: MarginSettings | None = None,
    at_once: bool = False,
) -> Iterator[Fit]:
    """Yield the fits of :func:`seat_vein` one by one, each worked out when it is asked for.

    Their order is that of the balloons; what each is does not depend on it.

    Parameters
    ----------
    anatomy : Anatomy
    vein : Vein
    balloons : sequence of Balloon
    settings : SeatingSettings
    approaches : iterable of str
        ``coaxial``, ``transseptal``.
    structures : mapping of str to Surface or (N, 3) array, optional
        Neighbours whose distance is told.
    margin : MarginSettings, optional
        Without it no probability is told.
    at_once : bool
        All will be asked for: tries of all sizes are made side by side, which takes less time in
        all and more until the first.

    Yields
    ------
    Fit
    """
    lines = [approach_line(name, anatomy, vein, settings) for name in approaches]
    if not balloons or not lines:
        return
    margin = margin or MarginSettings(samples=0)
    largest = max(b.resized(growth_mm(b, settings)).shape.reach_mm for b in balloons)
    reserve = RESERVE_SD * margin.surface_offset_sd_mm if margin.samples else 0.0
    prepared = prepare(anatomy, vein, largest + reserve, settings)
    distances = [prepared.distance_mm(line) for line in lines]
    directions = [
        directions_about(anatomy, vein, line, settings, margin)
        if margin.samples and not line.cannot_reach
        else None
        for line in lines
    ]
    about = guide_notes(vein)
    tried: dict[int, list[Tried]] = {}
    sizes = next_sizes(balloons)

    def ready_for(which: int, number: int) -> Simulator:
        balloon, larger, line = balloons[which], sizes[which], lines[number]
        grown_mm = larger.shape.reach_mm if larger is not None else 0.0
        return simulator(prepared, balloon, line, settings, margin, distances[number], grown_mm)

    seats: dict[Key, tuple[Simulator, Fit, TriesMade | None]] = {}
    keys = list(product(range(len(balloons)), range(len(lines))))
    simulators = {key: ready_for(*key) for key in keys if margin.samples or at_once}
    if at_once and not margin.samples:
        still = still_tries(simulators)
        for key, ready in simulators.items():
            fit = seat_balloon(prepared, ready, structures, still.get(key))
            seats[key] = ready, fit, None
    if margin.samples:
        # The tries of all sizes are made side by side.
        reaches = {key: reach for key in keys if (reach := directions[key[1]]) is not None}
        tries = first_tries_of([(simulators[key], reach) for key, reach in reaches.items()])
        begun = dict(zip(reaches, tries, strict=True))
        for key, ready in simulators.items():
            rough = begun[key].still if key in begun else None
            seats[key] = ready, seat_balloon(prepared, ready, structures, rough), None
        asked = [(seats[key][1], simulators[key], reaches[key], begun[key]) for key in reaches]
        for key, (fit, made) in zip(reaches, with_margins(asked), strict=True):
            seats[key] = simulators[key], fit, made
    for which, (balloon, larger) in enumerate(zip(balloons, sizes, strict=True)):
        for number, (line, reach) in enumerate(zip(lines, directions, strict=True)):
            if (which, number) in seats:
                ready, fit, made = seats[which, number]
            else:
                ready = ready_for(which, number)
                fit, made = seat_balloon(prepared, ready, structures), None
            without_course = margin.samples and reach is None and line.kind == "transseptal"
            if without_course and settings.crossing_map:
                along = line_through_ostium(line.kind, vein, vein.axis)
                other = simulator(prepared, balloon, along, settings, margin)
                fit = replace(fit, aim_field=field_without_course(other))
            if larger is not None and settings.growth_in_place:
                loop, chains = settings.loop_diameter_mm, None if made is None else made.chains
                grown = growth_of(fit, larger, ready, chains, structures or {}, loop)
                fit = replace(fit, growth=grown, notes=(*fit.notes, *_growth_notes(fit, grown)))
            if made is not None and settings.plan_below_probability > 0.0:
                tried.setdefault(number, []).append(Tried(ready, made))
            if balloon is balloons[-1] and reach is not None and number in tried:
                plans, seen = plans_of(tried[number], reach, settings.plan_below_probability)
                fit = replace(fit, plans=plans, notes=(*fit.notes, *seen))
            yield replace(fit, notes=(*fit.notes, *about))


def still_tries(simulators: Mapping[Key, Simulator]) -> dict[Key, Readings]:
    """Make one try without any perturbation with each balloon in one vein that has a course.

    Parameters
    ----------
    simulators : mapping to Simulator

    Returns
    -------
    dict to Readings
        Without leak widths.
    """
    own = {key: one for key, one in simulators.items() if not one.line.cannot_reach}
    asked = [(one, TryInputs.still(one.line.direction[None]), 0) for one in own.values()]
    return dict(zip(own, tries_together(asked), strict=True))


def _growth_notes(fit: Fit, grown: Growth | None) -> tuple[Note, ...]:
    if grown is not None:
        return ()
    text = f"{fit.balloon}: growth in place is not told: there is no seat to grow from"
    return (Note("seating", text, fit.vein),)


def next_sizes(balloons: Sequence[Balloon]) -> tuple[Balloon | None, ...]:
    """Return for each balloon the next larger one of its kind, to which it may grow in place."""
    result: list[Balloon | None] = []
    for one in balloons:
        larger = [
            other
            for other in balloons
            if other.profile == one.profile and other.equatorial_mm > one.equatorial_mm
        ]
        result.append(min(larger, key=lambda other: other.equatorial_mm, default=None))
    return tuple(result)


def seat_all(
    anatomy: Anatomy,
    balloons: Sequence[Balloon],
    settings: SeatingSettings,
    structures: Mapping[str, Structure] | None = None,
    approaches: Iterable[str] = ("coaxial",),
) -> tuple[Fit, ...]:
    """Seat every balloon before every vein; see :func:`seat_vein`."""
    approaches = tuple(approaches)
    fits: list[Fit] = []
    for vein in anatomy.veins:
        fits += seat_vein(anatomy, vein, balloons, settings, approaches, structures)
    return tuple(fits)
