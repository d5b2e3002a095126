"""Truncated distributions of single measures, with the mean and SD that were published.

A series tells mean, SD and range of what it saw. Cutting a normal distribution with this
mean and SD at this range would change both, so the distribution's own parameters are
solved for: what is drawn has the published mean and SD.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.optimize import root
from scipy.special import ndtr, ndtri

KINDS = ("normal", "lognormal")
"""Kinds there are; the shape of most published distributions is not told."""

SOLVED_SHARE = 1e-6
"""Mean and SD are met within this share of the SD."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a figure comes from; ``published`` is False for a convention or a recalled value."""

    name: str
    text: str
    published: bool


@dataclass(frozen=True)
class TruncatedDistribution:
    """How one measure is distributed.

    Attributes
    ----------
    kind : {'normal', 'lognormal'}
    mean, sd, low, high : float
        Of what is drawn; nothing is drawn outside ``low`` to ``high``.
    source, sd_source : Source
        Of the mean and the range, and of the SD.
    """

    kind: str
    mean: float
    sd: float
    low: float
    high: float
    source: Source
    sd_source: Source

    @cached_property
    def parameters(self) -> tuple[float, float]:
        """Location and scale before the range cuts it off; of the logarithm if lognormal.

        Raises
        ------
        ValueError
            No distribution of this kind has this mean and SD within this range.
        """
        return _solved(self.kind, self.mean, self.sd, self.low, self.high)

    def quantile(self, share: float) -> float:
        """Value below which ``share`` (0 to 1) of what is drawn lies."""
        mu, sigma = self.parameters
        low, high = _scaled(self.kind, self.low, self.high)
        below, above = ndtr((low - mu) / sigma), ndtr((high - mu) / sigma)
        x = mu + sigma * float(ndtri(below + share * (above - below)))
        x = math.exp(x) if self.kind == "lognormal" else x
        return float(np.clip(x, self.low, self.high))


def _scaled(kind: str, low: float, high: float) -> tuple[float, float]:
    return (math.log(low), math.log(high)) if kind == "lognormal" else (low, high)


def _moments(kind: str, mu: float, sigma: float, low: float, high: float) -> tuple[float, float]:
    """Mean and SD of a normal or lognormal distribution cut off at ``low`` and ``high``.

    Closed forms: Johnson, Kotz, Balakrishnan, Continuous Univariate Distributions,
    vol. 1, 1994, sections 13.10 and 14 (from memory); checked by quadrature in the tests.
    """
    a, b = ((x - mu) / sigma for x in _scaled(kind, low, high))
    inside = ndtr(b) - ndtr(a)
    if kind == "lognormal":
        first, second = (
            math.exp(k * mu + 0.5 * (k * sigma) ** 2) * (ndtr(b - k * sigma) - ndtr(a - k * sigma))
            for k in (1, 2)
        )
        mean = first / inside
        variance = second / inside - mean**2
    else:
        pa, pb = (math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi) for x in (a, b))
        shift = (pa - pb) / inside
        mean = mu + sigma * shift
        variance = sigma**2 * (1.0 + (a * pa - b * pb) / inside - shift**2)
    return float(mean), math.sqrt(max(float(variance), 0.0))


@lru_cache(maxsize=256)
def _solved(kind: str, mean: float, sd: float, low: float, high: float) -> tuple[float, float]:
    if kind == "lognormal":
        spread = math.log(1.0 + (sd / mean) ** 2)
        start = (math.log(mean) - 0.5 * spread, 0.5 * math.log(spread))
    else:
        start = (mean, math.log(sd))

    def misses(x: np.ndarray) -> list[float]:
        found = _moments(kind, float(x[0]), math.exp(float(x[1])), low, high)
        return [(found[0] - mean) / sd, (found[1] - sd) / sd]

    with np.errstate(all="ignore"):
        try:
            answer = root(misses, start, tol=1e-10)
            met = bool(np.abs(misses(answer.x)).max() < SOLVED_SHARE)
        except (OverflowError, ZeroDivisionError, ValueError):
            met = False
    if not met:
        raise ValueError(
            f"no {kind} distribution from {low:g} to {high:g} has mean {mean:g} and SD {sd:g}"
        )
    return float(answer.x[0]), math.exp(float(answer.x[1]))
