"""The table of what practice tells beside what the tries of many atria come to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from veinfit.io.cells import csv_text
from veinfit.validation.practice import TARGETS, TOLD, VeinOutcome, intervals, met, quantities

COLUMNS = (
    "quantity",
    "meaning",
    "target_low",
    "target_high",
    "settings",
    "atria",
    "cases",
    "veins",
    "value",
    "value_low",
    "value_high",
    "met",
    "source",
)
"""Of ``practice.csv``: a row a quantity, settings and set of atria."""


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """What some settings came to on a set of atria.

    Attributes
    ----------
    settings, atria : str
        What they are called.
    outcomes : sequence of VeinOutcome
    """

    settings: str
    atria: str
    outcomes: Sequence[VeinOutcome]

    @property
    def heading(self) -> str:
        """Settings, atria, and how many of them."""
        cases = len({one.case for one in self.outcomes})
        return f"{self.settings}, {self.atria} ({cases} atria, {len(self.outcomes)} veins)"


def practice_csv(groups: Sequence[Group]) -> str:
    """Return every quantity of every group, with its 95 % interval, as CSV.

    Parameters
    ----------
    groups : sequence of Group

    Returns
    -------
    str
    """
    lines = []
    for group in groups:
        values, bounds = quantities(group.outcomes), intervals(group.outcomes)
        size = (len({one.case for one in group.outcomes}), len(group.outcomes))
        for name, meaning, low, high, source in _rows():
            row = [name, meaning, _cell(low), _cell(high), group.settings, group.atria, *size]
            row += [_cell(values[name]), *map(_cell, bounds[name]), _verdict(name, values)]
            lines.append([*row, source])
    return csv_text(COLUMNS, lines)


def practice_markdown(groups: Sequence[Group]) -> str:
    """Return the same as a table for a reader: a row a quantity, a column a group.

    Parameters
    ----------
    groups : sequence of Group

    Returns
    -------
    str
    """
    lines = [
        "| quantity | target | " + " | ".join(group.heading for group in groups) + " |",
        "|---" * (len(groups) + 2) + "|",
    ]
    told = [(quantities(group.outcomes), intervals(group.outcomes)) for group in groups]
    for name, meaning, low, high, _ in _rows():
        cells = []
        for values, bounds in told:
            first, last = bounds[name]
            text = f"{_short(values[name])} ({_short(first)} to {_short(last)})"
            cells.append(text + (" not met" if _verdict(name, values) == "false" else ""))
        lines.append(f"| {meaning} | {_range(low, high)} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _rows() -> list[tuple[str, str, float, float, str]]:
    fitted = [(t.name, t.meaning, t.low, t.high, t.source) for t in TARGETS]
    told = [(name, meaning, -math.inf, math.inf, "told, not fitted") for name, meaning in TOLD]
    return fitted + told


def _verdict(name: str, values: Mapping[str, float]) -> str:
    for target in TARGETS:
        if target.name == name:
            return str(met(target, values[name])).lower()
    return ""


def _range(low: float, high: float) -> str:
    if math.isfinite(low):
        return f"{low:g} to {high:g}"
    return f"at most {high:g}" if math.isfinite(high) else "told"


def _cell(value: float) -> str:
    return f"{_without_sign_of_zero(value, 4):.4f}" if math.isfinite(value) else ""


def _short(value: float) -> str:
    return f"{_without_sign_of_zero(value, 2):.2f}" if math.isfinite(value) else "none"


def _without_sign_of_zero(value: float, digits: int) -> float:
    # Adding zero takes the sign from what rounding has made none, and from nothing else.
    return round(value, digits) + 0.0
