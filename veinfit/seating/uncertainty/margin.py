"""The margin: the probability of closure over how a balloon comes to lie."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
from scipy.special import betaincinv

from veinfit.frames import side_words
from veinfit.notes import Note
from veinfit.seating.mechanics.minimise import minimise
from veinfit.seating.model import Chance, Fit, Margin
from veinfit.seating.uncertainty.attempts import Simulator
from veinfit.seating.uncertainty.chains import Chains
from veinfit.seating.uncertainty.expansion import Term, expand
from veinfit.seating.uncertainty.readings import PASSES_THROUGH, SEATED, Readings
from veinfit.seating.uncertainty.unknowns import Unknowns, perturbed
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.vectors import BoolArray, FloatArray, unit

LEAST_ASSESSED = 0.75
"""With a smaller share of tries that could be assessed there is no margin."""

TAIL = 0.025
"""Share of a distribution beyond each of its 95 % bounds."""

GREATEST_SPREAD = 0.9
"""A variance nearer to the greatest one would put all weight on never and always."""

DIRECTION, PLACE, LEAN, FORCE, SHAPE, GUIDE, SHAFT, SURFACE = (
    "direction",
    "shaft offset",
    "guide lean",
    "push and stiffness",
    "shape of the wall",
    "guide",
    "shaft",
    "surface offset",
)
"""Groups of unknowns whose shares of the variance are told; push and stiffness act by their
ratio."""

TRIES_FOR_ALL_TERMS = 40
"""With fewer tries assessed, terms of the second order that tell no parameter are left out."""

LEAST_PATIENTS = 4
"""With fewer draws of the patient nothing is told of the patient's unknowns."""

LEAST_VARIANCE_MM2 = 1e-4
"""Where leak widths vary by less than a hundredth of a millimetre there is nothing to share."""

LEAST_LEAKING = 8
"""With fewer tries that leak nothing is told of where they do."""

MOST_SIDES = 2
"""Tries that leak on more sides than these leak on no side above all."""

TOGETHER = "together"
"""The share that no group has by itself."""


def margin_of(chains: Chains, simulator: Simulator) -> Margin | None:
    """Sum up the chains of one balloon; None where too few could be assessed."""
    unknowns, seating, margin = chains.unknowns, simulator.seating, simulator.margin
    first = chains.first
    shape = unknowns.shape
    known = first.assessed.reshape(shape)
    if known.mean() < LEAST_ASSESSED:
        return None

    def one_try(name: str) -> Chance:
        closed = getattr(first, name).reshape(3, *shape)
        return chance(closed, known, unknowns, seating, margin)

    occluded, sealed, antral = (one_try(name) for name in ("occluded", "sealed", "antral"))
    whole = chains.assessed
    widths = first.width_mm[first.assessed]
    low, middle, high = (float(q) for q in np.quantile(widths, (0.1, 0.5, 0.9)))
    pushes = first.push_to_seal_n[first.sealed[1] & np.isfinite(first.push_to_seal_n)]
    deep = (first.sealed[1] & first.deep).reshape(shape)
    return Margin(
        chains=known.size,
        assessed=int(known.sum()),
        through=int((first.outcome == PASSES_THROUGH).sum()),
        occluded=occluded,
        sealed=sealed,
        antral=antral,
        steered_occluded=steered(chains.last("occluded"), whole, occluded),
        steered_antral=steered(chains.last("antral"), whole, antral),
        # Weighed as the others are: sealed is antral, or deep.
        deep_seal_probability=float(np.nanmean(_given_patient(deep, known))),
        freeze_loss_probability=_freeze_loss(chains, simulator),
        attempts_per_chain=float(chains.made[whole].mean()) if whole.any() else math.nan,
        push_percentiles=tuple(float(q) for q in np.quantile(pushes, (0.1, 0.5, 0.9)))
        if len(pushes)
        else (),
        leak_width_percentiles=(low, middle, high),
        variance_shares=_variance_shares(chains, simulator),
    )


def steered(closed: BoolArray, assessed: BoolArray, one: Chance) -> Chance:
    """Return the probability after repositioning, with the uncertainty of one try.

    Counted from chains, not computed as if tries were independent. The share of its greatest
    variance that the calibration leaves is that of one try.

    Parameters
    ----------
    closed, assessed : (P, T) bool array
        Of the last try of each chain; of all its tries.
    one : Chance
        Of the first try.
    """
    count, given = assessed.sum(axis=1), _given_patient(closed, assessed)
    total = int(count.sum())
    probability = float(np.nanmean(given)) if total else math.nan
    mild = (probability * total + 0.5) / (total + 1.0) if total else 0.5
    error = math.sqrt(mild * (1.0 - mild) / max(total, 1))
    if len(given) > 1:
        error = max(error, float(np.nanstd(given, ddof=1) / np.sqrt(max((count > 0).sum(), 1))))
    low, high = bounds(mild, one.spread)
    return Chance(
        probability=probability,
        low=min(low, probability),
        high=max(high, probability),
        sampling_error=error,
        given_patient=tuple(float(value) for value in given),
        spread=one.spread,
    )


def bounds(probability: float, spread: float) -> tuple[float, float]:
    """Return the 95 % bounds of a probability: a beta distribution's of its mean and variance.

    Parameters
    ----------
    probability : float
        Above 0 and below 1.
    spread : float
        Its variance as a share of p (1 - p).

    References
    ----------
    .. [1] Johnson NL, Kotz S, Balakrishnan N, Continuous univariate distributions, vol. 2, Wiley
       1995, chapter 25 (moments of the beta distribution; from memory).
    """
    if spread <= 0.0:
        return probability, probability
    strength = 1.0 / min(spread, GREATEST_SPREAD) - 1.0
    shape = probability * strength, (1.0 - probability) * strength
    return float(betaincinv(*shape, TAIL)), float(betaincinv(*shape, 1.0 - TAIL))


def _freeze_loss(chains: Chains, simulator: Simulator) -> float | None:
    """Share of first tries that seal antrally and no longer seal once the balloon has grown."""
    balloon, seating = simulator.balloon, simulator.seating
    growth = balloon.growth_mm if balloon.growth_mm > 0.0 else seating.growth_what_if_mm
    first = chains.first
    if growth <= 0.0:
        return None
    own = np.flatnonzero(first.antral[1])
    if not len(own):
        return 0.0
    unknowns = chains.unknowns
    patient = np.repeat(unknowns.patient, unknowns.shape[1], axis=0)[own]
    scores = unknowns.first.reshape(-1, unknowns.first.shape[-1])[own]
    axis = simulator.prepared.patch.axis
    batch = perturbed(
        simulator.one,
        chains.aim[0][own],
        simulator.line.origin,
        patient,
        scores,
        axis,
        simulator.margin,
    )
    longer = simulator.balloon.resized(growth).shape.reach_mm - simulator.balloon.shape.reach_mm
    grown = replace(batch, reach_mm=batch.reach_mm + longer, push_n=first.push_n[own])
    rest = minimise(grown, first.place[own], simulator.through, residual_share=1e-4)
    held = rest.at_rest.copy()
    if held.any():
        held[held] = simulator.closes(grown, np.flatnonzero(held), rest.place[held])[1]
    lost = np.zeros(len(first.assessed), dtype=bool)
    lost[own] = ~held
    known = first.assessed.reshape(unknowns.shape)
    return float(np.nanmean(_given_patient(lost.reshape(unknowns.shape), known)))


def _given_patient(which: BoolArray, assessed: BoolArray) -> FloatArray:
    """Share of the assessed tries (P, T) for each draw of the patient's unknowns (P,).

    NaN where none could be assessed. What is the patient's counts alike, however many tries are
    known of it.
    """
    count = assessed.sum(axis=1)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, (which & assessed).sum(axis=1) / count, np.nan)


def chance(
    closed: BoolArray,
    assessed: BoolArray,
    unknowns: Unknowns,
    seating: SeatingSettings,
    margin: MarginSettings,
) -> Chance:
    """Return the probability of closure with its two uncertainties.

    The bounds follow from the sensitivity of the probability to each calibrated quantity,
    as far as the sample itself tells: a change of a distribution weighs its tries anew.
    They are those of a beta distribution of that variance, so that they stay between 0 and 1, and
    hold what tries that could not be assessed may have come to.

    Parameters
    ----------
    closed : (3, P, T) bool array
        At a lower tolerance, the tolerance and a higher one.
    assessed : (P, T) bool array
    """
    count, given = assessed.sum(axis=1), _given_patient(closed[1], assessed)
    total = int(count.sum())
    probability = float(np.nanmean(given))
    # A share of tries of 0 or 1 is not certain either: half a try of each kind is added.
    mild = (probability * total + 0.5) / (total + 1.0)
    by_patient = (
        float(np.nanstd(given, ddof=1) / np.sqrt((count > 0).sum())) if len(given) > 1 else 0.0
    )
    error = max(by_patient, math.sqrt(mild * (1.0 - mild) / total))
    sensitivities = _sensitivities(closed, assessed, unknowns, seating, margin)
    spread = math.fsum(one**2 for one in sensitivities.values()) / (mild * (1.0 - mild))
    low, high = bounds(mild, spread)
    # Tries that missing wall leaves open may all have failed, or all have closed.
    unknown = 1.0 - total / assessed.size
    return Chance(
        probability=probability,
        low=min(low, probability) * (1.0 - unknown),
        high=max(high, probability) * (1.0 - unknown) + unknown,
        sampling_error=error,
        given_patient=tuple(float(value) for value in given),
        spread=spread,
        sensitivities=sensitivities,
    )


def _sensitivities(
    closed: BoolArray,
    assessed: BoolArray,
    unknowns: Unknowns,
    seating: SeatingSettings,
    margin: MarginSettings,
) -> dict[str, float]:
    """Return how the probability changes with one SD of each calibrated quantity."""
    lower, higher = (float(closed[which][assessed].mean()) for which in (0, 2))
    sensitivities = {"tolerance": 0.5 * (higher - lower)}
    fitted = expand(closed[1][assessed].astype(float), _terms(unknowns, assessed, seating, margin))
    if fitted is None:
        return sensitivities
    uncertainty = {
        "push": margin.push_calibration,
        "guide": margin.guide_calibration,
        "shaft": margin.shaft_calibration,
        "direction": margin.direction_calibration,
        "shape": margin.shape_calibration,
    }
    coefficients = np.sign(fitted.coefficients) * np.sqrt(np.maximum(fitted.explained, 0.0))
    for term, coefficient in zip(fitted.terms, coefficients, strict=True):
        if term.quantity:
            sensitivities[term.quantity] = (
                term.sensitivity * uncertainty[term.quantity] * float(coefficient)
            )
    return sensitivities


def _terms(
    unknowns: Unknowns, assessed: BoolArray, seating: SeatingSettings, margin: MarginSettings
) -> list[Term]:
    """Return the terms of all unknowns that can have an effect, at the tries assessed."""
    scores = [unknowns.first[:, :, i][assessed] for i in range(unknowns.first.shape[2])]
    push, guide, shaft = scores[2:5]
    offset, stiffness, shape = (
        np.broadcast_to(unknowns.patient[:, [i]], unknowns.shape)[assessed]
        for i in range(unknowns.patient.shape[1])
    )
    enough = len(push) >= TRIES_FOR_ALL_TERMS
    terms: list[Term] = []
    if margin.direction_sd_deg > 0.0:
        one, two = scores[:2]
        terms += _planar(DIRECTION, one, two, "direction")
        if enough:
            terms += [Term(DIRECTION, one * two), Term(DIRECTION, 0.5 * (one**2 - two**2))]
    if margin.shaft_offset_sd_mm > 0.0 and seating.shaft_n_per_mm > 0.0:
        terms += _planar(PLACE, scores[5], scores[6])
    if margin.guide_lean_sd_deg > 0.0 and seating.guide_n_per_mm > 0.0:
        terms += _planar(LEAN, scores[7], scores[8])
    for group, score, quantity, spread, value in (
        (FORCE, push, "push", margin.push_spread, seating.greatest_push_n),
        (GUIDE, guide, "guide", margin.guide_spread, seating.guide_n_per_mm),
        (SHAFT, shaft, "shaft", margin.shaft_spread, seating.shaft_n_per_mm),
    ):
        if spread > 0.0 and value > 0.0:
            terms.append(Term(group, score, quantity, 1.0 / spread))
    # What is the same for all tries tells nothing where there are too few patients.
    if len(unknowns.patient) >= LEAST_PATIENTS:
        if margin.stiffness_spread > 0.0:
            terms.append(Term(FORCE, stiffness))
        if margin.shape_stiffness_spread > 0.0:
            terms.append(Term(SHAPE, shape, "shape", 1.0 / margin.shape_stiffness_spread))
        if margin.surface_offset_sd_mm > 0.0:
            terms.append(Term(SURFACE, offset))
            if enough:
                terms.append(Term(SURFACE, (offset**2 - 1.0) / math.sqrt(2.0)))
    return terms


def _planar(group: str, one: FloatArray, two: FloatArray, quantity: str = "") -> list[Term]:
    """Terms of two scores (N,) of one scatter: each, and a stretch of their distribution.

    A stretch of the distribution, d log σ, acts through |z|² − 2, whose variance is 4.
    """
    stretch = 0.5 * (one**2 + two**2 - 2.0)
    return [Term(group, one), Term(group, two), Term(group, stretch, quantity, 2.0)]


def _variance_shares(chains: Chains, simulator: Simulator) -> dict[str, float]:
    """Return the share of every group of unknowns; none where there are too few tries."""
    first, unknowns = chains.first, chains.unknowns
    known = first.assessed.reshape(unknowns.shape)
    fitted = expand(
        first.cold_width_mm.reshape(unknowns.shape)[known],
        _terms(unknowns, known, simulator.seating, simulator.margin),
    )
    if fitted is None or fitted.variance < LEAST_VARIANCE_MM2:
        return {}
    groups = dict.fromkeys(term.group for term in fitted.terms)
    shares = {group: fitted.share(group) for group in groups}
    total = sum(shares.values())
    # Each is estimated for itself; more than all there is none can explain.
    shares = {group: share / max(total, 1.0) for group, share in shares.items()}
    return {**shares, TOGETHER: max(1.0 - total, 0.0)}


def leak_side(tries: Readings, simulator: Simulator) -> str:
    """Return the one or two sides, in words, on which at least half of the leaking tries leak.

    Empty where few tries leak, or where they leak on more sides.

    Parameters
    ----------
    tries : Readings
    simulator : Simulator
        Of the balloon that made them.
    """
    patch = simulator.prepared.patch
    leaking = (tries.outcome == SEATED) & ~tries.occluded[1] & (tries.narrowest >= 0)
    if leaking.sum() < LEAST_LEAKING:
        return ""
    offsets = patch.surface.points[tries.narrowest[leaking]] - patch.centre
    beside = offsets - (offsets @ patch.axis)[:, None] * patch.axis
    sides = Counter(side_words(unit(one)) for one in beside)
    most = sides.most_common(MOST_SIDES)
    for number in range(1, len(most) + 1):
        if 2 * sum(count for _, count in most[:number]) >= leaking.sum():
            return " or ".join(side for side, _ in most[:number])
    return ""


def with_chances(fit: Fit, chains: Chains, simulator: Simulator) -> Fit:
    """Give a fit the probabilities of its tries, or a note why none is told."""
    margin = margin_of(chains, simulator)
    if margin is None:
        known = chains.first.assessed
        text = (
            f"{fit.balloon}: no probability is told: {int((~known).sum())} of {known.size} tries "
            "could not be assessed, because the wall of the image ends too near the balloon"
        )
        return replace(fit, notes=(*fit.notes, Note("margin", text, fit.vein, "caution")))
    told = {
        "seal_probability": margin.antral,
        "occlusion_probability": margin.occluded,
        "steered_seal_probability": margin.steered_antral,
        "steered_occlusion_probability": margin.steered_occluded,
    }
    values: dict[str, float | None] = {}
    for name, one in told.items():
        values[name] = one.probability
        values[f"{name}_low"], values[f"{name}_high"] = one.low, one.high
    return replace(
        fit,
        margin=margin,
        deep_seal_probability=margin.deep_seal_probability,
        freeze_loss_probability=margin.freeze_loss_probability,
        tries_leak_side=leak_side(chains.first, simulator),
        **values,  # type: ignore[arg-type]  # probabilities alone
    )
