"""What is told about a cohort: rates, splits, differences, leaks, what goes with a leak."""

from __future__ import annotations

from dataclasses import astuple, dataclass

from veinfit.cohort.statistics import Interval
from veinfit.cohort.summary.data import Cohort
from veinfit.cohort.summary.whole_case import WholeCase
from veinfit.report import practice as report_practice

PARTS = ("only smaller", "only larger", "both", "neither")

PRACTICE = dict(zip(PARTS, astuple(report_practice.PRACTICE), strict=True))
"""Veins that 28 mm alone, 31 mm alone, both and neither seal: common practice, no source.
The defaults of the seating are chosen with an eye on these figures, so that meeting them is
no evidence."""
PRACTICE_SIZES = (28.0, 31.0)

SPLIT_ORDER = ("sealed", "occluded")
"""What is told first of what the second size adds, and what after it: on page and terminal."""

HOURS = 12


@dataclass(frozen=True, slots=True)
class Rate:
    """How often one size occludes, or seals, one vein.

    Attributes
    ----------
    vein, balloon, verdict : str
        ``vein`` is ``all`` for all veins.
    number, count : int
        Veins assessed, and those occluded or sealed by the single seat.
    not_assessed, through, out_of_reach : int
        Veins about which nothing can be said; that the balloon passes through;
        that it cannot reach (these two count as neither).
    seat : Interval
        Share occluded or sealed by the single seat: Wilson, and for all veins clustered by case.
    expected : Interval
        Mean probability over tries, clustered by case; empty without a margin.
    """

    vein: str
    balloon: str
    verdict: str
    number: int
    count: int
    not_assessed: int
    through: int
    out_of_reach: int
    seat: Interval
    expected: Interval


@dataclass(frozen=True, slots=True)
class Split:
    """What two sizes occlude or seal between them, and what the second adds.

    Attributes
    ----------
    vein, smaller, larger, verdict : str
    number : int
        Veins in which both were assessed.
    basis : str
        ``tries``: for each draw of the patient the tries are independent,
        multiplied draw by draw, then averaged; ``product``: probabilities
        multiplied as if nothing were shared; ``single seat``: 0 or 1.
    parts : mapping of str to Interval
        Expected shares, clustered by case.
    gain : Interval
        What the larger adds to the smaller alone: the share of ``only larger``.
    counts : mapping of str to int
        Veins by their single seats.
    p : float or None
        Exact McNemar test of the single seats; None where no vein differs.
    """

    vein: str
    smaller: str
    larger: str
    verdict: str
    number: int
    basis: str
    parts: dict[str, Interval]
    counts: dict[str, int]
    p: float | None

    @property
    def gain(self) -> Interval:
        """What the larger adds to the smaller alone."""
        return self.parts["only larger"]


def split_words(split: Split) -> str:
    """Say what is shared: over tries an antral seal, by nominal seats one that may be deep.

    Parameters
    ----------
    split : Split

    Returns
    -------
    str
    """
    if split.basis == "single seat":
        return f"{split.verdict} by the nominal seat of each size"
    what = "with an antral seal" if split.verdict == "sealed" else split.verdict
    return f"{what} in one try of each size"


@dataclass(frozen=True, slots=True)
class Difference:
    """Paired difference, larger less smaller, where both are seated."""

    vein: str
    smaller: str
    larger: str
    measure: str
    number: int
    mean: Interval
    sd: float | None
    median: float | None


@dataclass(frozen=True, slots=True)
class LeakShare:
    """How many leaks of a size lie on a side; ``vein`` is ``all`` for all veins."""

    vein: str
    balloon: str
    side: str
    leaks: int
    of: int
    share: Interval


@dataclass(frozen=True, slots=True, eq=False)
class Rose:
    """Leaks of a size in one vein by the hour, 12 o'clock first."""

    vein: str
    balloon: str
    counts: tuple[int, ...]
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Predictor:
    """How an anatomical measure goes with a leak.

    Attributes
    ----------
    vein, balloon, measure : str
    leaking, occluded : int
        Veins.
    mean_leaking, mean_occluded : float
    effect : float or None
        Hedges' g, positive where leaking veins have the greater values.
    superiority : Interval
        Chance that a leaking vein has the greater value than an occluded one
        (area under the ROC curve), clustered by case; 0.5 says nothing.
    """

    vein: str
    balloon: str
    measure: str
    leaking: int
    occluded: int
    mean_leaking: float
    mean_occluded: float
    effect: float | None
    superiority: Interval


@dataclass(frozen=True, slots=True, eq=False)
class Summary:
    """All that is told about a cohort."""

    cohort: Cohort
    rates: tuple[Rate, ...]
    splits: tuple[Split, ...]
    differences: tuple[Difference, ...]
    leaks: tuple[LeakShare, ...]
    roses: tuple[Rose, ...]
    predictors: tuple[Predictor, ...]
    remarks: tuple[str, ...]
    whole: tuple[WholeCase, ...] = ()
