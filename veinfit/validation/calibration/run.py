"""From a table of observed attempts and the cases behind it to fitted settings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.errors import InputError
from veinfit.io.inputs.observed import ObservedRow
from veinfit.seating.approach.line import approach_line
from veinfit.seating.balloon import Balloon
from veinfit.seating.prepare import prepare
from veinfit.seating.seal.grade import COMPLETE
from veinfit.settings import Settings
from veinfit.validation.calibration.emulator import Emulator, emulate
from veinfit.validation.calibration.likelihood import Calibration, maximise
from veinfit.validation.calibration.observations import Attempt, of_attempts
from veinfit.validation.calibration.quantities import quantities
from veinfit.validation.calibration.responses import respond

FEWEST_ATTEMPTS = 10
"""Fewer observed attempts than this tell next to nothing and are refused."""

RESERVE_MM = 2.0
"""How much larger a ball than the balloon the wall at hand must hold."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """A calibration and what it rests on.

    Attributes
    ----------
    calibration : Calibration
    attempts, patients, fits : int
        How many went into it.
    emulator_error_mm : float
        Median error of the interpolated leak widths, mm.
    response_error : float
        Error of the interpolated probabilities.
    aside : tuple of str
        Rows that were left out, each with the reason.
    """

    calibration: Calibration
    attempts: int
    patients: int
    fits: int
    emulator_error_mm: float
    response_error: float
    aside: tuple[str, ...]


Key = tuple[str, str, str]
"""Case, vein and balloon."""


def emulate_case(
    case: str,
    anatomy: Anatomy,
    wanted: Sequence[tuple[Vein, Balloon]],
    approach: str,
    settings: Settings,
) -> dict[Key, Emulator]:
    """Make the emulators of some balloons in some veins of one case."""
    found: dict[Key, Emulator] = {}
    for vein in dict.fromkeys(vein for vein, _ in wanted):
        balloons = [balloon for other, balloon in wanted if other is vein]
        largest = max(balloon.radius_mm for balloon in balloons) + RESERVE_MM
        prepared = prepare(anatomy, vein, largest, settings.seating)
        line = approach_line(approach, anatomy, vein, settings.seating)
        for balloon in balloons:
            label = f"{case} {vein.name} {balloon.name}"
            emulator = emulate(prepared, balloon, line, settings, label)
            if emulator is not None:
                found[case, vein.name, balloon.name] = emulator
    return found


def calibrate(
    rows: Sequence[ObservedRow],
    cases: Iterable[tuple[str, Anatomy]],
    balloons: Sequence[Balloon],
    approach: str,
    settings: Settings,
    tell: Callable[[str], None] = lambda text: None,
    source: str = "observations",
) -> Outcome:
    """Fit push, springs, scatter and tolerance to observed occlusion.

    Parameters
    ----------
    rows : sequence of ObservedRow
    cases : iterable of (str, Anatomy)
        Taken one by one; those that no row names may be left out.
    balloons : sequence of Balloon
        The rows name one of them by its name or its diameter.
    approach : str
        Rows that state another one are left aside.
    settings : Settings
        The starting values; the stiffness stays as it is.
    tell : callable
        Told what is being done.
    source : str
        Where the rows come from, for messages.

    Returns
    -------
    Outcome

    Raises
    ------
    InputError
        Too few attempts can be used.
    """
    aside: list[str] = []
    by_case: dict[str, list[ObservedRow]] = {}
    for row in rows:
        if row.occlusion_grade is None:
            aside.append(f"{row.title}: no occlusion grade")
        elif row.approach and row.approach != approach:
            aside.append(f"{row.title}: not {approach}")
        else:
            by_case.setdefault(row.case, []).append(row)
    emulators: dict[Key, Emulator] = {}
    keys: list[tuple[ObservedRow, Key]] = []
    for case, anatomy in cases:
        observed = by_case.pop(case, [])
        if not observed:
            continue
        tell(f"seating: {case}")
        placed = []
        for row in observed:
            vein, balloon = _vein(row, anatomy), _balloon(row, balloons)
            if vein is None:
                aside.append(f"{row.title}: the case has no such vein")
            elif balloon is None:
                aside.append(f"{row.title}: no such balloon")
            else:
                placed.append((row, vein, balloon))
        wanted = list(dict.fromkeys((vein, balloon) for _, vein, balloon in placed))
        emulators.update(emulate_case(case, anatomy, wanted, approach, settings))
        for row, vein, balloon in placed:
            key = (case, vein.name, balloon.name)
            if key in emulators:
                keys.append((row, key))
            else:
                aside.append(f"{row.title}: its seats could not be assessed")
    aside += [f"{row.title}: no such case" for left in by_case.values() for row in left]
    if len(keys) < FEWEST_ATTEMPTS:
        reason = f"; {aside[0]}" if aside else ""
        raise InputError(
            f"{source}: {len(keys)} attempts can be used, and at least {FEWEST_ATTEMPTS} are "
            f"needed{reason}"
        )
    tell("fitting")
    order = {key: number for number, key in enumerate(emulators)}
    fitted = quantities(settings)
    labels = [" ".join(key) for key in order]
    responses = respond(list(emulators.values()), labels, settings, fitted)
    attempts = [
        Attempt(row.patient, order[key], row.occlusion_grade == COMPLETE) for row, key in keys
    ]
    calibration = maximise(fitted, of_attempts(responses, attempts), settings.margin.seed)
    errors = sorted(emulator.error_mm for emulator in emulators.values())
    return Outcome(
        calibration=calibration,
        attempts=len(attempts),
        patients=len({attempt.patient for attempt in attempts}),
        fits=len(order),
        emulator_error_mm=errors[len(errors) // 2],
        response_error=responses.error,
        aside=tuple(aside),
    )


def _vein(row: ObservedRow, anatomy: Anatomy) -> Vein | None:
    """Return the vein that a row names, or the common trunk that drains it."""
    for vein in anatomy.veins:
        if vein.name == row.vein:
            return vein
    for vein in anatomy.veins:
        if row.vein in vein.branches:
            return vein
    return None


def _balloon(row: ObservedRow, balloons: Sequence[Balloon]) -> Balloon | None:
    for balloon in balloons:
        if balloon.name == row.balloon or balloon.equatorial_mm == row.diameter_mm:
            return balloon
    return None
