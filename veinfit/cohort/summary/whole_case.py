"""How many veins of a case are expected to be sealed, over the cases of a cohort.

As for one case: probabilities are multiplied draw by draw of the patient's unknowns, which
the veins of a case share, and only then averaged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from veinfit.cohort.clustered import clustered_sums, share
from veinfit.cohort.statistics import FloatArray, Interval
from veinfit.cohort.summary.data import Cohort, Size


@dataclass(frozen=True, slots=True)
class WholeCase:
    """What one choice of sizes is expected to come to in a case, in the mean.

    Attributes
    ----------
    choice : str
    tries : str
        ``one``, or ``several`` where later ones are steered; of each size in each vein.
    cases : int
        That have a vein of which all sizes were assessed.
    sealed : Interval
        Number of veins with an antral seal.
    veins : float
        Veins counted in a case.
    every : Interval
        Probability that all of them have one.
    """

    choice: str
    tries: str
    cases: int
    sealed: Interval
    veins: float
    every: Interval


def whole_cases(cohort: Cohort) -> Iterator[WholeCase]:
    """Yield every choice of sizes with one try, then with several; none without a margin."""
    for tries, name in (("one", "sealed"), ("several", "steered")):
        if any(name not in size.given for size in cohort.sizes):
            continue
        given = [_given(size, name) for size in cohort.sizes]
        known = np.all([np.isfinite(one).any(axis=1) for one in given], axis=0)
        for size, one in zip(cohort.sizes, given, strict=True):
            yield from _choice(cohort, size.balloon, tries, one, known)
        for first, second in pairwise(range(len(given))):
            small, large = cohort.sizes[first], cohort.sizes[second]
            both = 1.0 - (1.0 - given[first]) * (1.0 - given[second])
            choice = f"{small.balloon} and {large.balloon}"
            yield from _choice(cohort, choice, tries, both, known)
            if tries == "one" and "grown" in small.given:
                grown = small.given["grown"]
                # Without a nominal seat to grow from, that of the size itself.
                has_seat = np.asarray(np.isfinite(grown).any(axis=1))
                grown = np.where(has_seat[:, None], grown, given[first])
                choice = f"{small.balloon} grown to {large.balloon}"
                yield from _choice(cohort, choice, tries, grown, known)


def _given(size: Size, name: str) -> FloatArray:
    """Return the probability of each vein for each draw; 0 where the sheath cannot reach."""
    given = size.given[name].copy()
    given[(size.outcome == "cannot reach") & ~np.isfinite(given).any(axis=1)] = 0.0
    return given


def _choice(
    cohort: Cohort, choice: str, tries: str, given: FloatArray, known: np.ndarray
) -> Iterator[WholeCase]:
    cases = np.unique(cohort.case[known])
    if not len(cases):
        return
    sealed, every, veins = [], [], []
    for case in cases:
        own = given[known & (cohort.case == case)]
        sealed.append(float(np.nanmean(own, axis=1).sum()))
        draws = own[:, np.isfinite(own).all(axis=0)]
        product = draws.prod(axis=0) if draws.shape[1] else np.nanmean(own, axis=1).prod()
        every.append(float(np.mean(product)))
        veins.append(len(own))
    yield WholeCase(
        choice,
        tries,
        len(cases),
        _mean(sealed, cases),
        float(np.mean(veins)),
        _mean(every, cases),
    )


def _mean(values: list[float], cases: np.ndarray) -> Interval:
    parts = np.stack([np.array(values), np.ones(len(values))], axis=1)
    return clustered_sums(parts, share, cases)
