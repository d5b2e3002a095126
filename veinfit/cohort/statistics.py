"""Statistics of agreement and of rates, with intervals: nothing here knows of veins.

References
----------
Wilson EB, J Am Stat Assoc 1927;22:209 (interval of a share). Cohen J, Psychol Bull
1968;70:213 (weighted kappa); Fleiss JL, Cohen J, Everitt BS, Psychol Bull 1969;72:323 (its
error). Bland JM, Altman DG, Lancet 1986;327:307 (limits of agreement). McNemar Q,
Psychometrika 1947;12:153 (paired shares, here exact).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

LEVEL = 0.95
"""Every interval holds 95 %."""

DRAWS = 2000
"""Bootstrap draws: the ends of an interval then move by about a fiftieth of its width."""
SEED = 20251125
"""Draws are the same every time."""
GREATEST_LOST = 0.05
"""An interval is not given when more than this share of the draws has no value."""
MANY_CLUSTERS = 5000
"""From so many clusters on the spread of ``FEW_DRAWS`` gives the interval, normal by then."""
FEW_DRAWS = 200
FEWEST_CLUSTERS = 3
"""With fewer clusters a bootstrap says nothing at all."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with an interval that holds ``LEVEL``; None is what cannot be had."""

    value: float | None
    low: float | None = None
    high: float | None = None


def quantile() -> float:
    """Return the normal quantile of a two-sided interval."""
    return float(stats.norm.ppf(0.5 + 0.5 * LEVEL))


def wilson(count: float, total: float) -> Interval:
    """Return a share with its Wilson score interval.

    Parameters
    ----------
    count, total : float
        Whole numbers, or expected ones; of nothing there is no share.
    """
    if total <= 0:
        return Interval(None)
    z2 = quantile() ** 2
    share = count / total
    middle = (share + z2 / (2 * total)) / (1 + z2 / total)
    half = math.sqrt(z2 * (share * (1 - share) + z2 / (4 * total)) / total) / (1 + z2 / total)
    low = 0.0 if count == 0 else max(middle - half, 0.0)
    return Interval(share, low, 1.0 if count == total else min(middle + half, 1.0))


def exact_paired(only_first: int, only_second: int) -> float | None:
    """Return the two-sided p of the exact McNemar test; None without a pair that differs."""
    differing = only_first + only_second
    return float(stats.binomtest(only_first, differing, 0.5).pvalue) if differing else None


def kappa_weights(grades: int, power: int) -> FloatArray:
    """Return agreement weights: 1 on the diagonal, falling with the distance to ``power``."""
    k = np.arange(grades, dtype=float)
    return 1.0 - (np.abs(k[:, None] - k[None, :]) / max(grades - 1, 1)) ** power


def kappas(tables: FloatArray, weights: FloatArray) -> FloatArray:
    """Return weighted kappa of each of many tables of counts, NaN where chance agrees wholly.

    Parameters
    ----------
    tables : (M, N, N) array
    weights : (N, N) array
        Of agreement, 1 on the diagonal.
    """
    total = tables.sum(axis=(1, 2))
    p = tables / np.where(total > 0, total, 1.0)[:, None, None]
    observed = np.einsum("mij,ij->m", p, weights)
    chance = np.einsum("mi,mj,ij->m", p.sum(axis=2), p.sum(axis=1), weights)
    known = (total > 0) & ~np.isclose(chance, 1.0, rtol=0.0, atol=1e-12)
    return np.where(known, (observed - chance) / np.where(known, 1.0 - chance, 1.0), math.nan)


def weighted_kappa(table: FloatArray, weights: FloatArray) -> tuple[float | None, float | None]:
    """Return weighted kappa of a square table of counts and its large-sample standard error.

    Parameters
    ----------
    table, weights : (N, N) array
        ``weights`` are of agreement, 1 on the diagonal.

    Returns
    -------
    kappa, error : float or None
        None where chance alone agrees wholly.
    """
    kappa = float(kappas(table[None], weights)[0])
    if math.isnan(kappa):
        return None, None
    total = float(table.sum())
    p = table / total
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    chance = float((weights * np.outer(rows, columns)).sum())
    spread = (weights @ columns)[:, None] + (rows @ weights)[None, :]
    variance = float((p * (weights - spread * (1.0 - kappa)) ** 2).sum())
    variance -= (kappa - chance * (1.0 - kappa)) ** 2
    return kappa, math.sqrt(max(variance, 0.0) / total) / (1.0 - chance)


def cross_table(first: IntArray, second: IntArray, grades: int) -> FloatArray:
    """Return the counts of pairs of grades 0 to ``grades`` - 1."""
    table = np.zeros((grades, grades))
    np.add.at(table, (first, second), 1.0)
    return table


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Bias and limits of agreement of paired differences, with their intervals.

    Attributes
    ----------
    number : int
    bias, lower, upper : Interval
        The mean difference and the limits, bias ± 1.96 SD; intervals by
        Student's t, with the standard error of a limit sqrt(3 SD²/n).
    sd : float or None
    """

    number: int
    bias: Interval
    lower: Interval
    upper: Interval
    sd: float | None


def limits_of_agreement(differences: FloatArray) -> LimitsOfAgreement:
    """Return bias and limits of agreement; without intervals and limits below two pairs."""
    number = len(differences)
    if number < 2:
        alone = Interval(float(differences[0]) if number else None)
        return LimitsOfAgreement(number, alone, Interval(None), Interval(None), None)
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    t = float(stats.t.ppf(0.5 + 0.5 * LEVEL, number - 1))
    error, reach = t * sd / math.sqrt(number), t * sd * math.sqrt(3.0 / number)
    lower, upper = bias - quantile() * sd, bias + quantile() * sd
    return LimitsOfAgreement(
        number,
        Interval(bias, bias - error, bias + error),
        Interval(lower, lower - reach, lower + reach),
        Interval(upper, upper - reach, upper + reach),
        sd,
    )


def superiority(values: FloatArray, group: NDArray[np.bool_]) -> float | None:
    """Return the chance that a value of the group exceeds one outside; ties count half.

    It is the area under the ROC curve, 0.5 where the groups do not differ.
    """
    inside, outside = int(group.sum()), int((~group).sum())
    if not inside or not outside:
        return None
    ranks = stats.rankdata(values)
    return float((ranks[group].sum() - inside * (inside + 1) / 2) / (inside * outside))


def clustered_superiority(
    values: FloatArray, group: NDArray[np.bool_], clusters: Sequence[str] | IntArray
) -> Interval:
    """Return :func:`superiority` with an interval that allows for clusters.

    By the placement of every value among those of the other group, summed by
    cluster (Obuchowski NA, Biometrics 1997;53:567).
    """
    value = superiority(values, group)
    names, home = np.unique(np.asarray(clusters), return_inverse=True)
    inside, outside = np.bincount(home[group]), np.bincount(home[~group])
    with_inside, with_outside = int((inside > 0).sum()), int((outside > 0).sum())
    if value is None or min(with_inside, with_outside) < FEWEST_CLUSTERS:
        return Interval(value)
    m, n = int(group.sum()), int((~group).sum())
    ranks = stats.rankdata(values)
    placed = np.zeros(len(values))
    placed[group] = (ranks[group] - stats.rankdata(values[group])) / n
    placed[~group] = 1.0 - (ranks[~group] - stats.rankdata(values[~group])) / m
    count = len(names)
    first = np.bincount(home[group], placed[group] - value, minlength=count)
    second = np.bincount(home[~group], placed[~group] - value, minlength=count)
    variance = (
        with_inside / (with_inside - 1) * float(first @ first) / m**2
        + with_outside / (with_outside - 1) * float(second @ second) / n**2
        + 2.0 * count / (count - 1) * float(first @ second) / (m * n)
    )
    reach = quantile() * math.sqrt(max(variance, 0.0))
    return Interval(value, max(value - reach, 0.0), min(value + reach, 1.0))


def standardised_difference(values: FloatArray, group: NDArray[np.bool_]) -> float | None:
    """Return Hedges' g: the difference of means over the pooled SD, corrected for few values."""
    a, b = values[group], values[~group]
    freedom = len(a) + len(b) - 2
    if len(a) < 2 or len(b) < 2:
        return None
    pooled = ((len(a) - 1) * a.var(ddof=1) + (len(b) - 1) * b.var(ddof=1)) / freedom
    if pooled <= 0:
        return None
    return float((a.mean() - b.mean()) / math.sqrt(pooled) * (1 - 3 / (4 * freedom - 1)))


def share(sums: FloatArray) -> FloatArray:
    """Return the first of two sums over the second, NaN where that is none; (M, 2) to (M,)."""
    some = sums[:, 1] > 0
    return np.where(some, sums[:, 0] / np.where(some, sums[:, 1], 1.0), math.nan)


def clustered_sums(
    parts: FloatArray,
    statistic: Callable[[FloatArray], FloatArray],
    clusters: Sequence[str] | IntArray,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Interval:
    """Return a statistic of sums over rows with the interval of a cluster bootstrap.

    Whole clusters are drawn with replacement, so what several rows of one
    patient have in common does not pass for more patients.

    Parameters
    ----------
    parts : (N, K) array
        What is summed over rows.
    statistic : callable
        Takes sums, (M, K), and returns values, (M,); NaN where there is none.
    clusters : sequence of str or int
        Cluster of each row.
    draws, seed : int

    Returns
    -------
    Interval
        Percentiles of the draws; none with fewer than ``FEWEST_CLUSTERS``
        clusters, or where too many draws have no value.
    """
    value = float(statistic(parts.sum(axis=0, keepdims=True))[0])
    names, home = np.unique(np.asarray(clusters), return_inverse=True)
    if math.isnan(value) or len(names) < FEWEST_CLUSTERS:
        return Interval(None if math.isnan(value) else value)
    sums = np.zeros((len(names), parts.shape[1]))
    np.add.at(sums, home, parts)
    random = np.random.default_rng(seed)
    number = len(names)
    draws = FEW_DRAWS if number > MANY_CLUSTERS else draws
    # So many draws at a time that the counts stay in some megabytes.
    step = max(1, 1_000_000 // number)
    found = []
    for k in range(0, draws, step):
        some = min(step, draws - k)
        drawn = random.integers(number, size=(some, number)) + number * np.arange(some)[:, None]
        counts = np.bincount(drawn.ravel(), minlength=some * number).reshape(some, number)
        found.append(statistic(counts @ sums))
    drawn_values = np.concatenate(found)
    if number > MANY_CLUSTERS:
        reach = quantile() * float(np.nanstd(drawn_values))
        return Interval(value, value - reach, value + reach)
    return _percentiles(value, drawn_values)


def clustered(
    statistic: Callable[[IntArray], float | None],
    clusters: Sequence[str] | IntArray,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Interval:
    """Return a statistic of rows with the interval of a cluster bootstrap.

    As :func:`clustered_sums`, for statistics that are not of sums.

    Parameters
    ----------
    statistic : callable
        Takes the indices of rows; None where it has no value.
    clusters : sequence of str or int
        Cluster of each row.
    draws, seed : int
    """
    if len(clusters) == 0:
        return Interval(None)
    value = statistic(np.arange(len(clusters)))
    names, home = np.unique(np.asarray(clusters), return_inverse=True)
    if value is None or len(names) < FEWEST_CLUSTERS:
        return Interval(value)
    order = np.argsort(home, kind="stable")
    size = np.bincount(home)
    start = np.cumsum(size) - size
    random = np.random.default_rng(seed)
    found = np.full(draws, math.nan)
    for k in range(draws):
        chosen = random.integers(len(names), size=len(names))
        ends = np.cumsum(size[chosen])
        rows = np.repeat(start[chosen] - (ends - size[chosen]), size[chosen])
        drawn = statistic(order[rows + np.arange(ends[-1])])
        found[k] = math.nan if drawn is None else drawn
    return _percentiles(value, found)


def _percentiles(value: float, draws: FloatArray) -> Interval:
    known = draws[np.isfinite(draws)]
    if len(known) < (1.0 - GREATEST_LOST) * len(draws):
        return Interval(value)
    tail = 0.5 * (1.0 - LEVEL)
    low, high = np.quantile(known, [tail, 1.0 - tail])
    return Interval(value, float(low), float(high))
