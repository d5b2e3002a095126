"""The most likely values of the fitted quantities, and how far the data tell them.

References
----------
.. [1] Venzon DJ, Moolgavkar SH, A method for computing profile-likelihood-based confidence
   intervals, J R Stat Soc C 1988;37:87-94.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.stats import chi2, norm, qmc

from veinfit.validation.calibration.quantities import Quantity
from veinfit.vectors import FloatArray

DROP = 0.5 * float(chi2.ppf(0.95, 1))
"""A profile that lies this far below the greatest log-likelihood bounds a 95 % interval."""

BOUND = float(norm.ppf(0.975))
"""Standard deviations of a 95 % bound."""

STARTS = 8
"""Places from which the maximum is sought."""

PROFILE_POINTS = 13
"""Values of a quantity at which its profile is worked out."""

STEP = 0.15
"""Of the second differences, as a share of the range: far wider than the interpolation ripples."""

FLAT_SHARE = 0.25
"""A combination whose standard deviation exceeds this share of the range is not told."""

NAMED = 0.35
"""A quantity takes part in a combination where its weight is at least this."""

LogLikelihood = Callable[[FloatArray], float]
"""Of shares (Q,) of the ranges."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """One fitted quantity.

    Attributes
    ----------
    quantity : Quantity
    value : float
    low, high : float or None
        95 % interval by profile likelihood; None where the likelihood does not
        fall far enough within the range.
    """

    quantity: Quantity
    value: float
    low: float | None
    high: float | None

    @property
    def told(self) -> bool:
        """Whether the data bound the quantity on both sides."""
        return self.low is not None and self.high is not None


@dataclass(frozen=True, slots=True)
class Ridge:
    """A combination of quantities that the data do not tell.

    Attributes
    ----------
    weights : tuple of (str, float)
        Quantities by their words and their weights, the greatest first.
    spread : float
        Its standard deviation as a share of the range.
    """

    weights: tuple[tuple[str, float], ...]
    spread: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a fit came to.

    Attributes
    ----------
    estimates : tuple of Estimate
    ridges : tuple of Ridge
        The combinations that the data do not tell.
    log_likelihood, start_log_likelihood : float
        At the maximum, and at the starting values.
    """

    estimates: tuple[Estimate, ...]
    ridges: tuple[Ridge, ...]
    log_likelihood: float
    start_log_likelihood: float

    @property
    def values(self) -> FloatArray:
        """The fitted values (Q,)."""
        return np.array([estimate.value for estimate in self.estimates])


def maximise(fitted: tuple[Quantity, ...], likelihood: LogLikelihood, seed: int) -> Calibration:
    """Find the most likely values, their intervals and the ridges."""
    count = len(fitted)
    begin = np.array([quantity.share(quantity.start) for quantity in fitted])
    starts = qmc.Sobol(count, scramble=True, rng=np.random.default_rng(seed)).random(STARTS)
    best, top = _climb(likelihood, [begin, *starts], {})
    estimates = tuple(_estimate(fitted[i], i, best, top, likelihood) for i in range(count))
    return Calibration(estimates, _ridges(fitted, best, likelihood), top, likelihood(begin))


def _climb(
    likelihood: LogLikelihood, starts: list[FloatArray], held: dict[int, float]
) -> tuple[FloatArray, float]:
    """Return the best place found from some starts, with some shares held, and its value."""
    best, top = starts[0], -np.inf
    for start in starts:
        bounds = [(held[i], held[i]) if i in held else (0.0, 1.0) for i in range(len(start))]
        place = np.clip(start, [low for low, _ in bounds], [high for _, high in bounds])
        found = minimize(lambda x: -likelihood(x), place, method="L-BFGS-B", bounds=bounds)
        if -found.fun > top:
            best, top = np.asarray(found.x), float(-found.fun)
    return best, top


def _estimate(
    quantity: Quantity, index: int, best: FloatArray, top: float, likelihood: LogLikelihood
) -> Estimate:
    ends = []
    for end in (0.0, 1.0):
        shares = np.linspace(best[index], end, PROFILE_POINTS)
        place, before, bound = best, 0.0, None
        for previous, share in itertools.pairwise(shares):
            place, value = _climb(likelihood, [place], {index: float(share)})
            drop = top - value
            if drop >= DROP:
                part = (DROP - before) / (drop - before)
                bound = float(quantity.at(np.array([previous + part * (share - previous)]))[0])
                break
            before = drop
        ends.append(bound)
    value = float(quantity.at(best[[index]])[0])
    return Estimate(quantity, value, ends[0], ends[1])


def _ridges(
    fitted: tuple[Quantity, ...], best: FloatArray, likelihood: LogLikelihood
) -> tuple[Ridge, ...]:
    # The curvature is taken inside the range, also where the maximum lies on its end.
    middle = np.clip(best, 2.0 * STEP, 1.0 - 2.0 * STEP)
    count = len(fitted)
    steps = STEP * np.eye(count)
    information = np.empty((count, count))
    for i in range(count):
        for j in range(i, count):
            corners = [
                sign * other * likelihood(middle + sign * steps[i] + other * steps[j])
                for sign in (1.0, -1.0)
                for other in (1.0, -1.0)
            ]
            information[i, j] = information[j, i] = -sum(corners) / (4.0 * STEP**2)
    curvature, axes = np.linalg.eigh(information)
    found = []
    for value, axis in zip(curvature, axes.T, strict=True):
        spread = float(1.0 / np.sqrt(value)) if value > 0.0 else np.inf
        if spread > FLAT_SHARE:
            sign = 1.0 if axis[np.argmax(np.abs(axis))] > 0.0 else -1.0
            weights = [(q.words, float(sign * w)) for q, w in zip(fitted, axis, strict=True)]
            named = [item for item in weights if abs(item[1]) >= NAMED]
            found.append(Ridge(tuple(sorted(named, key=lambda item: -abs(item[1]))), spread))
    return tuple(found)
