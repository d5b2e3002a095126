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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

LEVEL = 0.95
"""Every interval holds 95 %."""


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

    Returns
    -------
    Interval
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
    """Return agreement weights: 1 on the diagonal, falling with the distance to ``power``.

    Parameters
    ----------
    grades : int
    power : int
        1 for linear weights, 2 for quadratic ones.

    Returns
    -------
    (grades, grades) array
    """
    k = np.arange(grades, dtype=float)
    return 1.0 - (np.abs(k[:, None] - k[None, :]) / max(grades - 1, 1)) ** power


def kappas(tables: FloatArray, weights: FloatArray) -> FloatArray:
    """Return weighted kappa of each of many tables of counts, NaN where chance agrees wholly.

    Parameters
    ----------
    tables : (M, N, N) array
    weights : (N, N) array
        Of agreement, 1 on the diagonal.

    Returns
    -------
    (M,) array
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
    """Return the counts of pairs of grades 0 to ``grades`` - 1.

    Parameters
    ----------
    first, second : (N,) array
        Grades of the same things by two readers.
    grades : int
        How many there are.

    Returns
    -------
    (grades, grades) array
    """
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
    """Return bias and limits of agreement; without intervals and limits below two pairs.

    Parameters
    ----------
    differences : (N,) array

    Returns
    -------
    LimitsOfAgreement
    """
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
