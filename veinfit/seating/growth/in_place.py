"""Growth in place: the balloon grows from one size to the next where it lies.

From the seat of the smaller size the diameter rises in small steps, shaft, guide and push
unchanged; each equilibrium is continued from the last. The tries of the margin grow the
same way, which tells how often a seal is kept, lost or gained.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.frames import side_words
from veinfit.seating.approach.line import approach_line
from veinfit.seating.balloon import Balloon
from veinfit.seating.further import Growth, GrowthStep
from veinfit.seating.growth.loop import loop_reading
from veinfit.seating.kinds import Outcome
from veinfit.seating.mechanics.minimise import AT_REST, WENT_THROUGH, minimise
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import FreezingZone, Structure, distances_mm
from veinfit.seating.prepare import balloon_batch, prepare
from veinfit.seating.seal.antral import antral_area_mm2
from veinfit.seating.seal.gap import gap_field
from veinfit.seating.seal.reach import why_not_reached
from veinfit.seating.seal.seal import find_seal, verdict, why_not_assessed
from veinfit.seating.uncertainty.attempts import Simulator
from veinfit.seating.uncertainty.attempts import simulator as simulator_of
from veinfit.seating.uncertainty.chains import Chains
from veinfit.seating.uncertainty.readings import SEATED
from veinfit.seating.uncertainty.unknowns import perturbed
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.vectors import FloatArray

STEP_MM = 0.5
"""Greatest step of the diameter."""

STEP_RESIDUAL_SHARE = 1e-3
"""Each step balances to this share of the push: on a wall of 1 N/mm to within 0.001 mm."""


def growth_of(
    fit: Fit,
    larger: Balloon,
    simulator: Simulator,
    chains: Chains | None,
    structures: Mapping[str, Structure],
    loop_mm: float,
) -> Growth | None:
    """Let a balloon grow to another size where it lies; None where it has no seat.

    Parameters
    ----------
    fit : Fit
        The seat of the smaller size.
    larger : Balloon
        To which it grows.
    simulator : Simulator
        Of the smaller size, with its wall prepared for the larger one.
    chains : Chains or None
        Its tries; without them no probability is told.
    structures : mapping of str to Surface or (N, 3) array
    loop_mm : float
        Diameter of the mapping loop.

    Returns
    -------
    Growth or None
    """
    if fit.outcome != "seated" or fit.centre is None or fit.push_n is None:
        return None
    small = simulator.balloon
    count = max(math.ceil((larger.equatorial_mm - small.equatorial_mm) / STEP_MM - 1e-9), 1)
    diameters = np.linspace(small.equatorial_mm, larger.equatorial_mm, count + 1)
    nominal, centres = _nominal(fit, diameters, simulator, structures, loop_mm)
    sealed, antral = (None, None) if chains is None else _tries(diameters, simulator, chains)
    steps = []
    for number, step in enumerate(nominal):
        told = replace(step, to_balloon=larger.name)
        if antral is not None:
            here, before = antral[number], antral[0]
            told = replace(
                told,
                seal_probability=_mean(_rows(here)),
                gain_probability=_mean(_rows(here * (1.0 - before))),
            )
        steps.append(told)
    return Growth(
        steps=tuple(steps),
        given_patient=() if antral is None else tuple(_rows(np.maximum(antral[0], antral[-1]))),
        kept_probability=None if sealed is None else _share(sealed[0], sealed[-1]),
        gained_probability=None if antral is None else _share(1.0 - antral[0], antral[-1]),
        centres=tuple(centres),
    )


def _nominal(
    fit: Fit,
    diameters: FloatArray,
    simulator: Simulator,
    structures: Mapping[str, Structure],
    loop_mm: float,
) -> tuple[list[GrowthStep], list[tuple[float, float, float] | None]]:
    # The first is the seat that is told already.
    found = [_seat(fit)]
    centres = [_point(fit.centre)]
    for balloon, place in islice(_places(fit, diameters, simulator), 1, None):
        step = replace(
            _blank(fit),
            diameter_mm=balloon.equatorial_mm,
            outcome=place if isinstance(place, str) else "seated",
        )
        if not isinstance(place, str):
            step = _read(step, simulator, balloon, place, structures, loop_mm)
        found.append(step)
        centres.append(None if isinstance(place, str) else _point(place))
    return found, centres


def _point(place: FloatArray | None) -> tuple[float, float, float] | None:
    if place is None:
        return None
    x, y, z = place[:3].tolist()
    return x, y, z


def _blank(fit: Fit) -> GrowthStep:
    return GrowthStep(fit.vein, fit.approach, fit.balloon, "", fit.balloon_mm, "seated")


def _seat(fit: Fit) -> GrowthStep:
    """Return the seat of the smaller size as the first step."""
    return replace(
        _blank(fit),
        depth_mm=fit.depth_mm,
        occluded=fit.occluded,
        sealed=fit.sealed,
        leak_width_mm=fit.leak_width_mm,
        leak_side=fit.leak_side,
        antral_area_mm2=fit.antral_area_mm2,
        loop_depth_mm=fit.loop_depth_mm,
        loop_fit=fit.loop_fit,
        distances_mm=fit.distances_mm,
    )


def _places(
    fit: Fit, diameters: FloatArray, simulator: Simulator
) -> Iterator[tuple[Balloon, FloatArray | Outcome]]:
    """Yield the balloon at each diameter and where it rests; what became of it once it does not.

    At the first it rests already.
    """
    settings, prepared, line = simulator.seating, simulator.prepared, simulator.line
    batch = balloon_batch(prepared, simulator.contact, [line], settings, exact=True)
    batch = replace(batch, push_n=np.array([fit.push_n]))
    place = np.r_[fit.centre, np.array(fit.shape_amplitudes)][None]
    before = place
    # The wall near it is looked up once, for the largest.
    most = float(diameters[-1] - simulator.balloon.equatorial_mm)
    near = batch.resized(simulator.balloon.resized(most).shape.reach_mm).nearby()
    lost: Outcome | None = None
    for diameter in diameters:
        balloon = simulator.balloon.resized(float(diameter - simulator.balloon.equatorial_mm))
        if lost is None and diameter > diameters[0]:
            grown = replace(batch, shape=balloon.shape).resized(balloon.shape.reach_mm)
            # From where it would be if it went on as in the last step.
            ahead = place + (place - before)
            rest = minimise(
                grown, ahead, simulator.through, residual_share=STEP_RESIDUAL_SHARE, near=near
            )
            if rest.state[0] == AT_REST:
                before, place = place, rest.place
            else:
                lost = "passes through" if rest.state[0] == WENT_THROUGH else "not assessed"
        yield balloon, lost or place[0]


def grown_fits(
    anatomy: Anatomy, fit: Fit, balloon: Balloon, settings: SeatingSettings
) -> list[Fit]:
    """Return a seat at each diameter of its growth in place, to be drawn.

    Where the wall lies is not kept with results; the seats are found again from the first.

    Parameters
    ----------
    anatomy : Anatomy
    fit : Fit
        The seat of the smaller size, with its growth.
    balloon : Balloon
        Its balloon.
    settings : SeatingSettings
        Those of the case.

    Returns
    -------
    fits : list of Fit
        As far as the balloon rests; empty where there is no growth.
    """
    if fit.growth is None or fit.centre is None or fit.push_n is None:
        return []
    vein = next(one for one in anatomy.veins if one.name == fit.vein)
    steps = fit.growth.steps
    diameters = np.array([step.diameter_mm for step in steps])
    largest = balloon.resized(float(diameters[-1] - balloon.equatorial_mm)).shape.reach_mm
    line = approach_line(fit.approach, anatomy, vein, settings)
    prepared = prepare(anatomy, vein, largest, settings)
    ready = simulator_of(prepared, balloon, line, settings, MarginSettings(samples=0))
    found = []
    for step, (grown, place) in zip(steps, _places(fit, diameters, ready), strict=True):
        if isinstance(place, str):
            break
        patch, centre = prepared.shaped(place[3:]), place[:3]
        tolerance, direction = settings.contact_tolerance_mm, line.direction
        field = gap_field(patch, ready.contact.touchable, grown, centre, direction, tolerance)
        nose = centre + grown.shape.nose_mm * direction
        found.append(
            Fit(
                vein=fit.vein,
                balloon=f"{step.from_balloon} grown in place",
                balloon_mm=step.diameter_mm,
                approach=fit.approach,
                outcome=step.outcome,
                centre=centre,
                push_direction=fit.push_direction,
                misalignment_deg=fit.misalignment_deg,
                depth_mm=step.depth_mm,
                nose_depth_mm=float((nose - patch.centre) @ patch.normal),
                occluded=step.occluded,
                sealed=step.sealed,
                leak_width_mm=step.leak_width_mm,
                leak_side=step.leak_side,
                antral_area_mm2=step.antral_area_mm2,
                seal_probability=step.seal_probability,
                shape_amplitudes=tuple(float(a) for a in place[3:]),
                patch=patch.surface,
                patch_gap_mm=np.where(np.isfinite(field.gap_mm), field.gap_mm, np.nan),
                balloon_section=None if grown.profile == "sphere" else grown.half_section(),
            )
        )
    return found


def _read(
    step: GrowthStep,
    simulator: Simulator,
    balloon: Balloon,
    place: FloatArray,
    structures: Mapping[str, Structure],
    loop_mm: float,
) -> GrowthStep:
    settings, line = simulator.seating, simulator.line
    patch, centre = simulator.prepared.shaped(place[3:]), place[:3]
    tolerance = settings.contact_tolerance_mm
    field = gap_field(
        patch, simulator.contact.touchable, balloon, centre, line.direction, tolerance
    )
    nose = centre + balloon.shape.nose_mm * line.direction
    loop = loop_reading(simulator.prepared.vein, nose, loop_mm)
    step = replace(
        step,
        depth_mm=float((centre - patch.centre) @ patch.normal),
        loop_depth_mm=loop.depth_mm,
        loop_fit=loop.fit,
        distances_mm=distances_mm(FreezingZone.of(balloon, centre, line.direction), structures),
    )
    if why_not_reached(patch, nose, settings):
        return replace(step, outcome="cannot reach", occluded=False, sealed=False)
    seal = find_seal(patch, field, tolerance)
    if why_not_assessed(seal, verdict(patch, field)):
        return replace(step, outcome="not assessed")
    side = ""
    if not seal.occluded and seal.narrowest < len(patch.surface.points):
        offset = patch.surface.points[seal.narrowest] - patch.centre
        side = side_words(offset - (offset @ patch.axis) * patch.axis)
    return replace(
        step,
        occluded=seal.occluded,
        sealed=seal.sealed,
        leak_width_mm=seal.leak_width_mm,
        leak_side=side,
        antral_area_mm2=antral_area_mm2(
            patch, simulator.contact.pressing, field, seal.open_to_atrium
        ),
    )


def _tries(
    diameters: FloatArray, simulator: Simulator, chains: Chains
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Let the first tries of all chains grow.

    Returns
    -------
    sealed, antral : list of (P, T) array
        At each diameter: 1 or 0, NaN where a try could not be assessed. A try without a
        seat seals at none.
    """
    first, unknowns = chains.first, chains.unknowns
    patient = np.repeat(unknowns.patient, unknowns.shape[1], axis=0)
    scores = unknowns.first.reshape(len(patient), -1)
    batch = perturbed(
        simulator.one,
        chains.aim[0],
        simulator.line.origin,
        patient,
        scores,
        simulator.prepared.patch.axis,
        simulator.margin,
    )
    own = np.flatnonzero(first.outcome == SEATED)
    blank = np.where(first.assessed, 0.0, np.nan)
    sealed: list[FloatArray] = []
    antral: list[FloatArray] = []
    for told, name in ((sealed, "sealed"), (antral, "antral")):
        told.append(np.where(first.assessed, getattr(first, name)[1].astype(float), np.nan))
    place = first.place[own]
    before = place.copy()
    pushed = replace(batch.only(own), push_n=first.push_n[own])
    alive = np.ones(len(own), dtype=bool)
    # Looked up once, for the largest.
    most = 0.5 * float(diameters[-1] - diameters[0])
    near = replace(pushed, reach_mm=pushed.reach_mm + most).nearby()
    for diameter in diameters[1:]:
        longer = 0.5 * float(diameter - diameters[0])
        which = np.flatnonzero(alive)
        grown = replace(pushed.only(which), reach_mm=pushed.reach_mm[which] + longer)
        # From where they would be if they went on as in the last step.
        ahead = 2.0 * place[which] - before[which]
        rest = minimise(
            grown,
            ahead,
            simulator.through,
            residual_share=STEP_RESIDUAL_SHARE,
            near=near.only(which),
        )
        before[which], place[which] = place[which], rest.place
        alive[which[~rest.at_rest]] = False
        held = np.flatnonzero(rest.at_rest)
        here_sealed, here_antral = blank.copy(), blank.copy()
        if len(held):
            closed, deep = simulator.closes_antrally(grown, held, rest.place[held])
            here_sealed[own[which[held]]] = closed
            here_antral[own[which[held]]] = closed & ~deep
        sealed.append(here_sealed)
        antral.append(here_antral)
    shape = unknowns.shape
    return [one.reshape(shape) for one in sealed], [one.reshape(shape) for one in antral]


def _rows(values: FloatArray) -> list[float]:
    """Mean of each row (P, T) over what is known; NaN where nothing is."""
    known = np.isfinite(values)
    count = known.sum(axis=1)
    total = np.where(known, values, 0.0).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return [float(value) for value in total / count]


def _mean(values: Sequence[float]) -> float | None:
    """Mean over the patients of whom anything is known."""
    known = [value for value in values if math.isfinite(value)]
    return float(np.mean(known)) if known else None


def _share(given: FloatArray, then: FloatArray) -> float | None:
    """Of those for which the first holds, the share for which the second does."""
    known = np.isfinite(given) & np.isfinite(then)
    total = float(given[known].sum())
    return float((given[known] * then[known]).sum()) / total if total > 0.0 else None
