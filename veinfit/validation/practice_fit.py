"""Settings that bring the tries of many atria near to what practice sees.

A design of settings is tried on all atria; between them every quantity is read off a
quadratic in the logarithms of the settings. The fit is the place in the range that misses
the targets least, each miss in units of its target's half width, with a mild pull to the
starting values where the targets do not tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
from scipy.optimize import minimize
from scipy.stats import qmc

from veinfit.settings import Settings, with_values
from veinfit.validation.practice import TARGETS, Target
from veinfit.vectors import FloatArray

PULL = 0.15
"""Weight of the distance from the starting values, in shares of the range."""

STARTS = 16
"""Places from which the least miss is sought."""


@dataclass(frozen=True, slots=True)
class Range:
    """One setting that is fitted, by group and name, and where it is sought."""

    name: str
    low: float
    high: float


RANGES = (
    Range("seating.greatest_push_n", 0.4, 1.2),
    Range("seating.shaft_n_per_mm", 0.4, 1.4),
    Range("margin.direction_sd_deg", 12.0, 30.0),
    Range("margin.shaft_offset_sd_mm", 1.0, 5.0),
)
"""What no source tells. The stiffnesses of the wall stay at their bases: push, shaft and guide
act by their ratio to them."""


@dataclass(frozen=True, slots=True, eq=False)
class PracticeFit:
    """What a fit came to.

    Attributes
    ----------
    settings : Settings
    values : mapping of str to float
        The fitted settings, by group and name.
    expected : mapping of str to float
        The quantities that the quadratics expect there.
    uncertainty : mapping of str to float
        Standard deviation of the logarithm of each fitted setting, the others free: as the
        ranges of the targets (their half widths as two standard deviations) and the scatter
        of the quadratics leave it, and at most what the range itself leaves.
    error : mapping of str to float
        Root mean square miss of the quadratics on the design, leaving each point out.
    design : (N, Q) array
        Shares of the ranges that were tried.
    told : tuple of mapping of str to float
        The quantities at each of them.
    """

    settings: Settings
    values: Mapping[str, float]
    expected: Mapping[str, float]
    uncertainty: Mapping[str, float]
    error: Mapping[str, float]
    design: FloatArray
    told: tuple[Mapping[str, float], ...]


def fit_to_practice(
    settings: Settings,
    evaluate: Callable[[Settings], Mapping[str, float]],
    trials: int,
    seed: int = 1,
    ranges: Sequence[Range] = RANGES,
) -> PracticeFit:
    """Fit settings to the targets of practice.

    Parameters
    ----------
    settings : Settings
        The starting values.
    evaluate : callable
        Returns the quantities of some settings on the atria of the fit.
    trials : int
        Settings that are tried: more than the coefficients of a quadratic.
    seed : int
    ranges : sequence of Range

    Returns
    -------
    PracticeFit
    """
    content = settings.as_mapping()
    start = np.array([_share(one, _value(content, one.name)) for one in ranges])
    shares = qmc.Sobol(len(ranges), scramble=True, rng=np.random.default_rng(seed)).random(trials)
    design = np.concatenate([start[None], shares[: trials - 1]])
    told = tuple(dict(evaluate(with_values(settings, _values(ranges, share)))) for share in design)
    targets = [t for t in TARGETS if all(math.isfinite(row[t.name]) for row in told)]
    table = np.array([[row[t.name] for t in targets] for row in told])
    surface = _Quadratic.through(design, table)
    best, least = start, math.inf
    starts = qmc.Sobol(len(ranges), scramble=True, rng=np.random.default_rng(seed)).random(STARTS)
    for begin in [start, *starts]:
        found = minimize(
            lambda x: _miss(surface.at(x), targets) + PULL * float(((x - start) ** 2).sum()),
            np.clip(begin, 0.0, 1.0),
            method="L-BFGS-B",
            bounds=[(0.0, 1.0)] * len(ranges),
        )
        if found.fun < least:
            best, least = np.asarray(found.x), float(found.fun)
    values = {name: float(f"{value:.3g}") for name, value in _values(ranges, best).items()}
    names = [t.name for t in targets]
    error = surface.left_out(design, table)
    spread = _spread(surface, best, targets, error)
    return PracticeFit(
        with_values(settings, values),
        values,
        dict(zip(names, (float(v) for v in surface.at(best)), strict=True)),
        {
            one.name: float(sd) * math.log(one.high / one.low)
            for one, sd in zip(ranges, spread, strict=True)
        },
        dict(zip(names, (float(v) for v in error), strict=True)),
        design,
        told,
    )


def _miss(values: FloatArray, targets: Sequence[Target]) -> float:
    total = 0.0
    for value, target in zip(values, targets, strict=True):
        if math.isfinite(target.low):
            total += ((value - target.middle) / (0.5 * (target.high - target.low))) ** 2
        else:
            total += (max(value - target.high, 0.0) / 0.1) ** 2
    return float(total)


def _spread(
    surface: _Quadratic, share: FloatArray, targets: Sequence[Target], error: FloatArray
) -> FloatArray:
    """Return standard deviations of the shares of a fit, by the curvature of its misses."""
    step = 0.02
    slopes = [
        (surface.at(share + d) - surface.at(share - d)) / (2.0 * step)
        for d in step * np.eye(len(share))
    ]
    known = np.diag(np.full(len(share), 1.0 / UNIFORM_SD**2))
    for k, target in enumerate(targets):
        if math.isfinite(target.low):
            slope = np.array([one[k] for one in slopes])
            sd = math.hypot(0.25 * (target.high - target.low), float(error[k]))
            known += np.outer(slope, slope) / sd**2
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(known))))


UNIFORM_SD = 1.0 / math.sqrt(12.0)
"""Standard deviation of a share of which nothing is known."""


@dataclass(frozen=True, slots=True, eq=False)
class _Quadratic:
    """Quadratics in Q shares for K quantities, by ridge regression."""

    coefficients: FloatArray
    pairs: tuple[tuple[int, int], ...]

    @classmethod
    def through(cls, shares: FloatArray, values: FloatArray) -> _Quadratic:
        pairs = tuple(combinations_with_replacement(range(shares.shape[1]), 2))
        design = _terms(shares, pairs)
        ridge = RIDGE * np.eye(design.shape[1])
        ridge[: 1 + shares.shape[1]] *= 0.01
        solved = np.linalg.solve(design.T @ design + ridge, design.T @ values)
        return cls(np.asarray(solved, dtype=float), pairs)

    def at(self, share: FloatArray) -> FloatArray:
        return np.asarray(_terms(share[None], self.pairs) @ self.coefficients, dtype=float)[0]

    def left_out(self, shares: FloatArray, values: FloatArray) -> FloatArray:
        """Root mean square miss of each quantity with each point left out."""
        misses = []
        for k in range(len(shares)):
            rest = np.arange(len(shares)) != k
            without = _Quadratic.through(shares[rest], values[rest])
            misses.append(without.at(shares[k]) - values[k])
        return np.asarray(np.sqrt(np.mean(np.square(misses), axis=0)))


RIDGE = 0.05
"""Holds terms of the second order small where the design tells them little."""


def _terms(shares: FloatArray, pairs: Sequence[tuple[int, int]]) -> FloatArray:
    centred = shares - 0.5
    second = [centred[:, i] * centred[:, j] for i, j in pairs]
    return np.column_stack([np.ones(len(shares)), centred, *second])


def _values(ranges: Sequence[Range], share: FloatArray) -> dict[str, float]:
    return {
        one.name: one.low * (one.high / one.low) ** float(x)
        for one, x in zip(ranges, share, strict=True)
    }


def _share(one: Range, value: float) -> float:
    share = math.log(value / one.low) / math.log(one.high / one.low)
    return min(max(share, 0.0), 1.0)


def _value(content: Mapping[str, Mapping[str, float]], name: str) -> float:
    group, _, setting = name.partition(".")
    return float(content[group][setting])
