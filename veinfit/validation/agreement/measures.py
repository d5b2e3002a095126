"""Measures of agreement of rows that were joined: of occlusion, probability and lengths."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import stats

from veinfit.cohort.clustered import clustered, clustered_sums, clustered_superiority, share
from veinfit.cohort.statistics import (
    FloatArray,
    IntArray,
    Interval,
    LimitsOfAgreement,
    cross_table,
    kappa_weights,
    kappas,
    limits_of_agreement,
    quantile,
    weighted_kappa,
    wilson,
)
from veinfit.seating.seal.grade import COMPLETE
from veinfit.validation.agreement.join import Pair
from veinfit.validation.predictions import STEERED_ATTEMPTS

FEW = 10
"""Of fewer than so many, a share or a correlation says little."""
FEW_PATIENTS = 20
"""With fewer patients than so many, an interval clustered by patient is too narrow."""
BINS = 10
"""Groups of a reliability curve, of equal numbers."""
FEWEST_IN_BIN = 5
BINARY_MEASURES = ("sensitivity", "specificity", "predictive value of occluded",
                   "predictive value of not occluded", "accuracy")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure of agreement.

    Attributes
    ----------
    name, group : str
        ``group`` is ``all``, a balloon or a vein.
    interval : Interval
        Taking every row for independent: Wilson, large-sample or Student's t;
        empty where there is no such formula.
    clustered : Interval
        By patients, from a cluster bootstrap.
    number : int
        Rows that it rests on.
    patients : int
    note : str
        What weakens it.
    """

    name: str
    group: str
    interval: Interval
    clustered: Interval
    number: int
    patients: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class Bin:
    """A point of the reliability curve: tries with like probabilities."""

    low: float
    high: float
    predicted: float
    observed: Interval
    number: int


# ---- rows -----------------------------------------------------------------------------------


def grade(pair: Pair) -> int:
    """Return the observed grade; 0 where there is none."""
    return pair.observed.occlusion_grade or 0


def both(pairs: Iterable[Pair], predicted: str, observed: str) -> list[Pair]:
    """Return the rows for which both values are there."""
    return [
        p
        for p in pairs
        if getattr(p.predicted, predicted) is not None and getattr(p.observed, observed) is not None
    ]


def patients_of(pairs: Sequence[Pair]) -> list[str]:
    """Return the patient of each row."""
    return [p.observed.patient for p in pairs]


def measured(
    name: str, group: str, pairs: Sequence[Pair], plain: Interval, spread: Interval, number: int
) -> Measure:
    """Return a measure with the patients behind it and what weakens it."""
    patients = len(set(patients_of(pairs)))
    notes = []
    if number < FEW:
        notes.append(f"fewer than {FEW}: says little")
    if patients < FEW_PATIENTS:
        notes.append(f"fewer than {FEW_PATIENTS} patients: the clustered interval is too narrow")
    return Measure(name, group, plain, spread, number, patients, "; ".join(notes))


# ---- occlusion ------------------------------------------------------------------------------


def closed(pairs: Sequence[Pair]) -> tuple[np.ndarray, np.ndarray]:
    """Return which rows were predicted and which observed to be occluded."""
    predicted = np.array([bool(p.predicted.occluded) for p in pairs], dtype=bool)
    observed = np.array([grade(p) == COMPLETE for p in pairs], dtype=bool)
    return predicted, observed


def occlusion(group: str, pairs: Sequence[Pair]) -> list[Measure]:
    """Return sensitivity, specificity, predictive values and accuracy of ``occluded``."""
    predicted, observed = closed(pairs)
    among = (observed, ~observed, predicted, ~predicted, np.ones(len(pairs), dtype=bool))
    right = predicted == observed
    found = []
    for name, base in zip(BINARY_MEASURES, among, strict=True):
        number = int(base.sum())

        kept = [p for p, b in zip(pairs, base, strict=True) if b]
        plain = wilson(int(right[base].sum()), number)
        parts = np.stack([right & base, base], axis=1).astype(float)
        spread = clustered_sums(parts, share, patients_of(pairs))
        found.append(measured(name, group, kept, plain, spread, number))
    return found


def all_kappas(group: str, pairs: Sequence[Pair]) -> list[Measure]:
    """Return kappa of occluded or not, and weighted kappa of grades where they are predicted."""
    predicted, observed = closed(pairs)
    found = [
        _kappa("kappa, occluded", group, pairs, predicted.astype(int), observed.astype(int), 2, 1)
    ]
    graded = [p for p in pairs if p.predicted.occlusion_grade is not None]
    if graded:
        first = np.array([p.predicted.occlusion_grade for p in graded], dtype=int) - 1
        second = np.array([grade(p) for p in graded], dtype=int) - 1
        for power, name in ((1, "linear"), (2, "quadratic")):
            title = f"kappa of grades, {name} weights"
            found.append(_kappa(title, group, graded, first, second, 4, power))
    return found


def _kappa(
    name: str,
    group: str,
    pairs: Sequence[Pair],
    first: np.ndarray,
    second: np.ndarray,
    grades: int,
    power: int,
) -> Measure:
    weights = kappa_weights(grades, power)

    def value(sums: FloatArray) -> FloatArray:
        return kappas(sums.reshape(-1, grades, grades), weights)

    kappa, error = weighted_kappa(cross_table(first, second, grades), weights)
    plain = Interval(kappa)
    if kappa is not None and error is not None:
        reach = quantile() * error
        plain = Interval(kappa, max(kappa - reach, -1.0), min(kappa + reach, 1.0))
    cells = np.eye(grades * grades)[first * grades + second]
    spread = clustered_sums(cells, value, patients_of(pairs))
    return measured(name, group, pairs, plain, spread, len(pairs))


def grade_table(pairs: Sequence[Pair]) -> FloatArray | None:
    """Return the counts of predicted and observed grades; None where none is predicted."""
    graded = [p for p in pairs if p.predicted.occlusion_grade is not None]
    if not graded:
        return None
    first = np.array([p.predicted.occlusion_grade for p in graded], dtype=int) - 1
    return cross_table(first, np.array([grade(p) for p in graded], dtype=int) - 1, 4)


# ---- probability ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Forecasts:
    """Probabilities and what came of each.

    Attributes
    ----------
    of : str
        What they are of.
    told : (N,) array
    came : (N,) array of 0 and 1
    pairs : tuple of Pair
        The row that each rests on.
    broken_off : tuple of Pair
        A row of each series that ended before what came of it was known.
    """

    of: str
    told: FloatArray
    came: FloatArray
    pairs: tuple[Pair, ...]
    broken_off: tuple[Pair, ...] = ()


ONE_TRY, STEERED = "first attempt", "up to three attempts"


def first_attempts(pairs: Iterable[Pair]) -> Forecasts:
    """Return the first attempt of each balloon in each vein beside the probability of one try.

    Later attempts are made only where the first failed: they are no sample of tries.
    """
    rows = [
        p
        for p in pairs
        if p.observed.attempt == 1
        and p.predicted.probability is not None
        and p.observed.occlusion_grade is not None
    ]
    told = np.array([p.predicted.probability for p in rows], dtype=float)
    came = np.array([float(grade(p) == COMPLETE) for p in rows])
    return Forecasts(ONE_TRY, told, came, tuple(rows))


def of_other_tries(pair: Pair) -> bool:
    """Whether a prediction's chains are known to be of more or fewer tries than are observed."""
    return pair.predicted.steered_attempts not in (None, STEERED_ATTEMPTS)


def series(pairs: Iterable[Pair]) -> Forecasts:
    """Return whether each balloon occluded each vein within three attempts, beside its probability.

    A series that was broken off before the third attempt without occluding tells neither; those
    that are left occluded more often than all would have. Nor does a probability that is known to
    be of another number of tries.
    """
    runs: dict[tuple[str, ...], list[Pair]] = {}
    for p in pairs:
        told_of_three = p.predicted.steered_probability is not None and not of_other_tries(p)
        if told_of_three and p.observed.occlusion_grade is not None:
            key = (p.observed.case, p.observed.vein, p.predicted.balloon, p.predicted.approach)
            runs.setdefault(key, []).append(p)
    told, came, rows, broken_off = [], [], [], []
    for run in runs.values():
        tried = {p.observed.attempt: p for p in run if p.observed.attempt <= STEERED_ATTEMPTS}
        closed = any(grade(p) == COMPLETE for p in tried.values())
        if closed or len(tried) == STEERED_ATTEMPTS:
            told.append(run[0].predicted.steered_probability)
            came.append(float(closed))
            rows.append(run[0])
        else:
            broken_off.append(run[0])
    told_of, came_of = np.array(told, dtype=float), np.array(came, dtype=float)
    return Forecasts(STEERED, told_of, came_of, tuple(rows), tuple(broken_off))


def calibration(group: str, forecasts: Forecasts) -> list[Measure]:
    """Return how well probabilities are calibrated, and how well they tell veins apart."""
    told, came, pairs = forecasts.told, forecasts.came, forecasts.pairs
    if not pairs:
        return []

    def known_rate(sums: FloatArray) -> FloatArray:
        return share(sums) * (1.0 - share(sums))

    parts = (
        ("Brier score", (told - came) ** 2, share),
        ("Brier score of the observed rate alone", came, known_rate),
        ("observed rate less mean probability", came - told, share),
    )
    found = []
    for name, values, statistic in parts:
        both = np.stack([values, np.ones(len(pairs))], axis=1)
        spread = clustered_sums(both, statistic, patients_of(pairs))
        title = f"{forecasts.of}: {name}"
        found.append(measured(title, group, pairs, Interval(spread.value), spread, len(pairs)))
    occluded = came > 0.5
    if occluded.any() and not occluded.all():
        title = f"{forecasts.of}: discrimination (area under the curve)"
        plain = clustered_superiority(told, occluded, np.arange(len(told)))
        spread = clustered_superiority(told, occluded, patients_of(pairs))
        found.append(measured(title, group, pairs, plain, spread, len(pairs)))
    return found


def reliability(forecasts: Forecasts) -> tuple[Bin, ...]:
    """Return the reliability curve: tries in groups of equal number by their probability."""
    told, came = forecasts.told, forecasts.came
    count = min(BINS, len(told) // FEWEST_IN_BIN)
    if count < 1:
        return ()
    order = np.argsort(told, kind="stable")
    bins: list[Bin] = []
    start = 0
    for part in range(1, count + 1):
        end = round(part * len(order) / count)
        # Equal probabilities stay together, whatever that does to the numbers.
        while end < len(order) and told[order[end]] == told[order[end - 1]]:
            end += 1
        rows = order[start:end]
        if len(rows):
            rate = wilson(float(came[rows].sum()), len(rows))
            p = told[rows]
            bins.append(Bin(float(p.min()), float(p.max()), float(p.mean()), rate, len(rows)))
        start = max(start, end)
    return tuple(bins)


# ---- numbers --------------------------------------------------------------------------------


def difference(
    name: str, pairs: Sequence[Pair], predicted: str, observed: str
) -> tuple[LimitsOfAgreement | None, list[Measure]]:
    """Return bias and limits of agreement of a length, over every attempt."""
    rows = both(pairs, predicted, observed)
    if not rows:
        return None, []
    gaps = differences(rows, predicted, observed)
    found = limits_of_agreement(gaps)
    # About their mean, so that a spread far smaller than the values is not lost.
    middle = float(gaps.mean())
    sums = np.stack([gaps - middle, (gaps - middle) ** 2, np.ones(len(gaps))], axis=1)
    measures = []
    for title, plain, times in (
        ("bias", found.bias, 0.0),
        ("lower limit of agreement", found.lower, -quantile()),
        ("upper limit of agreement", found.upper, quantile()),
    ):
        spread = clustered_sums(sums, partial(_limit, middle, times), patients_of(rows))
        if plain.value is not None:
            measures.append(measured(f"{name}: {title}", "all", rows, plain, spread, len(rows)))
    return found, measures


def _limit(middle: float, times: float, sums: FloatArray) -> FloatArray:
    """Return mean plus ``times`` SD from sums of differences, their squares and their number."""
    number = sums[:, 2]
    mean = sums[:, 0] / number
    variance = (sums[:, 1] - number * mean**2) / np.maximum(number - 1.0, 1.0)
    return middle + mean + times * np.sqrt(np.maximum(variance, 0.0))


def differences(pairs: Sequence[Pair], predicted: str, observed: str) -> FloatArray:
    """Return predicted less observed values of rows that have both."""
    return np.array(
        [getattr(p.predicted, predicted) - getattr(p.observed, observed) for p in pairs],
        dtype=float,
    )


def correlation(pairs: Sequence[Pair], observed: str) -> list[Measure]:
    """Return the rank correlation of the predicted leak width with what was observed."""
    rows = both(pairs, "leak_width_mm", observed)
    if len(rows) < 3:
        return []
    x = np.array([p.predicted.leak_width_mm for p in rows], dtype=float)
    y = np.array([getattr(p.observed, observed) for p in rows], dtype=float)

    def rank(chosen: IntArray) -> float | None:
        a, b = x[chosen], y[chosen]
        if np.ptp(a) == 0 or np.ptp(b) == 0:
            return None
        return float(stats.spearmanr(a, b).statistic)

    found = clustered(rank, patients_of(rows))
    words = observed.rpartition("_")[0].replace("_", " ")
    name = f"rank correlation of leak width and {words}"
    return [measured(name, "all", rows, Interval(found.value), found, len(rows))]
