"""Intervals that allow for clusters: several rows of one patient are not several patients."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from veinfit.cohort.statistics import (
    LEVEL,
    FloatArray,
    IntArray,
    Interval,
    quantile,
    superiority,
)

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


def clustered_superiority(
    values: FloatArray, group: NDArray[np.bool_], clusters: Sequence[str] | IntArray
) -> Interval:
    """Return :func:`superiority` with an interval that allows for clusters.

    By the placement of every value among those of the other group, summed by
    cluster (Obuchowski NA, Biometrics 1997;53:567).

    Parameters
    ----------
    values : (N,) array
    group : (N,) array
        True for rows of the one group.
    clusters : sequence of N str, or (N,) array
        Cluster of each row.

    Returns
    -------
    Interval
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


def share(sums: FloatArray) -> FloatArray:
    """Return the first of two sums over the second, NaN where that is none; (M, 2) to (M,).

    Parameters
    ----------
    sums : (M, 2) array

    Returns
    -------
    (M,) array
    """
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
    clusters : sequence of N str, or (N,) array
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
    clusters : sequence of N str, or (N,) array
        Cluster of each row.
    draws, seed : int

    Returns
    -------
    Interval
        As of :func:`clustered_sums`.
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
