"""What two balloons can be expected to close between them, and how far they differ."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from veinfit.seating.kinds import Approach
from veinfit.seating.model import Chance, Fit

Closure = Literal["occluded", "sealed", "antral"]

INTERVAL = 0.975
"""Share of a law below the upper bound of its 95 % interval."""

NORMAL_BOUND = 1.959963984540054
"""Standard deviations that the 95 % interval of a normal law takes in."""


@dataclass(frozen=True, slots=True)
class ExpectedSplit:
    """Probabilities that one try of each of two balloons closes a vein; they sum to 1.

    For a given patient the tries of two balloons are independent, so the
    probabilities of both are multiplied patient by patient and only then averaged
    over the patient's unknowns, which the two share.

    Attributes
    ----------
    vein : str
    approach : str
    closure : {'occluded', 'sealed', 'antral'}
    first, second : str
        Names of the balloons, the smaller one first.
    only_first, only_second, both, neither : float
    """

    vein: str
    approach: Approach
    closure: Closure
    first: str
    second: str
    only_first: float
    only_second: float
    both: float
    neither: float


def joint(first: Chance, second: Chance) -> tuple[float, float, float, float] | None:
    """Probabilities of only the first, only the second, both, neither.

    None where no draw of the patient's unknowns has assessed tries of both.
    """
    a, b = np.array(first.given_patient), np.array(second.given_patient)
    known = np.isfinite(a) & np.isfinite(b)
    if not known.any():
        return None
    a, b = a[known], b[known]
    only_first, only_second, both, neither = (
        float(p.mean()) for p in (a * (1.0 - b), (1.0 - a) * b, a * b, (1.0 - a) * (1.0 - b))
    )
    return only_first, only_second, both, neither


@dataclass(frozen=True, slots=True)
class Difference:
    """By how much one balloon is likelier to close a vein than another.

    Attributes
    ----------
    probability : float
        The second one's probability less the first one's.
    low, high : float
        95 % bounds, which carry the sampling error and the uncertainty of the calibration.
    """

    probability: float
    low: float
    high: float


def difference(first: Chance, second: Chance) -> Difference | None:
    """Compare two balloons draw by draw of the patient's unknowns, which both share.

    What moves both alike, of the patient or of the calibration, is no difference between them.

    Returns
    -------
    Difference or None
        None where fewer than two draws have assessed tries of both.

    References
    ----------
    .. [1] Student, The probable error of a mean, Biometrika 1908;6:1-25 (paired comparison).
    """
    each = np.array(second.given_patient) - np.array(first.given_patient)
    each = each[np.isfinite(each)]
    if len(each) < 2:
        return None
    mean = float(each.mean())
    sampling = float(stdtrit(len(each) - 1, INTERVAL)) * float(each.std(ddof=1))
    names = first.sensitivities.keys() | second.sensitivities.keys()
    apart = [second.sensitivities.get(n, 0.0) - first.sensitivities.get(n, 0.0) for n in names]
    reach = math.hypot(sampling / math.sqrt(len(each)), NORMAL_BOUND * math.hypot(*apart))
    return Difference(mean, max(mean - reach, -1.0), min(mean + reach, 1.0))


def expected_splits(fits: Sequence[Fit]) -> Iterator[ExpectedSplit]:
    """Yield the split of every two balloons before one vein by one approach.

    Parameters
    ----------
    fits : sequence of Fit

    Yields
    ------
    ExpectedSplit
    """
    groups: dict[tuple[str, Approach], list[Fit]] = {}
    for fit in fits:
        groups.setdefault((fit.vein, fit.approach), []).append(fit)
    for (vein, approach), group in groups.items():
        for pair in combinations(sorted(group, key=lambda fit: fit.balloon_mm), 2):
            first, second = (fit.margin for fit in pair)
            if first is None or second is None:
                continue
            closures: tuple[Closure, ...] = ("occluded", "sealed", "antral")
            for closure in closures:
                parts = joint(getattr(first, closure), getattr(second, closure))
                if parts is not None:
                    names = pair[0].balloon, pair[1].balloon
                    yield ExpectedSplit(vein, approach, closure, *names, *parts)
