"""Holds predictions against what was observed: joins the two and measures how they agree."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
from scipy import stats

from veinfit.cohort.agreement_join import Joined, Pair
from veinfit.cohort.statistics import (
    FloatArray,
    IntArray,
    Interval,
    LimitsOfAgreement,
    clustered,
    clustered_sums,
    cross_table,
    kappa_weights,
    kappas,
    limits_of_agreement,
    quantile,
    share,
    weighted_kappa,
    wilson,
)

COMPLETE = 4
"""The grade that counts as occluded."""

FEW = 10
"""Of fewer than so many, a share or a correlation says little."""
FEW_PATIENTS = 20
"""With fewer patients than so many, an interval clustered by patient is too narrow."""
BINS = 10
"""Groups of a reliability curve, of equal numbers."""
FEWEST_IN_BIN = 5
BINARY_MEASURES = ("sensitivity", "specificity", "predictive value of occluded",
                   "predictive value of open", "accuracy")  # fmt: skip


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


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """How predictions agree with observations.

    Attributes
    ----------
    joined : Joined
    best : tuple of Pair
        The best attempt of each balloon in each vein, on which the measures of
        occlusion rest.
    measures : tuple of Measure
    reliability : tuple of Bin
    depth : LimitsOfAgreement or None
        Predicted less observed, mm, over every attempt.
    grades : (4, 4) array or None
        Counts: predicted grade down, observed grade across, from 1.
    probability_of : str
    warnings : tuple of str
    """

    joined: Joined
    best: tuple[Pair, ...]
    measures: tuple[Measure, ...]
    reliability: tuple[Bin, ...]
    depth: LimitsOfAgreement | None
    grades: FloatArray | None
    probability_of: str
    warnings: tuple[str, ...]


def agreement(joined: Joined) -> Agreement:
    """Measure how the joined rows agree."""
    graded = [p for p in joined.pairs if p.observed.occlusion_grade is not None]
    best = _best(graded)
    measures: list[Measure] = []
    for group, pairs in _groups(best):
        measures += _occlusion(group, pairs)
        measures += _kappas(group, pairs)
    told = [p for p in graded if p.predicted.probability is not None]
    for group, pairs in _groups(told):
        measures += _calibration(group, pairs)
    deep = _both(joined.pairs, "depth_mm", "seating_depth_mm")
    shifts = _both(joined.pairs, "freeze_shift_mm", "shift_after_freeze_mm")
    depth = None
    for name, rows in (("depth, mm", deep), ("shift after freezing starts, mm", shifts)):
        found, more = _difference(name, rows)
        measures += more
        depth = found if rows is deep and deep else depth
    for observed in ("time_to_isolation_s", "lowest_temperature_c"):
        measures += _correlation(joined.pairs, observed)
    kinds = {p.predicted.probability_of for p in told}
    return Agreement(
        joined,
        tuple(best),
        tuple(measures),
        _reliability(told),
        depth,
        _grade_table(best),
        "occlusion" if kinds <= {"occlusion"} else "seal",
        tuple(_warnings(joined, best, kinds)),
    )


# ---- rows -----------------------------------------------------------------------------------


def _best(pairs: Iterable[Pair]) -> list[Pair]:
    """Return the best graded attempt of each balloon in each vein; the first of equal ones."""
    best: dict[tuple[str, ...], Pair] = {}
    for pair in sorted(pairs, key=lambda p: p.observed.attempt):
        key = (pair.observed.case, pair.observed.vein, pair.predicted.balloon,
               pair.predicted.approach)  # fmt: skip
        if key not in best or _grade(pair) > _grade(best[key]):
            best[key] = pair
    return sorted(best.values(), key=lambda p: p.observed.line)


def _grade(pair: Pair) -> int:
    return pair.observed.occlusion_grade or 0


def _groups(pairs: Sequence[Pair]) -> list[tuple[str, list[Pair]]]:
    """Return all rows, those of each balloon and those of each vein; groups of all are left out."""
    if not pairs:
        return []
    groups = [("all", list(pairs))]
    keys: tuple[Callable[[Pair], str], ...] = (
        lambda p: p.predicted.balloon,
        lambda p: p.observed.vein,
    )
    for key in keys:
        parts: dict[str, list[Pair]] = defaultdict(list)
        for pair in pairs:
            parts[key(pair)].append(pair)
        if len(parts) > 1:
            groups += sorted(parts.items())
    return groups


def _both(pairs: Iterable[Pair], predicted: str, observed: str) -> list[Pair]:
    return [
        p
        for p in pairs
        if getattr(p.predicted, predicted) is not None and getattr(p.observed, observed) is not None
    ]


def _patients(pairs: Sequence[Pair]) -> list[str]:
    return [p.observed.patient for p in pairs]


def _measure(
    name: str, group: str, pairs: Sequence[Pair], plain: Interval, spread: Interval, number: int
) -> Measure:
    patients = len(set(_patients(pairs)))
    notes = []
    if number < FEW:
        notes.append(f"fewer than {FEW}: says little")
    if patients < FEW_PATIENTS:
        notes.append(f"fewer than {FEW_PATIENTS} patients: the clustered interval is too narrow")
    return Measure(name, group, plain, spread, number, patients, "; ".join(notes))


# ---- occlusion ------------------------------------------------------------------------------


def _closed(pairs: Sequence[Pair]) -> tuple[np.ndarray, np.ndarray]:
    predicted = np.array([bool(p.predicted.occluded) for p in pairs], dtype=bool)
    observed = np.array([_grade(p) == COMPLETE for p in pairs], dtype=bool)
    return predicted, observed


def _occlusion(group: str, pairs: Sequence[Pair]) -> list[Measure]:
    """Return sensitivity, specificity, predictive values and accuracy of ``occluded``."""
    predicted, observed = _closed(pairs)
    among = (observed, ~observed, predicted, ~predicted, np.ones(len(pairs), dtype=bool))
    right = predicted == observed
    found = []
    for name, base in zip(BINARY_MEASURES, among, strict=True):
        number = int(base.sum())

        kept = [p for p, b in zip(pairs, base, strict=True) if b]
        plain = wilson(int(right[base].sum()), number)
        parts = np.stack([right & base, base], axis=1).astype(float)
        spread = clustered_sums(parts, share, _patients(pairs))
        found.append(_measure(name, group, kept, plain, spread, number))
    return found


def _kappas(group: str, pairs: Sequence[Pair]) -> list[Measure]:
    """Return kappa of occluded or not, and weighted kappa of grades where they are predicted."""
    predicted, observed = _closed(pairs)
    found = [
        _kappa("kappa, occluded", group, pairs, predicted.astype(int), observed.astype(int), 2, 1)
    ]
    graded = [p for p in pairs if p.predicted.occlusion_grade is not None]
    if graded:
        first = np.array([p.predicted.occlusion_grade for p in graded], dtype=int) - 1
        second = np.array([_grade(p) for p in graded], dtype=int) - 1
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
    spread = clustered_sums(cells, value, _patients(pairs))
    return _measure(name, group, pairs, plain, spread, len(pairs))


def _grade_table(pairs: Sequence[Pair]) -> FloatArray | None:
    graded = [p for p in pairs if p.predicted.occlusion_grade is not None]
    if not graded:
        return None
    first = np.array([p.predicted.occlusion_grade for p in graded], dtype=int) - 1
    return cross_table(first, np.array([_grade(p) for p in graded], dtype=int) - 1, 4)


# ---- probability ----------------------------------------------------------------------------


def _chances(pairs: Sequence[Pair]) -> tuple[FloatArray, FloatArray]:
    told = np.array([p.predicted.probability for p in pairs], dtype=float)
    return told, np.array([float(_grade(p) == COMPLETE) for p in pairs])


def _calibration(group: str, pairs: Sequence[Pair]) -> list[Measure]:
    """Return how well probabilities are calibrated, over every attempt."""
    told, came = _chances(pairs)

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
        spread = clustered_sums(both, statistic, _patients(pairs))
        found.append(_measure(name, group, pairs, Interval(spread.value), spread, len(pairs)))
    return found


def _reliability(pairs: Sequence[Pair]) -> tuple[Bin, ...]:
    """Return the reliability curve: tries in groups of equal number by their probability."""
    told, came = _chances(pairs)
    count = min(BINS, len(pairs) // FEWEST_IN_BIN)
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


def _difference(name: str, pairs: Sequence[Pair]) -> tuple[LimitsOfAgreement | None, list[Measure]]:
    """Return bias and limits of agreement of a length, over every attempt."""
    if not pairs:
        return None, []
    gaps = differences(pairs) if name.startswith("depth") else _shift_differences(pairs)
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
        spread = clustered_sums(sums, partial(_limit, middle, times), _patients(pairs))
        if plain.value is not None:
            measures.append(_measure(f"{name}: {title}", "all", pairs, plain, spread, len(pairs)))
    return found, measures


def _limit(middle: float, times: float, sums: FloatArray) -> FloatArray:
    """Return mean plus ``times`` SD from sums of differences, their squares and their number."""
    number = sums[:, 2]
    mean = sums[:, 0] / number
    variance = (sums[:, 1] - number * mean**2) / np.maximum(number - 1.0, 1.0)
    return middle + mean + times * np.sqrt(np.maximum(variance, 0.0))


def differences(pairs: Sequence[Pair]) -> FloatArray:
    """Return predicted less observed depth of rows that have both, mm."""
    return np.array(
        [(p.predicted.depth_mm or 0.0) - (p.observed.seating_depth_mm or 0.0) for p in pairs]
    )


def _shift_differences(pairs: Sequence[Pair]) -> FloatArray:
    return np.array(
        [
            (p.predicted.freeze_shift_mm or 0.0) - (p.observed.shift_after_freeze_mm or 0.0)
            for p in pairs
        ]
    )


def depth_pairs(joined: Joined) -> list[Pair]:
    """Return the rows for which a depth was predicted and observed."""
    return _both(joined.pairs, "depth_mm", "seating_depth_mm")


def _correlation(pairs: Sequence[Pair], observed: str) -> list[Measure]:
    """Return the rank correlation of the predicted leak width with what was observed."""
    rows = _both(pairs, "leak_width_mm", observed)
    if len(rows) < 3:
        return []
    x = np.array([p.predicted.leak_width_mm for p in rows], dtype=float)
    y = np.array([getattr(p.observed, observed) for p in rows], dtype=float)

    def rank(chosen: IntArray) -> float | None:
        a, b = x[chosen], y[chosen]
        if np.ptp(a) == 0 or np.ptp(b) == 0:
            return None
        return float(stats.spearmanr(a, b).statistic)

    found = clustered(rank, _patients(rows))
    name = f"rank correlation of leak_width_mm and {observed}"
    return [_measure(name, "all", rows, Interval(found.value), found, len(rows))]


# ---- warnings -------------------------------------------------------------------------------


def _warnings(joined: Joined, best: Sequence[Pair], kinds: set[str]) -> Iterable[str]:
    patients = set(_patients(joined.pairs))
    if len(patients) < FEW_PATIENTS:
        yield (
            f"{len(patients)} patients: too few for conclusions; intervals clustered by patient "
            "are too narrow then"
        )
    if best:
        _, observed = _closed(best)
        rarer = int(min(observed.sum(), (~observed).sum()))
        if rarer < FEW:
            yield (
                f"only {rarer} of {len(best)} balloons in veins are of the rarer kind (occluded or "
                "not): sensitivity or specificity rests on these few"
            )
    yield from _order(best)
    if "seal" in kinds:
        yield (
            "some predictions hold no probability of occlusion; that of a seal in cold contact is "
            "used for them, which is lower"
        )


def _order(best: Sequence[Pair]) -> Iterable[str]:
    """Say what the order in which sizes were tried does to a comparison of sizes."""
    veins: dict[tuple[str, str], dict[float, bool]] = defaultdict(dict)
    for pair in best:
        key = (pair.observed.case, pair.observed.vein)
        size = pair.predicted.balloon_mm
        closed = _grade(pair) == COMPLETE
        veins[key][size] = veins[key].get(size, False) or closed
    sizes = sorted({size for tried in veins.values() for size in tried})
    for smaller, larger in pairwise(sizes):
        with_larger = [tried for tried in veins.values() if larger in tried]
        both = [tried for tried in with_larger if smaller in tried]
        after = sum(not tried[smaller] for tried in both)
        yield (
            f"{larger:g} mm was observed in {len(with_larger)} veins; in {len(both)} of them "
            f"{smaller:g} mm was observed too and had not occluded in {after}. The larger size is "
            "often tried only after the smaller failed, so that it meets the harder veins: the "
            "observed rates of two sizes do not compare the sizes"
        )
