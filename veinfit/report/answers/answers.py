"""The first screenful: a line for each vein, those in doubt first.

It says what is predicted for each choice and how sure that is; it never says what to do.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from veinfit.report.answers.tables import Cell, cell, freeze_growth, sealed_once_grown
from veinfit.report.charts.aims import aim_words
from veinfit.report.charts.further import together_words
from veinfit.report.seating_words import difference_words
from veinfit.report.wording import (
    SPACE,
    Mark,
    column_title,
    leak_mm,
    leak_place,
    likelihood,
    mark,
    number,
    push_words,
    told_interval,
    why_missing,
)
from veinfit.seating.compare import Comparison
from veinfit.seating.kinds import DEFAULT_APPROACH
from veinfit.seating.model import Fit
from veinfit.settings import Settings

DECIDES: Mapping[str, str] = {
    "direction": "direction of the shaft",
    "shaft offset": "shaft off centre",
    "guide lean": "lean of the guide",
    "push and stiffness": "push against stiffness of the wall",
    "guide": "stiffness of the guide",
    "shaft": "stiffness of the shaft",
    "surface offset": "place of the wall in the image",
    "shape of the wall": "change of shape of the wall",
}
"""What may decide the probability, in words."""

TOGETHER = "together"
"""The share of the spread that no cause explains by itself."""

LEAST_SHARE = 0.2
"""A cause that explains less of the spread than this share is not told by itself."""

LEAST_TOLD = 0.005
"""A probability below this is written 0.00 and not told."""

WIDE_POINTS = ("Shaft direction", "Several seats", "Near, mm")
"""What needs a line of its own; two of the others stand beside each other."""

MOST_TOLD = 2
"""So many of the things that decide are told, the greatest first."""


@dataclass(frozen=True, slots=True)
class Chance:
    """One probability as it is shown: its word, its figure and its interval."""

    word: str
    value: Cell
    interval: str


@dataclass(frozen=True, slots=True)
class SizeAnswer:
    """What is predicted for one balloon before one vein.

    ``steered`` is the probability in up to three tries, ``grown`` that of a seal in one try or,
    where it leaks, once grown in place to ``grown_to``; None where it was not computed.
    """

    fit: Fit
    title: str
    sign: Mark
    one: Chance
    steered: Chance | None
    grown: Chance | None
    grown_to: str


@dataclass(frozen=True, slots=True)
class Answer:
    """One vein's line.

    Attributes
    ----------
    vein : str
    sizes : tuple of SizeAnswer
    by : str
        The approach that all of it is for, where the vein has fits by several; else empty.
    apart : str
        By how much their probabilities differ, with the interval of the difference.
    points : tuple of (str, str)
        What is told besides: a word for it, and a phrase.
    """

    vein: str
    sizes: tuple[SizeAnswer, ...]
    by: str
    apart: str
    points: tuple[tuple[str, str], ...]

    @property
    def greatest(self) -> float:
        """The greatest probability of one try; below zero where there is none."""
        found = [s.fit.seal_probability for s in self.sizes]
        return max((p for p in found if p is not None), default=-1.0)


def answer(
    vein: str, fits: Sequence[Fit], sides: Sequence[Comparison], settings: Settings
) -> Answer:
    """Return the line of one vein.

    Parameters
    ----------
    vein : str
    fits : sequence of Fit
        The vein's.
    sides : sequence of Comparison
        The vein's balloons side by side.
    settings : Settings
    """
    led = _led(fits)
    sizes = tuple(_size(fit, settings) for fit in led)
    beside = [side for side in sides if side.approach in {fit.approach for fit in led}]
    apart = " ".join(filter(None, map(difference_words, beside)))
    several = len({fit.approach for fit in fits}) > 1
    by = f"{led[0].approach.capitalize()} approach" if several else ""
    return Answer(vein, sizes, by, apart, tuple(_points(sizes, settings)))


def in_doubt_first(answers: Sequence[Answer]) -> tuple[Answer, ...]:
    """Return lines: first those without a likely size, then by their greatest probability."""

    def doubt(one: Answer) -> tuple[bool, float]:
        return any(size.one.word == "likely" for size in one.sizes), one.greatest

    return tuple(sorted(answers, key=doubt))


def _led(fits: Sequence[Fit]) -> list[Fit]:
    """Return the fits of the approach that leads: coaxial rows beside it are for reference."""
    led = [fit for fit in fits if fit.approach == DEFAULT_APPROACH]
    return led or list(fits)


def _size(fit: Fit, settings: Settings) -> SizeAnswer:
    steered = fit.steered_seal_probability
    grown, grown_to = _grown_chance(fit)
    return SizeAnswer(
        fit=fit,
        title=column_title(fit, with_approach=False),
        sign=mark(fit, settings.report),
        one=_chance(fit, "seal_probability", settings),
        steered=None if steered is None else _chance(fit, "steered_seal_probability", settings),
        grown=grown,
        grown_to=grown_to,
    )


def _chance(fit: Fit, field: str, settings: Settings) -> Chance:
    value: float | None = getattr(fit, field)
    bounds = getattr(fit, f"{field}_low"), getattr(fit, f"{field}_high")
    word = likelihood(value, settings.report, bounds)
    if not word:
        word = "no seat" if fit.outcome in ("passes through", "cannot reach") else "not assessed"
    interval = told_interval(value, settings.report, bounds)
    return Chance(word, cell(value, field, 2, why_missing(fit)), interval)


def _grown_chance(fit: Fit) -> tuple[Chance | None, str]:
    """Return the probability before growth in place or after it, and the last diameter.

    The case's expected number with growth is its sum over the veins.
    """
    either = None if fit.growth is None else fit.growth.either_probability
    if fit.growth is None or either is None:
        return None, ""
    last = fit.growth.steps[-1]
    # Without an interval there is no word for how likely it is.
    told = Chance("", cell(either, "", 2), "")
    return told, f"{number(last.diameter_mm, 0)}{SPACE}mm"


def _points(sizes: Sequence[SizeAnswer], settings: Settings) -> Iterator[tuple[str, str]]:
    told = (
        ("Nominal seat", _nominal(sizes)),
        ("Where tries leak", _weak(sizes)),
        ("Sealed but deep", _deep(sizes)),
        ("Push to seal", _push(sizes, settings)),
        ("Lost as freezing starts", _freezing(sizes)),
        ("Depends on", _decides(sizes)),
        ("Grown in place", _grown(sizes)),
        ("Shaft direction", _aim(sizes)),
        ("Several seats", together_words([size.fit for size in sizes])),
        ("Near, mm", _near(sizes)),
    )
    yield from ((label, text) for label, text in told if text)


def _nominal(sizes: Sequence[SizeAnswer]) -> str:
    """Say what the nominal seats are, and where they leak."""
    by_words: dict[str, list[str]] = {}
    for size in sizes:
        by_words.setdefault(_nominal_seat(size.fit), []).append(size.title)
    return "; ".join(f"{' and '.join(titles)} {words}" for words, titles in by_words.items())


def _nominal_seat(fit: Fit) -> str:
    if fit.outcome != "seated":
        return f"none: {why_missing(fit)}"
    if fit.occluded is None:
        return "not assessed"
    if not fit.occluded:
        if fit.leak_width_mm is None:
            return "leaks"
        return f"leaks {leak_place(fit)}, {leak_mm(fit.leak_width_mm)} wide"
    if fit.sealed is None:
        return "occluded, cold contact not assessed"
    if not fit.sealed:
        return "occluded, but not by cold contact alone"
    return "sealed, but deep" if fit.deep else "sealed"


def _weak(sizes: Sequence[SizeAnswer]) -> str:
    """Say where most tries that do not occlude leak."""
    by_side: dict[str, list[str]] = {}
    for size in sizes:
        if size.fit.tries_leak_side:
            by_side.setdefault(size.fit.tries_leak_side, []).append(size.title)
    told = (f"{' and '.join(titles)} mostly {side}" for side, titles in by_side.items())
    return ", ".join(told)


def _push(sizes: Sequence[SizeAnswer], settings: Settings) -> str:
    """Say how strong the least push is that seals."""
    if all(size.fit.push_to_seal_n is None for size in sizes):
        return ""
    told = []
    for size in sizes:
        value = size.fit.push_to_seal_n
        if value is None:
            told.append(f"{size.title} not at any push tried")
        else:
            word = push_words(value, settings.seating.greatest_push_n, settings.report)
            told.append(f"{size.title} {word} ({number(value, 2)}{SPACE}N)")
    return ", ".join(told)


def _decides(sizes: Sequence[SizeAnswer]) -> str:
    """Say what the spread of the leak hangs on, for the size with the greatest probability."""
    for size in sorted(sizes, key=lambda s: -(s.fit.seal_probability or 0.0)):
        if size.fit.margin is None:
            continue
        shares = sorted(size.fit.margin.variance_shares.items(), key=lambda item: -item[1])
        single = [(DECIDES.get(k, k), share) for k, share in shares if k != TOGETHER]
        told = [name for name, share in single[:MOST_TOLD] if share >= LEAST_SHARE]
        if told:
            return ", then ".join(told)
        if single and single[0][1] > 0.0:
            return f"many causes acting together; the largest single one is {single[0][0]}"
    return ""


def _aim(sizes: Sequence[SizeAnswer]) -> str:
    """Say from where each size seals; sizes of which the same is true are named together."""
    by_words: dict[str, list[str]] = {}
    for size in sizes:
        words = aim_words(size.fit.aims)
        if words:
            by_words.setdefault(words, []).append(size.title)
    return "; ".join(
        f"{' and '.join(titles)} {words.replace('seals', 'seal', 1) if titles[1:] else words}"
        for words, titles in by_words.items()
    )


def _deep(sizes: Sequence[SizeAnswer]) -> str:
    """Say in how many tries each size seals and lies deep."""
    tries = [
        f"{s.title} in {number(s.fit.deep_seal_probability, 2)}"
        for s in sizes
        if s.fit.deep_seal_probability is not None and s.fit.deep_seal_probability >= LEAST_TOLD
    ]
    if tries:
        return f"{', '.join(tries)} of tries"
    return "in no try" if any(s.fit.deep_seal_probability is not None for s in sizes) else ""


def _freezing(sizes: Sequence[SizeAnswer]) -> str:
    """Say in how many tries the seal is lost as freezing starts, and at which nominal seat."""
    tries = [
        f"{s.title} in {number(s.fit.freeze_loss_probability, 2)}"
        for s in sizes
        if s.fit.freeze_loss_probability is not None
    ]
    growth = freeze_growth([s.fit for s in sizes])
    by = f"grown by {growth}: " if growth else ""
    lost = [s.title for s in sizes if s.fit.sealed and sealed_once_grown(s.fit) is False]
    told = [f"{', '.join(tries)} of tries"] if tries else []
    told += [f"{' and '.join(lost)} at the nominal seat"] if lost else []
    return f"{by}{'; '.join(told)}" if told else ""


def _grown(sizes: Sequence[SizeAnswer]) -> str:
    """Say what becomes of a seat when its balloon grows to the next size where it lies."""
    told = []
    for size in sizes:
        growth = size.fit.growth
        if growth is None:
            continue
        last = growth.steps[-1]
        words = []
        if growth.lost_at_mm is not None:
            words.append(f"nominal seat leaks from {number(growth.lost_at_mm)}{SPACE}mm on")
        elif growth.gained_at_mm is not None:
            words.append(f"nominal seat sealed from {number(growth.gained_at_mm)}{SPACE}mm on")
        elif growth.seal_kept:
            words.append("nominal seat stays sealed")
        elif not growth.steps[0].sealed:
            words.append("nominal seat stays unsealed")
        if words and last.seal_probability is not None:
            words.append(f"{number(last.seal_probability, 2)} of tries antral at the end")
        if words:
            to = f"{size.title} to {number(last.diameter_mm, 0)}{SPACE}mm"
            told.append(f"{to}: {', '.join(words)}")
    return "; ".join(told)


def _near(sizes: Sequence[SizeAnswer]) -> str:
    """Say how near each structure is to the freezing zone of each size, and once it has grown."""
    names = dict.fromkeys(name for size in sizes for name in size.fit.distances_mm)
    told = []
    steps = [size.fit.growth.steps[-1] for size in sizes if size.fit.growth is not None]
    titles = [size.title for size in sizes]
    titles += [f"grown to {number(step.diameter_mm, 0)}{SPACE}mm" for step in steps]
    every = [size.fit.distances_mm for size in sizes] + [step.distances_mm for step in steps]
    for name in names:
        each = ", ".join(number(distances.get(name)) for distances in every)
        told.append(f"{name.replace('_', ' ')} {each}")
    return f"{', '.join(titles)}: {'; '.join(told)}" if told else ""
