"""Two balloons before one vein, side by side: where they differ, and what is no difference.

What differs by no more than the prediction can tell is called a tie. The words for it are the
report's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from veinfit.seating.kinds import Approach
from veinfit.seating.model import Fit
from veinfit.seating.seal.arcs import OpenArc, open_arcs
from veinfit.seating.uncertainty.split import Difference, difference, joint
from veinfit.settings import ComparisonSettings, SeatingSettings

NO_SEAT = ("passes through", "cannot reach")
"""Outcomes of a balloon that does not lie in the vein."""

Topic = Literal["seal", "margin", "both tries", "depth", "antral area", "neighbour"]


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing that can be told of both balloons.

    Attributes
    ----------
    topic : Topic
    tie : bool
        They differ by no more than the prediction can tell.
    structure : str
        Of a neighbour: its name; else empty.
    """

    topic: Topic
    tie: bool = False
    structure: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Two balloons before one vein by one approach.

    Attributes
    ----------
    fits : tuple of Fit
        The smaller balloon first.
    remarks : tuple of Remark
    split : tuple of float or None
        Of one antral try of each: probability that only the first seals, only the second, both,
        neither; None where tries of both were not assessed.
    difference : Difference or None
        By how much the larger one is likelier to give an antral seal in one try.
    neither_seals : bool or None
        None where the seal of one was not assessed.
    open_arcs : tuple of OpenArc
        Where neither seals: what of the circumference no contact of either reaches.
    """

    fits: tuple[Fit, Fit]
    remarks: tuple[Remark, ...]
    split: tuple[float, float, float, float] | None
    difference: Difference | None
    neither_seals: bool | None
    open_arcs: tuple[OpenArc, ...]

    @property
    def vein(self) -> str:
        """Return the vein's name."""
        return self.fits[0].vein

    @property
    def approach(self) -> Approach:
        """Return how both come to it."""
        return self.fits[0].approach

    @property
    def tie(self) -> bool | None:
        """Return whether the probabilities tie; None where they were not both computed."""
        return next((one.tie for one in self.remarks if one.topic == "margin"), None)

    @property
    def depth_difference_mm(self) -> float | None:
        """Depth of the larger one's equator less that of the smaller one's."""
        first, second = map(_seated_depth_mm, self.fits)
        return None if first is None or second is None else second - first

    @property
    def antral_area_difference_mm2(self) -> float | None:
        """Antral area of the larger one less that of the smaller one."""
        first, second = (fit.antral_area_mm2 for fit in self.fits)
        return None if first is None or second is None else second - first

    @property
    def first(self) -> str:
        """Name of the smaller balloon."""
        return self.fits[0].balloon

    @property
    def second(self) -> str:
        """Name of the larger one."""
        return self.fits[1].balloon


def comparisons(
    fits: Sequence[Fit], seating: SeatingSettings, settings: ComparisonSettings
) -> tuple[Comparison, ...]:
    """Compare every balloon with the next larger one before each vein by each approach.

    Parameters
    ----------
    fits : sequence of Fit
    seating : SeatingSettings
    settings : ComparisonSettings
        From which differences on one size is told to seal better.

    Returns
    -------
    tuple of Comparison
    """
    groups: dict[tuple[str, Approach], list[Fit]] = {}
    for fit in fits:
        groups.setdefault((fit.vein, fit.approach), []).append(fit)
    return tuple(
        compare(first, second, seating, settings)
        for group in groups.values()
        for first, second in pairwise(sorted(group, key=lambda fit: fit.balloon_mm))
    )


def compare(
    first: Fit, second: Fit, seating: SeatingSettings, settings: ComparisonSettings
) -> Comparison:
    """Compare two balloons of one vein and approach, the smaller one first."""
    closes = _seals(first), _seals(second)
    neither = None if None in closes else not any(closes)
    arcs = open_arcs((first, second), seating.contact_tolerance_mm) if neither else ()
    split, apart = None, None
    if first.margin is not None and second.margin is not None:
        chances = first.margin.antral, second.margin.antral
        split, apart = joint(*chances), difference(*chances)
    remarks = tuple(_remarks(first, second, split, apart, settings))
    return Comparison((first, second), remarks, split, apart, neither, arcs)


def _remarks(
    first: Fit,
    second: Fit,
    split: tuple[float, ...] | None,
    apart: Difference | None,
    settings: ComparisonSettings,
) -> Iterator[Remark]:
    yield Remark("seal", _seals_tie(first, second, settings))
    if first.margin is not None and second.margin is not None:
        yield Remark("margin", _chances_tie(apart, settings))
    if split is not None:
        yield Remark("both tries")
    if _seated_depth_mm(first) is not None and _seated_depth_mm(second) is not None:
        yield Remark("depth")
    if first.antral_area_mm2 is not None and second.antral_area_mm2 is not None:
        yield Remark("antral area")
    for name in first.distances_mm:
        if name in second.distances_mm:
            yield Remark("neighbour", structure=name)


def _seals(fit: Fit) -> bool | None:
    """Whether a balloon seals; one without a seat does not."""
    return False if fit.outcome in NO_SEAT else fit.sealed


def _seated_depth_mm(fit: Fit) -> float | None:
    """Depth of a seat; what cannot reach the vein rests somewhere too, but is none."""
    return None if fit.outcome in NO_SEAT else fit.depth_mm


def _seals_tie(first: Fit, second: Fit, settings: ComparisonSettings) -> bool:
    widths = first.leak_width_mm, second.leak_width_mm
    if widths[0] is None or widths[1] is None:
        return False
    if first.sealed and second.sealed:
        return True
    # The difference may be not one of width but of where the contact freezes.
    same_kind = first.occluded != second.occluded or first.sealed == second.sealed
    return same_kind and abs(widths[0] - widths[1]) < settings.leak_tie_mm


def _chances_tie(found: Difference | None, settings: ComparisonSettings) -> bool:
    """Whether two probabilities are near each other and their difference may be none at all."""
    if found is None:
        return False
    return abs(found.probability) < settings.probability_tie and found.low <= 0.0 <= found.high
