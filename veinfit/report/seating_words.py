"""Two balloons before one vein, side by side, in plain words.

It tells what each is predicted to do and how far they differ, and never instructs.
"""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.frames import clock_words
from veinfit.report.wording import SPACE, balloon_size, number
from veinfit.seating.compare import Comparison, Remark
from veinfit.seating.model import Fit
from veinfit.settings import ComparisonSettings


@dataclass(frozen=True, slots=True)
class Said:
    """One difference in words; ``tie`` where it is no more than the prediction can tell."""

    topic: str
    text: str
    tie: bool


@dataclass(frozen=True, slots=True)
class SideBySide:
    """Two balloons before one vein as they are told.

    ``neither`` says what stays open where neither nominal seat seals; else it is empty.
    """

    first: str
    second: str
    approach: str
    remarks: tuple[Said, ...]
    neither: str

    @property
    def summary(self) -> str:
        """What is said of the seal, and of the margin where there is one, in one line."""
        return " ".join(said.text for said in self.remarks if said.topic in ("seal", "margin"))


def in_words(found: Comparison, settings: ComparisonSettings) -> SideBySide:
    """Put a comparison into words.

    Parameters
    ----------
    found : Comparison
    settings : ComparisonSettings
        Whose thresholds the words state.

    Returns
    -------
    SideBySide
    """
    said = tuple(
        Said(remark.topic, _text(found, remark, settings), remark.tie) for remark in found.remarks
    )
    return SideBySide(found.first, found.second, found.approach, said, _neither(found))


def _neither(found: Comparison) -> str:
    """Say of two nominal seats that do not seal what both leave open."""
    if not found.neither_seals:
        return ""
    if found.open_arcs:
        return f"open with both: {'; '.join(arc.words for arc in found.open_arcs)}"
    if any(fit.clock for fit in found.fits):
        # Two seats may each touch where the other leaks, and so may contacts at two depths.
        return "no part of the circumference is open with both"
    return "neither was read around the clock"


def _text(found: Comparison, remark: Remark, settings: ComparisonSettings) -> str:
    first, second = found.fits
    match remark.topic:
        case "seal":
            return _seal(first, second, remark.tie, settings)
        case "margin":
            return _margin(found)
        case "both tries":
            return _both_tries(found)
        case "depth":
            return _depth(found)
        case "antral area":
            return _antral_area(found)
        case "neighbour":
            return _neighbour(first, second, remark.structure)


def _seal(first: Fit, second: Fit, tie: bool, settings: ComparisonSettings) -> str:
    if first.sealed and second.sealed:
        names = [f"{fit.balloon}{' (deep)' if fit.deep else ''}" for fit in (first, second)]
        return f"Both seal: {' and '.join(names)}."
    told = "; ".join(f"{fit.balloon} {_verdict(fit)}" for fit in (first, second))
    if not tie:
        return f"{told}."
    return f"{told}: a tie, as the leak widths differ by less than {settings.leak_tie_mm:g} mm."


def _verdict(fit: Fit) -> str:
    if fit.outcome in ("passes through", "cannot reach"):
        return fit.outcome
    if fit.sealed is None:
        return "was not assessed"
    width = f"{fit.leak_width_mm:.2f} mm" if fit.leak_width_mm is not None else "of unknown width"
    if fit.sealed:
        return f"seals{', but deep' if fit.deep else ''} (widest gap {width})"
    if fit.occluded:
        return f"occludes but does not seal (widest gap {width}, part of it off the freezing zone)"
    return f"has a leak {width} wide, {_place(fit.leak_side, fit.leak_clock_h)}"


def _place(side: str, clock_h: float | None) -> str:
    return side if clock_h is None else f"{side}, {clock_words(clock_h)}"


def _margin(found: Comparison) -> str:
    told = " and ".join(_chance(fit) for fit in found.fits)
    return (
        f"Predicted probability of an antral seal in one try: {told}. {difference_words(found)}"
    ).strip()


def difference_words(found: Comparison) -> str:
    """Say by how much two balloons differ in their probability, or that they tie.

    The larger probability is named; the interval is that of the difference, not of either.
    """
    apart = found.difference
    if apart is None:
        return ""
    first, second = (_probability(fit) for fit in found.fits)
    more, low, high = apart.probability, apart.low, apart.high
    names = [balloon_size(fit).replace(SPACE, " ") for fit in found.fits]
    name = names[1]
    if more < 0.0:
        more, low, high, name = -more, -high, -low, names[0]
    bounds = f"{number(low, 2)} to {number(high, 2)}"
    if found.tie:
        return f"A tie: {first} and {second}; difference {number(more, 2)} ({bounds})."
    doubt = ", which may be zero" if low <= 0.0 else ""
    return f"An antral seal is likelier with {name} by {number(more, 2)} ({bounds}){doubt}."


def _probability(fit: Fit) -> str:
    return number(None if fit.margin is None else fit.margin.antral.probability, 2)


def _chance(fit: Fit) -> str:
    assert fit.margin is not None
    chance = fit.margin.antral
    return f"{fit.balloon} {chance.probability:.2f} ({chance.low:.2f} to {chance.high:.2f})"


def _both_tries(found: Comparison) -> str:
    assert found.split is not None
    only_first, only_second, both, neither = found.split
    return (
        f"One try of each: an antral seal with {found.first} alone in {only_first:.2f}, with "
        f"{found.second} alone in {only_second:.2f}, with both in {both:.2f}, with neither in "
        f"{neither:.2f}."
    )


def _depth(found: Comparison) -> str:
    told = " and ".join(f"{fit.balloon} {_height(fit.depth_mm or 0.0)}" for fit in found.fits)
    more = found.depth_difference_mm or 0.0
    if abs(more) < 0.05:
        end = "at the same depth"
    else:
        end = f"the larger one {abs(more):.1f} mm {'deeper' if more > 0.0 else 'farther back'}"
    return f"Equator: {told}; {end}."


def _height(depth_mm: float) -> str:
    side = "before" if depth_mm < 0.0 else "past"
    return f"{abs(depth_mm):.1f} mm {side} the ostial plane"


def _antral_area(found: Comparison) -> str:
    told = " and ".join(f"{fit.balloon} {fit.antral_area_mm2 or 0.0:.0f} mm²" for fit in found.fits)
    more = found.antral_area_difference_mm2 or 0.0
    end = f"the larger one {abs(more):.0f} mm² {'more' if more > 0.0 else 'less'}"
    if abs(more) < 0.5:
        end = "no difference"
    return f"{told} of the antrum; {end}."


def _neighbour(first: Fit, second: Fit, name: str) -> str:
    near, far = first.distances_mm[name], second.distances_mm[name]
    change = far - near
    end = f"the larger one {abs(change):.1f} mm {'farther' if change > 0.0 else 'nearer'}"
    if abs(change) < 0.05:
        end = "no difference"
    return (
        f"Distance to {name.replace('_', ' ')}: {first.balloon} {near:.1f} mm and "
        f"{second.balloon} {far:.1f} mm; {end}."
    )
