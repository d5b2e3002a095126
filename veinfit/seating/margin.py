"""The margin: the probability of closure over how a balloon comes to lie."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.frames import BoolArray, FloatArray
from veinfit.notes import Note
from veinfit.seating.approach import line_through_ostium
from veinfit.seating.balloon import Balloon
from veinfit.seating.bench import prepare
from veinfit.seating.expansion import Term, expand
from veinfit.seating.model import Chance, Fit, Margin
from veinfit.seating.tries import Tries, simulate
from veinfit.seating.unknowns import Unknowns, draw
from veinfit.settings import MarginSettings, SeatingSettings

LEAST_ASSESSED = 0.9
"""With a smaller share of tries that could be assessed there is no margin."""

BOUND = 1.959963984540054
"""Standard deviations of a 95 % bound."""

DIRECTION, PLACE, LEAN, FORCE, GUIDE, SHAFT, SURFACE = (
    "direction",
    "shaft offset",
    "guide lean",
    "push and stiffness",
    "guide",
    "shaft",
    "surface offset",
)
"""Groups of unknowns whose shares are told. Push and stiffness act by their ratio alone."""

TRIES_FOR_ALL_TERMS = 40
"""With fewer tries assessed, terms of the second order that tell no parameter are left out."""

LEAST_PATIENTS = 4
"""With fewer draws of the patient nothing is told of the patient's unknowns."""

LEAST_VARIANCE_MM2 = 1e-4
"""Where leak widths vary by less than a hundredth of a millimetre there is nothing to share."""

TOGETHER = "together"
"""The share that no group has by itself."""


def with_margins(
    anatomy: Anatomy,
    vein: Vein,
    balloons: Sequence[Balloon],
    fits: Sequence[Fit],
    seating: SeatingSettings,
    law: MarginSettings,
) -> tuple[Fit, ...]:
    """Give the fits of one vein their margins.

    Fits that are not assessed keep none, nor do those whose course fails, which have no
    direction to scatter. Where the balloon itself cannot reach, tries that reach count.
    """
    if law.samples == 0 or not any(_has_margin(fit) for fit in fits):
        return tuple(fits)
    by_name = {balloon.name: balloon for balloon in balloons}
    reserve = BOUND * 2.0 * law.surface_offset_sd_mm
    largest = max(balloon.shape.reach_mm for balloon in balloons) + reserve
    bench = prepare(anatomy, vein, largest, replace(seating, patch_edge_mm=law.patch_edge_mm))
    result = []
    for fit in fits:
        if not _has_margin(fit) or fit.push_direction is None:
            result.append(fit)
            continue
        balloon = by_name[fit.balloon]
        line = line_through_ostium(fit.approach, vein, fit.push_direction)
        unknowns = draw(law, f"{vein.name} {balloon.equatorial_mm:.3f} {balloon.axial_mm:.3f}")
        tries = simulate(bench, balloon, line, seating, law, unknowns)
        result.append(_with_margin(fit, tries, unknowns, seating, law))
    return tuple(result)


def margin_of(
    tries: Tries, unknowns: Unknowns, seating: SeatingSettings, law: MarginSettings
) -> Margin | None:
    """Sum up the tries of one balloon; None where too few could be assessed."""
    known = tries.assessed
    if known.mean() < LEAST_ASSESSED:
        return None
    low, middle, high = (float(q) for q in np.quantile(tries.width_mm[known], (0.1, 0.5, 0.9)))
    return Margin(
        tries=known.size,
        assessed=int(known.sum()),
        through=int(tries.through.sum()),
        occluded=chance(tries.occluded, known, unknowns, seating, law),
        sealed=chance(tries.sealed, known, unknowns, seating, law),
        leak_width_mm=(low, middle, high),
        shares=_shares(tries, unknowns, seating, law),
    )


def chance(
    closed: BoolArray,
    assessed: BoolArray,
    unknowns: Unknowns,
    seating: SeatingSettings,
    law: MarginSettings,
) -> Chance:
    """Return the probability of closure with its two uncertainties.

    The bounds follow from how the probability answers to each calibrated quantity,
    as far as the sample itself tells: a change of a law weighs its tries anew.
    They are taken on the logistic scale, so that they stay between 0 and 1.

    Parameters
    ----------
    closed : (3, P, T) bool array
        At a lower tolerance, the tolerance and a higher one.
    assessed : (P, T) bool array
    """
    count = assessed.sum(axis=1)
    with np.errstate(invalid="ignore"):
        given = np.where(count > 0, (closed[1] & assessed).sum(axis=1) / count, np.nan)
    total = int(count.sum())
    probability = float(np.nanmean(given))
    # A share of tries of 0 or 1 is not certain either: half a try of each kind is added.
    mild = (probability * total + 0.5) / (total + 1.0)
    by_patient = (
        float(np.nanstd(given, ddof=1) / np.sqrt((count > 0).sum())) if len(given) > 1 else 0.0
    )
    error = max(by_patient, math.sqrt(mild * (1.0 - mild) / total))
    spread = _answer(closed, assessed, unknowns, seating, law) / (mild * (1.0 - mild))
    logit = math.log(mild / (1.0 - mild))
    low, high = (1.0 / (1.0 + math.exp(-(logit + sign * BOUND * spread))) for sign in (-1.0, 1.0))
    return Chance(
        probability=probability,
        low=min(low, probability),
        high=max(high, probability),
        sampling_error=error,
        given_patient=tuple(float(value) for value in given),
    )


def _answer(
    closed: BoolArray,
    assessed: BoolArray,
    unknowns: Unknowns,
    seating: SeatingSettings,
    law: MarginSettings,
) -> float:
    """Return the standard deviation of the probability over the uncertainty of the calibration."""
    lower, higher = (float(closed[which][assessed].mean()) for which in (0, 2))
    variance = (0.5 * (higher - lower)) ** 2
    fitted = expand(closed[1][assessed].astype(float), _terms(unknowns, assessed, seating, law))
    if fitted is None:
        return math.sqrt(variance)
    uncertainty = {
        "push": law.push_calibration,
        "guide": law.guide_calibration,
        "shaft": law.shaft_calibration,
        "direction": law.direction_calibration,
    }
    for term, explained in zip(fitted.terms, fitted.explained, strict=True):
        if term.quantity:
            scale = term.answer * uncertainty[term.quantity]
            variance += scale**2 * max(float(explained), 0.0)
    return math.sqrt(variance)


def _terms(
    unknowns: Unknowns, assessed: BoolArray, seating: SeatingSettings, law: MarginSettings
) -> list[Term]:
    """Return the terms of all unknowns that can have an effect, at the tries assessed."""
    scores = [unknowns.tries[:, :, i][assessed] for i in range(unknowns.tries.shape[2])]
    push, guide, shaft = scores[2:5]
    offset, stiffness = (
        np.broadcast_to(unknowns.patient[:, [i]], unknowns.shape)[assessed]
        for i in range(unknowns.patient.shape[1])
    )
    enough = len(push) >= TRIES_FOR_ALL_TERMS
    terms: list[Term] = []
    if law.direction_sd_deg > 0.0:
        one, two = scores[:2]
        terms += _planar(DIRECTION, one, two, "direction")
        if enough:
            terms += [Term(DIRECTION, one * two), Term(DIRECTION, 0.5 * (one**2 - two**2))]
    if law.shaft_offset_sd_mm > 0.0 and seating.shaft_n_per_mm > 0.0:
        terms += _planar(PLACE, scores[5], scores[6])
    if law.guide_lean_sd_deg > 0.0 and seating.guide_n_per_mm > 0.0:
        terms += _planar(LEAN, scores[7], scores[8])
    for group, score, quantity, spread, value in (
        (FORCE, push, "push", law.push_spread, seating.push_n),
        (GUIDE, guide, "guide", law.guide_spread, seating.guide_n_per_mm),
        (SHAFT, shaft, "shaft", law.shaft_spread, seating.shaft_n_per_mm),
    ):
        if spread > 0.0 and value > 0.0:
            terms.append(Term(group, score, quantity, 1.0 / spread))
    # What is the same for all tries tells nothing where there are too few patients.
    if len(unknowns.patient) >= LEAST_PATIENTS:
        if law.stiffness_spread > 0.0:
            terms.append(Term(FORCE, stiffness))
        if law.surface_offset_sd_mm > 0.0:
            terms.append(Term(SURFACE, offset))
            if enough:
                terms.append(Term(SURFACE, (offset**2 - 1.0) / math.sqrt(2.0)))
    return terms


def _planar(group: str, one: FloatArray, two: FloatArray, quantity: str = "") -> list[Term]:
    """Terms of two scores (N,) of one scatter: each, and a stretch of their law.

    A stretch of the law, d log σ, acts through |z|² − 2, whose variance is 4.
    """
    stretch = 0.5 * (one**2 + two**2 - 2.0)
    return [Term(group, one), Term(group, two), Term(group, stretch, quantity, 2.0)]


def _shares(
    tries: Tries, unknowns: Unknowns, seating: SeatingSettings, law: MarginSettings
) -> dict[str, float]:
    """Return the share of every group of unknowns; none where there are too few tries."""
    fitted = expand(
        tries.warm_width_mm[tries.assessed], _terms(unknowns, tries.assessed, seating, law)
    )
    if fitted is None or fitted.variance < LEAST_VARIANCE_MM2:
        return {}
    groups = dict.fromkeys(term.group for term in fitted.terms)
    shares = {group: fitted.share(group) for group in groups}
    total = sum(shares.values())
    # Each is estimated for itself; more than all there is none can explain.
    shares = {group: share / max(total, 1.0) for group, share in shares.items()}
    return {**shares, TOGETHER: max(1.0 - total, 0.0)}


def _has_margin(fit: Fit) -> bool:
    return fit.outcome != "not assessed" and fit.push_direction is not None


def _with_margin(
    fit: Fit, tries: Tries, unknowns: Unknowns, seating: SeatingSettings, law: MarginSettings
) -> Fit:
    margin = margin_of(tries, unknowns, seating, law)
    if margin is None:
        text = (
            f"{fit.balloon}: no margin: {int((~tries.assessed).sum())} of {tries.assessed.size} "
            "tries could not be assessed, as the wall ends too near"
        )
        return replace(fit, notes=(*fit.notes, Note("margin", text, fit.vein, "caution")))
    sealed = margin.sealed
    return replace(
        fit,
        margin=margin,
        seal_probability=sealed.probability,
        seal_probability_low=sealed.low,
        seal_probability_high=sealed.high,
    )
