"""The tries of one balloon in one vein: those of the margin, and those of the aim map."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from veinfit.frames import clock_hours
from veinfit.seating.approach.reachable import Directions
from veinfit.seating.model import AttemptRow, Fit
from veinfit.seating.uncertainty.aim_field import AimField
from veinfit.seating.uncertainty.aims import aim_field, aim_map, nominal_tries, spread_tries
from veinfit.seating.uncertainty.attempts import Simulator, tries_together
from veinfit.seating.uncertainty.chains import Chains, first_tries, simulate_each
from veinfit.seating.uncertainty.margin import with_chances
from veinfit.seating.uncertainty.readings import OUTCOMES, SEATED, Readings
from veinfit.seating.uncertainty.unknowns import TryInputs, Unknowns, draw


@dataclass(frozen=True, slots=True, eq=False)
class TriesMade:
    """All tries of one balloon in one vein.

    Attributes
    ----------
    chains : Chains
    spread : Readings or None
        Over all directions; None without an aim map or without scatter.
    nominal : Readings or None
        Without perturbation, in each direction that the sheath reaches.
    field : AimField or None
        What the first tries of the chains and the spread ones tell of any aim.
    """

    chains: Chains
    spread: Readings | None = None
    nominal: Readings | None = None
    field: AimField | None = None


@dataclass(frozen=True, slots=True, eq=False)
class FirstTries:
    """The tries of one balloon that wait for no other one.

    Attributes
    ----------
    unknowns : Unknowns
        Of the chains.
    still : Readings
        One try without any perturbation; its leak width is not read.
    first : Readings
        Of all chains.
    nominal, spread : Readings or None
        As of :class:`TriesMade`.
    """

    unknowns: Unknowns
    still: Readings
    first: Readings
    nominal: Readings | None
    spread: Readings | None


def with_margins(
    asked: Sequence[tuple[Fit, Simulator, Directions, FirstTries]],
) -> list[tuple[Fit, TriesMade | None]]:
    """Give fits in one vein their margins and their aim maps; tell the tries behind them too.

    Fits that are not assessed keep none, nor do those whose course fails, which have no
    direction to scatter. Where the balloon itself cannot reach, tries that reach count.

    Parameters
    ----------
    asked : sequence of (Fit, Simulator, Directions, FirstTries)
        The directions are those in which the sheath can point.

    Returns
    -------
    list of (Fit, TriesMade or None)
    """
    result: list[tuple[Fit, TriesMade | None]] = [(fit, None) for fit, *_ in asked]
    own = [
        number
        for number, (fit, *_) in enumerate(asked)
        if fit.outcome != "not assessed" and fit.push_direction is not None
    ]
    chains = simulate_each(
        [
            (simulator, begun.unknowns, directions.limit, begun.first)
            for _, simulator, directions, begun in (asked[number] for number in own)
        ]
    )
    for number, made in zip(own, chains, strict=True):
        result[number] = _told(*asked[number], made)
    return result


def _told(
    fit: Fit,
    simulator: Simulator,
    directions: Directions,
    begun: FirstTries,
    chains: Chains,
) -> tuple[Fit, TriesMade]:
    margin, nominal, spread = simulator.margin, begun.nominal, begun.spread
    fit = with_chances(fit, chains, simulator)
    made = TriesMade(chains)
    if margin.aim_tilt_step_deg > 0.0:
        told = None if spread is None else aim_field(simulator, begun.first, spread, directions)
        made = TriesMade(chains, spread, nominal, told)
        aims = aim_map(simulator, directions, nominal, told)
        fit = replace(fit, aims=aims, aim_field=told)
    if margin.keep_attempts:
        fit = replace(fit, attempts=attempt_table(fit, chains, simulator))
    return fit, made


def first_tries_of(asked: Sequence[tuple[Simulator, Directions]]) -> list[FirstTries]:
    """Make the still tries, the first ones of all chains, the nominal and the spread ones at once.

    Parameters
    ----------
    asked : sequence of (Simulator, Directions)
        Balloons in one vein, and in which directions the sheath can point.

    Returns
    -------
    list of FirstTries
    """
    laid: list[tuple[Simulator, TryInputs, int | None]] = []
    begun = []
    for simulator, directions in asked:
        margin, unknowns = simulator.margin, draw(simulator.margin, simulator.label)
        first, maps = first_tries(simulator, unknowns), margin.aim_tilt_step_deg > 0.0
        nominal = nominal_tries(directions) if maps else None
        spread = spread_tries(simulator, directions, margin) if maps else None
        parts = [first, nominal, spread, TryInputs.still(simulator.line.direction[None])]
        counts = [0 if part is None else part.count for part in parts]
        whole = TryInputs.joined([part for part in parts if part is not None])
        laid.append((simulator, whole, counts[0] + counts[1]))
        begun.append((unknowns, np.cumsum([0, *counts])))
    result = []
    for told, (unknowns, ends) in zip(tries_together(laid), begun, strict=True):
        of_chains, in_turn, over_all, still = (
            told.rows(slice(low, high)) if high > low else None for low, high in pairwise(ends)
        )
        assert of_chains is not None and still is not None
        result.append(FirstTries(unknowns, still, of_chains, in_turn, over_all))
    return result


def field_without_course(simulator: Simulator) -> AimField | None:
    """Tell of any aim where the sheath has no course to the vein from its own place.

    It may have one from another place of the septum. None without an aim map or scatter.

    Parameters
    ----------
    simulator : Simulator
        On a line along the vein's axis.
    """
    margin, axis = simulator.margin, simulator.prepared.patch.axis
    if margin.samples == 0 or margin.aim_tilt_step_deg <= 0.0:
        return None
    none = np.zeros(1, dtype=bool)
    directions = Directions(axis, np.array([np.nan]), np.zeros(1), axis[None], none, axis)
    spread = spread_tries(simulator, directions, margin)
    if spread is None:
        return None
    told = simulator.tries(spread.aim, spread.patient, spread.scores, widths=0)
    return aim_field(simulator, None, told, directions)


def attempt_table(fit: Fit, chains: Chains, simulator: Simulator) -> tuple[AttemptRow, ...]:
    """Return every try as a row: patients, chains and tries are counted from 1."""
    axis, each = simulator.prepared.patch.axis, chains.unknowns.shape[1]
    rows = []
    for number, (told, chain) in enumerate(zip(chains.attempts, chains.chain, strict=True)):
        tilt = np.degrees(np.arccos(np.clip(told.direction @ axis, -1.0, 1.0)))
        hour = clock_hours(told.direction, axis)
        for k, one in enumerate(chain):
            known, seated = bool(told.assessed[k]), told.outcome[k] == SEATED
            rows.append(
                AttemptRow(
                    fit.vein,
                    fit.balloon,
                    fit.approach,
                    int(one) // each + 1,
                    int(one) % each + 1,
                    number + 1,
                    OUTCOMES[int(told.outcome[k])],
                    float(hour[k]) if tilt[k] > 1e-6 else None,
                    float(tilt[k]),
                    _finite(told.push_n[k]),
                    _finite(told.push_to_occlude_n[k]),
                    _finite(told.push_to_seal_n[k]),
                    bool(told.occluded[1, k]) if known else None,
                    bool(told.sealed[1, k]) if known else None,
                    bool(told.deep[k]) if seated else None,
                    bool(told.antral[1, k]) if known else None,
                    max(float(told.width_mm[k]), 0.0) if seated else None,
                )
            )
    return tuple(sorted(rows, key=lambda row: (row.patient, row.chain, row.attempt)))


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
