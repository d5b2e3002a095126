"""The aim map: where the shaft points, and whether the balloon seals there.

For a grid of directions a try without any perturbation tells the outcome. The probability
of an antral seal of a try that aims at a direction is told from tries spread over all
directions: each weighs as much as the scatter of such a try would make it likely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from veinfit.frames import side_words
from veinfit.seating.approach.reachable import Directions
from veinfit.seating.model import Aim
from veinfit.seating.uncertainty.aim_field import AimField, normal_density
from veinfit.seating.uncertainty.attempts import Simulator
from veinfit.seating.uncertainty.readings import NOT_ASSESSED, OUTCOMES, SEATED, Readings
from veinfit.seating.uncertainty.unknowns import (
    ATTEMPT_UNKNOWNS,
    PATIENT_UNKNOWNS,
    TryInputs,
    draw,
    tilted,
)
from veinfit.settings import MarginSettings
from veinfit.vectors import FloatArray

SCATTERS = 1.0
"""Tries are spread over directions up to so many scatters past the greatest tilt."""


def spread_tries(
    simulator: Simulator, directions: Directions, margin: MarginSettings
) -> TryInputs | None:
    """Spread tries over all directions, as many as the margin has first tries.

    None without scatter: then a direction seals or it does not.
    """
    scatter = np.radians(margin.direction_sd_deg)
    if scatter <= 0.0:
        return None
    label = f"aims {simulator.label}"
    unknowns = draw(margin, label, 1)
    count = unknowns.shape[0] * unknowns.shape[1]
    rng = np.random.default_rng(np.random.SeedSequence([margin.seed, *label.encode()]))
    from scipy.stats import qmc  # slow to import, and not every job has a margin

    share = qmc.Sobol(2, scramble=True, rng=rng).random(count)
    # Evenly over the part of the sphere within reach of the axis.
    tilt = np.arccos(1.0 - share[:, 0] * (1.0 - np.cos(_reach(margin))))
    turn = 2.0 * np.pi * share[:, 1]
    tilts = np.degrees(tilt)[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    aim = tilted(np.tile(directions.axis, (count, 1)), tilts)
    scores = unknowns.first.reshape(count, len(ATTEMPT_UNKNOWNS)).copy()
    scores[:, :2] = 0.0
    patient = np.repeat(unknowns.patient, unknowns.shape[1], axis=0)
    return TryInputs(aim, patient, scores)


def aim_field(
    simulator: Simulator, first: Readings | None, spread: Readings, directions: Directions
) -> AimField:
    """Join the first tries of the margin, where there are any, with tries over all directions."""
    margin = simulator.margin
    scatter, reach = np.radians(margin.direction_sd_deg), _reach(margin)
    parts = (spread,) if first is None else (first, spread)
    known = np.concatenate([part.assessed for part in parts])
    direction = np.concatenate([part.direction for part in parts])
    antral = np.concatenate([part.antral[1] for part in parts]).astype(float)
    home = np.arccos(np.clip(direction @ simulator.line.direction, -1.0, 1.0))
    off_axis = np.arccos(np.clip(direction @ directions.axis, -1.0, 1.0))
    even = (off_axis <= reach) / (2.0 * np.pi * (1.0 - np.cos(reach)))
    density = even if first is None else 0.5 * normal_density(home, scatter) + 0.5 * even
    return AimField(
        direction[known], antral[known], density[known], float(scatter), np.flatnonzero(known)
    )


def _reach(margin: MarginSettings) -> float:
    return float(np.radians(margin.greatest_aim_tilt_deg + SCATTERS * margin.direction_sd_deg))


def nominal_tries(directions: Directions) -> TryInputs:
    """Return a try without any perturbation in each direction that the sheath reaches, in order."""
    own = np.flatnonzero(directions.reached)
    none = np.zeros((len(own), len(PATIENT_UNKNOWNS)))
    still = np.zeros((len(own), len(ATTEMPT_UNKNOWNS)))
    return TryInputs(directions.direction[own], none, still)


def aim_map(
    simulator: Simulator,
    directions: Directions,
    readings: Readings | None,
    field: AimField | None,
) -> tuple[Aim, ...]:
    """Return what becomes of every direction of the grid, from those of the nominal tries."""
    own = np.flatnonzero(directions.reached)
    place = {int(number): k for k, number in enumerate(own)}
    return tuple(
        _aim(simulator, directions, number, readings, place.get(number), field)
        for number in range(len(directions.tilt_deg))
    )


def _aim(
    simulator: Simulator,
    directions: Directions,
    number: int,
    readings: Readings | None,
    row: int | None,
    field: AimField | None,
) -> Aim:
    patch, balloon = simulator.prepared.patch, simulator.balloon
    hour, direction = float(directions.hour[number]), directions.direction[number]
    straight = not np.isfinite(hour)
    blank = Aim(
        vein=patch.vein,
        balloon=balloon.name,
        approach=simulator.line.kind,
        shaft_clock_h=None if straight else hour,
        shaft_side="" if straight else side_words(_aside(direction, patch.axis)),
        shaft_tilt_deg=float(directions.tilt_deg[number]),
        outcome="cannot reach",
        occluded=None,
        sealed=None,
        antral=None,
        leak_width_mm=None,
        leak_side="",
        push_to_seal_n=None,
        seal_probability=None,
    )
    if readings is None or row is None:
        return blank
    outcome = int(readings.outcome[row])
    known, seated = outcome != NOT_ASSESSED, outcome == SEATED
    occluded, sealed = bool(readings.occluded[1, row]), bool(readings.sealed[1, row])
    chance = None if field is None else field.probability(direction)
    narrowest = int(readings.narrowest[row])
    leaks = seated and not occluded and narrowest >= 0
    side = patch.surface.points[narrowest] - patch.centre if leaks else None
    push = float(readings.push_to_seal_n[row])
    return replace(
        blank,
        outcome=OUTCOMES[outcome],
        occluded=occluded if known else None,
        sealed=sealed if known else None,
        antral=bool(readings.antral[1, row]) if known else None,
        leak_width_mm=max(float(readings.width_mm[row]), 0.0) if seated else None,
        leak_side="" if side is None else side_words(_aside(side, patch.axis)),
        push_to_seal_n=push if sealed and np.isfinite(push) else None,
        seal_probability=None if chance is None else chance[0],
    )


def _aside(vector: FloatArray, axis: FloatArray) -> FloatArray:
    return np.asarray(vector - (vector @ axis) * axis)


def sealing_aims(aims: Sequence[Aim]) -> tuple[Aim, ...]:
    """Return the directions whose try without any perturbation seals and does not lie deep."""
    return tuple(aim for aim in aims if aim.antral)
