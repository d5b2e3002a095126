"""Sums of growth in place over the veins of many atria, beside what practice tells."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.io.cells import csv_text
from veinfit.validation.practice import COMMON_PRACTICE, RESAMPLINGS
from veinfit.validation.practice_growth import MORE_PUSH, GrowthOutcome
from veinfit.vein_names import USUAL_VEINS

Sum = Callable[[Sequence[GrowthOutcome]], float]


@dataclass(frozen=True, slots=True)
class _Quantity:
    name: str
    meaning: str
    practice: str
    of: Sum


def _mean(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.mean(known)) if known else math.nan


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 0 else math.nan


def _positive(values: Sequence[float]) -> float:
    return _mean([float(value > 0.0) for value in values if math.isfinite(value)])


def _kept(rows: Sequence[GrowthOutcome], name: str) -> float:
    return _ratio(sum(getattr(one, name) for one in rows), sum(one.sealed_tries for one in rows))


def _phrenic(rows: Sequence[GrowthOutcome]) -> list[float]:
    """Return the changes in right superior veins, beside which the nerve runs."""
    return [one.phrenic_mm for one in rows if one.vein == "RSPV"]


def _gained(rows: Sequence[GrowthOutcome]) -> float:
    return _ratio(sum(one.gained_tries for one in rows), sum(one.open_tries for one in rows))


QUANTITIES = (
    _Quantity(
        "comes_back",
        "share of veins in which the nominal balloon comes back out of the vein",
        "97 %",
        lambda rows: _positive([one.back_mm for one in rows]),
    ),
    _Quantity(
        "back_mm",
        "how far its equator comes back, mean, mm",
        "the seat is farther back",
        lambda rows: _mean([one.back_mm for one in rows]),
    ),
    _Quantity(
        "nominal_sealed",
        "share of nominal seats that seal with 28 mm",
        "",
        lambda rows: _mean([float(one.sealed) for one in rows if one.sealed is not None]),
    ),
    _Quantity(
        "nominal_kept",
        "of those, share that seals at every diameter up to 31 mm",
        "usually kept",
        lambda rows: _mean([float(one.kept) for one in rows if one.kept is not None]),
    ),
    _Quantity(
        "nominal_gained",
        "of nominal seats without a seal, share that gains one",
        "",
        lambda rows: _mean([float(one.gained) for one in rows if one.gained is not None]),
    ),
    _Quantity(
        "kept",
        "of tries that seal with 28 mm, share that seals at 31 mm",
        "usually kept",
        lambda rows: _kept(rows, "kept_tries"),
    ),
    _Quantity(
        "lost",
        "of tries that seal with 28 mm, share that does not at 31 mm",
        "",
        lambda rows: 1.0 - _kept(rows, "kept_tries"),
    ),
    _Quantity(
        "kept_more_push",
        f"of tries that seal with 28 mm, share that seals at 31 mm with {MORE_PUSH:g} times the "
        "push",
        "usually kept",
        lambda rows: _kept(rows, "kept_more_push"),
    ),
    _Quantity(
        "kept_greatest_push",
        "the same with the greatest push of that try",
        "usually kept",
        lambda rows: _kept(rows, "kept_greatest_push"),
    ),
    _Quantity(
        "gained",
        "of tries without an antral seal with 28 mm, share that has one at 31 mm",
        "",
        _gained,
    ),
    _Quantity(
        "one_try",
        "probability of an antral seal with one try of 28 mm, mean over veins",
        "",
        lambda rows: _mean([one.one_try for one in rows]),
    ),
    _Quantity(
        "growth_adds",
        "what growth adds to it, mean over veins",
        "the left inferior vein gains most",
        lambda rows: _mean([one.grown - one.one_try for one in rows]),
    ),
    _Quantity(
        "antral_area_mm2",
        "change of the nominal antral area, mean, mm2",
        "the antrum is larger",
        lambda rows: _mean([one.area_mm2 for one in rows]),
    ),
    _Quantity(
        "antral_area_larger",
        "share of veins in which it is larger",
        "",
        lambda rows: _positive([one.area_mm2 for one in rows]),
    ),
    _Quantity(
        "phrenic_mm",
        "change of the distance from the RSPV's balloon to the right phrenic course, mean, mm",
        "farther",
        lambda rows: _mean(_phrenic(rows)),
    ),
    _Quantity(
        "phrenic_farther",
        "share of right superior veins in which it is farther",
        "",
        lambda rows: _positive(_phrenic(rows)),
    ),
)
"""What is told of growth, beside what practice tells."""

COLUMNS = (
    "vein", "quantity", "meaning", "atria", "veins", "value", "value_low", "value_high",
    "practice", "source",
)  # fmt: skip
"""Of ``growth_practice.csv``: a row a vein's name, ``all`` first, and quantity."""


@dataclass(frozen=True, slots=True)
class GrowthRow:
    """One quantity of one vein's name, or of all veins, with its 95 % interval."""

    vein: str
    quantity: str
    meaning: str
    atria: int
    veins: int
    value: float
    low: float
    high: float
    practice: str


def growth_rows(outcomes: Sequence[GrowthOutcome], seed: int = 1) -> list[GrowthRow]:
    """Sum growth up over all veins and by name; atria are drawn again for the intervals.

    Parameters
    ----------
    outcomes : sequence of GrowthOutcome
    seed : int
        Of the draws.

    Returns
    -------
    list of GrowthRow
    """
    names = ["all", *sorted({one.vein for one in outcomes}, key=_order)]
    cases = list(dict.fromkeys(one.case for one in outcomes))
    rng = np.random.default_rng(seed)
    draws = rng.integers(0, max(len(cases), 1), (RESAMPLINGS, len(cases)))
    found = []
    for name in names:
        own = [one for one in outcomes if name in ("all", one.vein)]
        by_case = [[one for one in own if one.case == case] for case in cases]
        again = [[one for k in chosen for one in by_case[k]] for chosen in draws]
        for quantity in QUANTITIES:
            value = quantity.of(own)
            if not math.isfinite(value):
                continue
            drawn = np.array([quantity.of(rows) for rows in again])
            drawn = drawn[np.isfinite(drawn)]
            low, high = np.quantile(drawn, (0.025, 0.975))
            found.append(
                GrowthRow(
                    name,
                    quantity.name,
                    quantity.meaning,
                    len({one.case for one in own}),
                    len(own),
                    value,
                    float(low),
                    float(high),
                    quantity.practice,
                )
            )
    return found


def _order(vein: str) -> tuple[int, str]:
    return (USUAL_VEINS.index(vein) if vein in USUAL_VEINS else len(USUAL_VEINS), vein)


def growth_csv(rows: Sequence[GrowthRow]) -> str:
    """Return the sums as CSV.

    Parameters
    ----------
    rows : sequence of GrowthRow

    Returns
    -------
    str
    """
    lines = []
    for one in rows:
        figures = (f"{value:.4f}" for value in (one.value, one.low, one.high))
        source = COMMON_PRACTICE if one.practice else ""
        head = (one.vein, one.quantity, one.meaning, one.atria, one.veins)
        lines.append((*head, *figures, one.practice, source))
    return csv_text(COLUMNS, lines)


def growth_markdown(rows: Sequence[GrowthRow]) -> str:
    """Return the sums over all veins as a table, and the shares of tries by vein.

    Parameters
    ----------
    rows : sequence of GrowthRow

    Returns
    -------
    str
    """
    lines = [
        "| growth from 28 to 31 mm | value | practice (common practice, no source) |",
        "|---|---|---|",
    ]
    for one in rows:
        if one.vein == "all":
            lines.append(f"| {one.meaning} | {_told(one)} | {one.practice} |")
    names = ("kept", "lost", "gained", "one_try", "growth_adds", "antral_area_mm2")
    lines += ["", f"| vein | {' | '.join(names)} |", "|---" * (1 + len(names)) + "|"]
    by_name = {(one.vein, one.quantity): one for one in rows}
    for vein in dict.fromkeys(one.vein for one in rows):
        told = [by_name.get((vein, name)) for name in names]
        cells = ["" if one is None else _told(one) for one in told]
        count = max(one.veins for one in rows if one.vein == vein)
        lines.append(f"| {vein} ({count}) | {' | '.join(cells)} |")
    return "\n".join(lines)


def _told(row: GrowthRow) -> str:
    places = 0 if abs(row.value) >= 20.0 else 2
    return f"{row.value:.{places}f} ({row.low:.{places}f} to {row.high:.{places}f})"
