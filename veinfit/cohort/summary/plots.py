"""The plots of a cohort's summary: told apart by marker and hatch, not by colour alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from textwrap import wrap

import numpy as np

from veinfit.cohort.statistics import Interval
from veinfit.cohort.summary.model import (
    HOURS,
    PARTS,
    PRACTICE,
    PRACTICE_SIZES,
    Difference,
    Predictor,
    Rate,
    Rose,
    Split,
    Summary,
)
from veinfit.report.charts.charts import SERIES
from veinfit.report.colours import INK, MUTED
from veinfit.report.page.study_page import Figure, number, picture, plot, with_span
from veinfit.result.columns import column, names

MARKERS = ("o", "s", "^", "D")
PART_FILLS = (
    ("#0d5563", ""), ("#d9632a", "//"), ("#8fb8d9", ".."), ("#e6e6e6", ""),
)  # fmt: skip
"""Colour and hatch of only smaller, only larger, both, neither."""
LABEL_LETTERS = 26
"""A label below a narrow plot is broken after so many."""
ROSES_A_ROW = 4
RINGS_TOLD_DEG = 45.0
"""The rings' counts stand half way between two hours, with the word beside the outermost."""
QUARTERS = {
    "L": {0: "superior", 3: "anterior", 6: "inferior", 9: "posterior"},
    "R": {0: "superior", 3: "posterior", 6: "inferior", 9: "anterior"},
}
"""What the quarters of the clock are called on left and right veins."""

RIDGE = "ridge_mm"
"""The narrowest ridge beside a vein: no column of a table."""


def title(measure: str) -> str:
    """Return a measure's name as the page shows it, of a fit or of a vein."""
    if measure == RIDGE:
        return f"Narrowest {column('ridges', 'width_mm').heading().lower()}"
    table = "fits" if measure in names("fits") or measure.startswith("distance_") else "veins"
    return column(table, measure).heading(measure)


def mean_digits(measure: str) -> int:
    """Return the decimals of a measure's mean: one more than a single value has, two at most."""
    if measure == RIDGE:
        return 2
    table = "fits" if measure in names("fits") or measure.startswith("distance_") else "veins"
    return min((column(table, measure).shown_digits or 0) + 1, 2)


def _colour(index: int) -> str:
    return SERIES[index % len(SERIES)][0]


def _points(
    axes: object, places: Sequence[float], found: Sequence[Interval], index: int, label: str
) -> None:
    """Draw values with their intervals, sideways."""
    y = np.array(places)
    x = np.array([math.nan if i.value is None else i.value for i in found])
    low = np.array([v if i.low is None else i.low for v, i in zip(x, found, strict=True)])
    high = np.array([v if i.high is None else i.high for v, i in zip(x, found, strict=True)])
    axes.errorbar(  # type: ignore[attr-defined]
        x, y, xerr=np.maximum([x - low, high - x], 0.0), fmt=MARKERS[index % len(MARKERS)],
        color=_colour(index), capsize=3, label=label,
    )  # fmt: skip


def verdict_plot(summary: Summary, verdict: str) -> Figure:
    """Draw how often each size occludes or seals each vein."""
    rates = [r for r in summary.rates if r.verdict == verdict]
    told = any(r.expected.value is not None for r in rates)
    # A vein without a value has a row in the table, and none here.
    rates = [r for r in rates if _rate(r, told).value is not None]
    veins = list(dict.fromkeys(r.vein for r in rates))
    with plot(8.0, 1.2 + 0.45 * len(veins)) as (drawing, axes):
        for k, size in enumerate(summary.cohort.sizes):
            mine = [r for r in rates if r.balloon == size.balloon]
            places = [veins.index(r.vein) + 0.18 * (k - 0.5) for r in mine]
            _points(axes, places, [_rate(r, told) for r in mine], k, size.balloon)
        axes.set_yticks(range(len(veins)), veins)
        axes.set(xlim=(0, 1), ylim=(len(veins) - 0.5, -0.5))
        axes.set_xlabel(
            f"mean probability that one try leaves the vein {verdict}" if told
            else f"share of veins {verdict} by the nominal seat"
        )  # fmt: skip
        axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5))
        source = picture(drawing)
    words = "; ".join(f"{r.vein} {r.balloon} {number(_rate(r, told).value)}" for r in rates)
    basis = "mean over veins of the probability over tries" if told else "single seats"
    return Figure(
        f"Veins {verdict}", source, f"{verdict.capitalize()}: {basis}, with 95 % intervals.", words
    )


def _rate(rate: Rate, told: bool) -> Interval:
    return rate.expected if told else rate.seat


def split_plot(summary: Summary, verdict: str) -> Figure | None:
    """Draw what two sizes do between them, vein by vein, beside the figures of practice."""
    splits = [s for s in summary.splits if s.verdict == verdict and s.number]
    if not splits:
        return None
    pairs = list(dict.fromkeys((s.smaller, s.larger) for s in splits))
    rows = [
        (f"{s.vein} ({s.number})" if len(pairs) == 1 else f"{s.vein} {s.smaller}/{s.larger}", s)
        for s in splits
    ]
    practice = verdict == "sealed" and has_practice_sizes(summary)
    labels = [name for name, _ in rows] + (["common practice"] if practice else [])
    with plot(8.6, 1.4 + 0.42 * len(labels)) as (drawing, axes):
        left = np.zeros(len(labels))
        for part, (colour, hatch) in zip(PARTS, PART_FILLS, strict=True):
            shares = [s.parts[part].value or 0.0 for _, s in rows]
            shares += [PRACTICE[part]] if practice else []
            axes.barh(
                range(len(labels)), shares, left=left, color=colour, hatch=hatch,
                edgecolor=INK, linewidth=0.6, label=_part_words(part, pairs),
            )  # fmt: skip
            for y, (start, width) in enumerate(zip(left, shares, strict=True)):
                if width > 0.07:
                    white = colour == PART_FILLS[0][0]
                    axes.text(
                        start + width / 2, y, f"{width:.2f}", ha="center", va="center",
                        color="white" if white else INK,
                        bbox=None if white else {"facecolor": "white", "alpha": 0.75,
                                                 "linewidth": 0, "pad": 1.0},
                    )  # fmt: skip
            left = left + np.array(shares)
        axes.set_yticks(range(len(labels)), labels)
        axes.set(xlim=(0, 1), ylim=(len(labels) - 0.5, -0.5), xlabel="expected share of veins")
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, fontsize=9.5)
        source = picture(drawing)
    words = "; ".join(
        f"{name}: " + ", ".join(f"{part} {number(s.parts[part].value)}" for part in PARTS)
        for name, s in rows
    )
    caption = (
        f"{verdict.capitalize()}: expected over tries, then over veins; the number of veins in "
        "brackets."
    )
    if practice:
        caption += (
            " The figures of common practice have no source; the defaults of the model are chosen "
            "to come near them, so that meeting them is no evidence."
        )
    return Figure(f"Which size leaves a vein {verdict}", source, caption, words)


def has_practice_sizes(summary: Summary) -> bool:
    """Tell whether the sizes are those that the figures of common practice are about."""
    sizes = tuple(size.diameter_mm for size in summary.cohort.sizes)
    return sizes == PRACTICE_SIZES


def _part_words(part: str, pairs: Sequence[tuple[str, str]]) -> str:
    if len(pairs) > 1:
        return part
    return part.replace("smaller", pairs[0][0]).replace("larger", pairs[0][1])


def difference_plot(summary: Summary) -> Figure | None:
    """Draw the paired differences of two sizes."""
    found = summary.differences
    pair = next(iter(dict.fromkeys((d.smaller, d.larger) for d in found)), None)
    if pair is None:
        return None
    mine = [d for d in found if (d.smaller, d.larger) == pair]
    measures = [m for m in dict.fromkeys(d.measure for d in mine) if m != "contact_area_mm2"]
    veins = list(dict.fromkeys(d.vein for d in mine))
    with plot(3.1 * len(measures) + 0.6, 1.3 + 0.4 * len(veins), len(measures), sharey=True,
              squeeze=False) as (drawing, grid):  # fmt: skip
        for axes, measure in zip(grid[0], measures, strict=True):
            of = {d.vein: d for d in mine if d.measure == measure}
            axes.axvline(0.0, color=MUTED, linewidth=1)
            places = [float(veins.index(v)) for v in of]
            _points(axes, places, [d.mean for d in of.values()], 0, "")
            axes.set_xlabel("\n".join(wrap(title(measure), LABEL_LETTERS)))
            axes.set_ylim(len(veins) - 0.5, -0.5)
        grid[0][0].set_yticks(range(len(veins)), veins)
        source = picture(drawing)
    return Figure(
        f"{pair[1]} less {pair[0]}",
        source,
        f"Mean difference, {pair[1]} less {pair[0]}, in veins where both are seated, with 95 % "
        "intervals clustered by case. Less depth is farther back toward the atrium.",
        "; ".join(_difference_words(d) for d in mine if d.vein == "all"),
    )


def _difference_words(d: Difference) -> str:
    digits = mean_digits(d.measure)
    return f"{title(d.measure)}: {with_span(d.mean.value, d.mean.low, d.mean.high, digits)}"


def rose_plot(roses: Sequence[Rose]) -> Figure | None:
    """Draw the leaks of each vein by the hour, seen from the atrium."""
    veins = [v for v in dict.fromkeys(r.vein for r in roses)
             if sum(sum(r.counts) for r in roses if r.vein == v) > 0]  # fmt: skip
    if not veins:
        return None
    rows = math.ceil(len(veins) / ROSES_A_ROW)
    columns = min(len(veins), ROSES_A_ROW)
    # One scale for all: else a single leak in one vein is as long as ten in another.
    top = max(max(rose.counts) for rose in roses)
    rings = np.unique(np.ceil(np.linspace(0, top, 4)[1:])).astype(int)
    with plot(3.1 * columns, 3.5 * rows + 0.3, 0) as (drawing, _):
        for k, vein in enumerate(veins):
            axes = drawing.add_subplot(rows, columns, k + 1, projection="polar")
            axes.set_theta_zero_location("N")
            axes.set_theta_direction(-1)
            mine = [r for r in roses if r.vein == vein]
            width = 2 * math.pi / HOURS / max(len(mine), 1) * 0.9
            for j, rose in enumerate(mine):
                at = 2 * math.pi * np.arange(HOURS) / HOURS + (j - (len(mine) - 1) / 2) * width
                hatch = PART_FILLS[1][1] if j else ""
                axes.bar(at, rose.counts, width=width, color=_colour(j), hatch=hatch,
                         edgecolor="white", linewidth=0.4, label=rose.balloon)  # fmt: skip
            words = QUARTERS.get(vein[0], {})
            names = [f"{h or 12}" + (f"\n{words[h]}" if h in words else "") for h in range(HOURS)]
            axes.set_xticks(2 * math.pi * np.arange(HOURS) / HOURS, names, fontsize=8.5)
            axes.set_title(f"{vein} ({_leaks(sum(sum(r.counts) for r in mine))})", fontsize=11)
            axes.set_ylim(0, 1.05 * top)
            axes.set_yticks(rings, [_leaks(n) if n == top else str(n) for n in rings.tolist()])
            axes.set_rlabel_position(RINGS_TOLD_DEG)
            axes.tick_params(axis="y", labelsize=8)
            axes.tick_params(axis="x", pad=7)
        handles, names = drawing.axes[0].get_legend_handles_labels()
        drawing.legend(handles, names, loc="outside lower center", ncols=len(names))
        source = picture(drawing)
    return Figure(
        "Where leaks are",
        source,
        "Leaks by the hour of the clock, looking from the atrium into the vein; 12 is cranial. "
        "Rings count leaks, alike in every vein. The same hour means another side in another vein, "
        "so veins are added up in words only.",
        "; ".join(f"{r.vein} {r.balloon}: " + ", ".join(f"{n} at {h or 12} o'clock"
                  for h, n in enumerate(r.counts) if n) for r in roses),
    )  # fmt: skip


def _leaks(count: int) -> str:
    return f"{count} leak{'' if count == 1 else 's'}"


def predictor_plot(predictors: Sequence[Predictor]) -> Figure | None:
    """Draw how anatomical measures go with a leak, over all veins."""
    mine = [p for p in predictors if p.vein == "all"]
    if not mine:
        return None
    measures = list(dict.fromkeys(p.measure for p in mine))
    sizes = list(dict.fromkeys(p.balloon for p in mine))
    with plot(8.6, 1.2 + 0.5 * len(measures)) as (drawing, axes):
        axes.axvline(0.5, color=MUTED, linewidth=1)
        for k, balloon in enumerate(sizes):
            of = [p for p in mine if p.balloon == balloon]
            places = [measures.index(p.measure) + 0.2 * (k - (len(sizes) - 1) / 2) for p in of]
            _points(axes, places, [p.superiority for p in of], k, balloon)
        axes.set_yticks(range(len(measures)), [title(m) for m in measures])
        axes.set(xlim=(0, 1), ylim=(len(measures) - 0.5, -0.5))
        axes.set_xlabel("chance that a leaking vein has the greater value than an occluded one")
        axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5))
        source = picture(drawing)
    return Figure(
        "What correlates with a leak",
        source,
        "0.5: the measure tells nothing; above, leaking veins have the greater values. 95 % "
        "intervals, clustered by case, one measure at a time.",
        "; ".join(f"{title(p.measure)}, {p.balloon}: {number(p.superiority.value)}" for p in mine),
    )


def gain_words(split: Split) -> str:
    """Say in a sentence what the larger size adds."""
    gain = split.gain
    added = with_span(gain.value, gain.low, gain.high)
    return f"{split.vein}: {split.larger} adds {added} to {split.smaller} alone"
