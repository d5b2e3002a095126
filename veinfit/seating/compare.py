"""Two balloons before one vein, side by side, in plain words.

It tells what each is predicted to do and how far they differ. What differs by no
more than the prediction can tell is called a tie. It compares and never instructs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from veinfit.frames import clock_words
from veinfit.seating.kinds import Approach
from veinfit.seating.model import Chance, Fit
from veinfit.seating.seal.arcs import OpenArc, open_arcs
from veinfit.seating.uncertainty.split import joint
from veinfit.settings import ComparisonSettings, SeatingSettings

Topic = Literal["seal", "margin", "both tries", "depth", "antral area", "neighbour"]

SAMPLING_BOUND = 1.959963984540054
"""Standard errors of sampling that the interval of a probability takes in: 95 %."""


@dataclass(frozen=True, slots=True)
class Remark:
    """One difference in words; ``tie`` where it is no more than the prediction can tell."""

    topic: Topic
    text: str
    tie: bool = False


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two balloons before one vein by one approach.

    Attributes
    ----------
    vein : str
    approach : str
    first, second : str
        Names of the balloons, the smaller one first.
    remarks : tuple of Remark
    neither_seals : bool or None
        None where the seal of one was not assessed.
    open_arcs : tuple of OpenArc
        Where neither seals: what of the circumference no contact of either reaches.
    """

    vein: str
    approach: Approach
    first: str
    second: str
    remarks: tuple[Remark, ...]
    neither_seals: bool | None
    open_arcs: tuple[OpenArc, ...]

    @property
    def summary(self) -> str:
        """The remark on the seal, and on the margin where there is one, in one line."""
        return " ".join(r.text for r in self.remarks if r.topic in ("seal", "margin"))


def comparisons(
    fits: Sequence[Fit], seating: SeatingSettings, settings: ComparisonSettings
) -> tuple[Comparison, ...]:
    """Compare every balloon with the next larger one before each vein by each approach."""
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
    remarks = [_seal(first, second, settings)]
    remarks += _margin(first, second)
    remarks += _depth(first, second)
    remarks += _antral_area(first, second)
    remarks += _neighbours(first, second)
    closes = _seals(first), _seals(second)
    neither = None if None in closes else not any(closes)
    arcs = open_arcs((first, second), seating.contact_tolerance_mm) if neither else ()
    return Comparison(
        first.vein, first.approach, first.balloon, second.balloon, tuple(remarks), neither, arcs
    )


def _seals(fit: Fit) -> bool | None:
    """Whether a balloon seals; one without a seat does not."""
    if fit.outcome in ("passes through", "cannot reach"):
        return False
    return fit.sealed


def _seal(first: Fit, second: Fit, settings: ComparisonSettings) -> Remark:
    told = [f"{fit.balloon} {_verdict(fit)}" for fit in (first, second)]
    text = f"{told[0]}; {told[1]}."
    widths = first.leak_width_mm, second.leak_width_mm
    if widths[0] is None or widths[1] is None:
        return Remark("seal", text)
    if first.sealed and second.sealed:
        return Remark("seal", f"Both seal: {first.balloon} and {second.balloon}.", True)
    if abs(widths[0] - widths[1]) >= settings.leak_tie_mm:
        return Remark("seal", text)
    if first.occluded == second.occluded and first.sealed != second.sealed:
        # The difference is not one of width but of where the contact freezes.
        return Remark("seal", text)
    why = f"the leak widths differ by less than {settings.leak_tie_mm:g} mm"
    return Remark("seal", f"{text[:-1]}: a tie, as {why}.", True)


def _verdict(fit: Fit) -> str:
    if fit.outcome in ("passes through", "cannot reach"):
        return fit.outcome
    if fit.sealed is None:
        return "was not assessed"
    width = f"{fit.leak_width_mm:.2f} mm" if fit.leak_width_mm is not None else "of unknown width"
    if fit.sealed:
        return f"seals (widest gap {width})"
    if fit.occluded:
        return f"occludes but does not seal (widest gap {width}, part of it off the freezing zone)"
    return f"has a leak {width} wide, {_place(fit.leak_side, fit.leak_clock_h)}"


def _place(side: str, clock_h: float | None) -> str:
    return side if clock_h is None else f"{side}, {clock_words(clock_h)}"


def _margin(first: Fit, second: Fit) -> Iterator[Remark]:
    if first.margin is None or second.margin is None:
        return
    chances = first.margin.antral, second.margin.antral
    bounds = [interval(chance) for chance in chances]
    told = " and ".join(
        f"{fit.balloon} {chance.probability:.2f} ({chance.low:.2f} to {chance.high:.2f})"
        for fit, chance in zip((first, second), chances, strict=True)
    )
    tie = max(low for low, _ in bounds) <= min(high for _, high in bounds)
    why = ": a tie, as the intervals overlap, sampling error included" if tie else ""
    yield Remark("margin", f"Predicted probability of an antral seal in one try: {told}{why}.", tie)
    parts = joint(*chances)
    if parts is not None:
        only_first, only_second, both, neither = parts
        yield Remark(
            "both tries",
            f"Of one try of each: {first.balloon} alone seals in {only_first:.2f}, "
            f"{second.balloon} alone in {only_second:.2f}, both in {both:.2f}, neither in "
            f"{neither:.2f}.",
        )


def interval(chance: Chance) -> tuple[float, float]:
    """Return bounds that carry the calibration and the sampling error together, 0 to 1."""
    sampling = SAMPLING_BOUND * chance.sampling_error
    low = chance.probability - math.hypot(chance.probability - chance.low, sampling)
    high = chance.probability + math.hypot(chance.high - chance.probability, sampling)
    return max(low, 0.0), min(high, 1.0)


def _depth(first: Fit, second: Fit) -> Iterator[Remark]:
    if first.depth_mm is None or second.depth_mm is None:
        return
    told = " and ".join(f"{fit.balloon} {_height(fit.depth_mm or 0.0)}" for fit in (first, second))
    way = second.depth_mm - first.depth_mm
    if abs(way) < 0.05:
        end = "at the same depth"
    else:
        end = f"the larger one {abs(way):.1f} mm {'deeper' if way > 0.0 else 'farther back'}"
    yield Remark("depth", f"Equator: {told}; {end}.")


def _height(depth_mm: float) -> str:
    side = "before" if depth_mm < 0.0 else "past"
    return f"{abs(depth_mm):.1f} mm {side} the ostial plane"


def _antral_area(first: Fit, second: Fit) -> Iterator[Remark]:
    small, large = first.antral_area_mm2, second.antral_area_mm2
    if small is None or large is None:
        return
    way = large - small
    end = f"the larger one {abs(way):.0f} mm² {'more' if way > 0.0 else 'less'}"
    if abs(way) < 0.5:
        end = "no difference"
    yield Remark(
        "antral area",
        f"Antral area: {first.balloon} {small:.0f} mm² and {second.balloon} {large:.0f} mm²; "
        f"{end}.",
    )


def _neighbours(first: Fit, second: Fit) -> Iterator[Remark]:
    for name, near in first.distances_mm.items():
        far = second.distances_mm.get(name)
        if far is None:
            continue
        way = far - near
        end = f"the larger one {abs(way):.1f} mm {'farther' if way > 0.0 else 'nearer'}"
        if abs(way) < 0.05:
            end = "no difference"
        yield Remark(
            "neighbour",
            f"Distance to {name.replace('_', ' ')}: {first.balloon} {near:.1f} mm and "
            f"{second.balloon} {far:.1f} mm; {end}.",
        )
