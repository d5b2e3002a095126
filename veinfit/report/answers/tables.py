"""The tables of the report, arranged by the questions that it answers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.report.wording import (
    MISSING,
    SPACE,
    hours,
    leaks_words,
    number,
    why_missing,
    yes_no,
)
from veinfit.result.columns import column
from veinfit.seating.model import Fit

SEALS, SEAT, WHERE, DEEP, NEAR = (
    "Does it seal? Probabilities",
    "The nominal seat",
    "Where is it weak?",
    "How deep?",
    "What is near?",
)
"""The questions, in the order in which a physician asks them."""

SIZE, CERTAINTY = "Size and direction", "How far it can be relied on"
"""What is asked about a vein."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One value as it is shown.

    Attributes
    ----------
    text : str
    field : str
        The column of the result tables that it shows; empty for words of its own.
    value : str
        The value in full, as plain text; empty where there is none.
    reason : str
        Why there is none.
    bounds : tuple of Cell
        The interval's ends, where it has one.
    """

    text: str
    field: str = ""
    value: str = ""
    reason: str = ""
    bounds: tuple[Cell, ...] = ()

    @property
    def words(self) -> str:
        """All that is shown, in one line."""
        if self.bounds:
            return f"{self.text} ({' to '.join(bound.text for bound in self.bounds)})"
        return f"{self.text} {self.reason}" if not self.value and self.reason else self.text


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table: what it is, its unit, and a cell for each column."""

    label: str
    unit: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """The lines under one question."""

    question: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Measure:
    """A line of a table, as the registry of columns calls it.

    With ``always`` false the line of a fit is left out where no fit has a value.
    """

    question: str
    field: str
    table: str = "fits"
    always: bool = True

    @property
    def label(self) -> str:
        """What it is called."""
        return column(self.table, self.field).label

    @property
    def unit(self) -> str:
        """``1`` for a ratio or probability; empty for what is none, and for what o'clock it is."""
        unit = column(self.table, self.field).unit
        return "" if unit == "h" else unit

    @property
    def digits(self) -> int:
        """Decimals that are shown."""
        return column(self.table, self.field).shown_digits or 0

    def get(self, vein: Vein) -> float | None:
        """Return its value of a vein, where it is one of a vein."""
        where = VEIN_PLACES.get(self.field, self.field)
        value: float | None = attrgetter(where)(vein)
        return value


MEASURES: tuple[Measure, ...] = (
    Measure(SEALS, "seal_probability"),
    Measure(SEALS, "steered_seal_probability", always=False),
    Measure(SEALS, "occlusion_probability", always=False),
    Measure(SEALS, "steered_occlusion_probability", always=False),
    Measure(SEALS, "freeze_loss_probability", always=False),
    Measure(SEALS, "push_to_seal_n", always=False),
    Measure(SEAT, "outcome"),
    Measure(SEAT, "sealed"),
    Measure(SEAT, "occluded"),
    Measure(SEAT, "antral", always=False),
    Measure(SEAT, "sealed_after_freeze", always=False),
    Measure(SEAT, "occlusion_grade", always=False),
    Measure(WHERE, "leak_width_mm"),
    Measure(WHERE, "leak_clock_h"),
    Measure(WHERE, "leak_side"),
    Measure(WHERE, "leak_area_mm2", always=False),
    Measure(WHERE, "tries_leak_side", always=False),
    Measure(WHERE, "contact_arc_deg"),
    Measure(DEEP, "depth_mm"),
    Measure(DEEP, "nose_depth_mm"),
    Measure(DEEP, "deep"),
    Measure(DEEP, "deep_seal_probability", always=False),
    Measure(DEEP, "contact_area_mm2"),
    Measure(DEEP, "antral_area_mm2"),
    Measure(DEEP, "misalignment_deg"),
    Measure(DEEP, "loop_depth_mm", always=False),
    Measure(DEEP, "loop_fit", always=False),
    Measure(DEEP, "freeze_shift_mm", always=False),
)
"""The lines of the fits' table; distances and leaks are added to it."""

VEIN_PLACES: Mapping[str, str] = {
    **{
        name: f"ostium.measures.{name}"
        for name in (
            "d_max_mm", "d_min_mm", "ovality", "area_mm2", "perimeter_mm", "d_area_mm",
            "d_perimeter_mm",
        )
    },
    "ostium_error_mm": "ostium.error_mm",
    "ostium_residual_mm": "ostium.residual_mm",
}  # fmt: skip
"""Where a vein holds what is no part of its own."""

VEIN_MEASURES: tuple[Measure, ...] = tuple(
    Measure(SIZE, name, "veins")
    for name in (
        "d_max_mm", "d_min_mm", "ovality", "area_mm2", "perimeter_mm", "d_area_mm",
        "d_perimeter_mm", "takeoff_wall_deg", "takeoff_frontal_deg", "takeoff_transverse_deg",
    )
)  # fmt: skip
"""What is shown of a vein's size and direction."""

CERTAINTY_MEASURES: tuple[Measure, ...] = tuple(
    Measure(CERTAINTY, name, "veins")
    for name in (
        "name_confidence", "ostium_error_mm", "ostium_residual_mm", "axis_length_mm",
        "axis_error_deg", "confidence",
    )
)  # fmt: skip
"""What is shown of how far a vein's measures can be relied on."""


def cell(value: object, field: str, digits: int = 1, reason: str = "") -> Cell:
    """Return one value as a cell; an en dash with its reason where there is none."""
    if value is None or value == "":
        return Cell(MISSING, field, "", reason)
    if isinstance(value, bool):
        return Cell(yes_no(value), field, "true" if value else "false")
    if isinstance(value, int):
        return Cell(str(value), field, str(value))
    if isinstance(value, float) and not math.isfinite(value):
        return Cell(MISSING, field, "", reason)
    if isinstance(value, float):
        text = hours(value) if field.endswith("_clock_h") else number(value, digits)
        return Cell(text, field, repr(float(value)))
    return Cell(str(value), field, str(value))


def fit_groups(fits: Sequence[Fit], structures: Sequence[str]) -> tuple[Group, ...]:
    """Return the table of one vein's fits, a column each.

    Parameters
    ----------
    fits : sequence of Fit
    structures : sequence of str
        Names of the structures supplied: each has a line, with or without a distance.
    """
    rows: dict[str, list[Row]] = {q: [] for q in (SEALS, SEAT, WHERE, DEEP, NEAR)}
    for item in MEASURES:
        values = [getattr(fit, item.field) for fit in fits]
        if not item.always and all(value in (None, "") for value in values):
            continue
        cells = tuple(
            with_bounds(fit, cell(value, item.field, item.digits, _why(fit, item.field)))
            for fit, value in zip(fits, values, strict=True)
        )
        label = item.label
        growth = freeze_growth(fits)
        if item.field == "freeze_loss_probability" and growth:
            label = f"{label}, grown by {growth}"
        if item.field in ("sealed_after_freeze", "freeze_shift_mm") and all(map(_keeps, fits)):
            label = f"{label}, size kept"
        rows[item.question].append(Row(label, item.unit, cells))
        if item.field == "sealed_after_freeze" and growth and all(map(_keeps, fits)):
            grown = tuple(Cell(yes_no(sealed_once_grown(fit))) for fit in fits)
            rows[item.question].append(Row(f"Sealed if grown by {growth}", "", grown))
    if any(len(fit.leaks) > 1 for fit in fits):
        told = tuple(Cell("; ".join(leaks_words(fit.leaks)) or "none") for fit in fits)
        rows[WHERE].append(Row("Every leak", "", told))
    named = dict.fromkeys([*structures, *(name for fit in fits for name in fit.distances_mm)])
    near = column("fits", "distance_NAME_mm")
    for name in named:
        cells = tuple(
            cell(fit.distances_mm.get(name), f"distance_{name}_mm", near.shown_digits or 0,
                 why_missing(fit))
            for fit in fits
        )  # fmt: skip
        label = near.label.replace("NAME", name.replace("_", " "))
        rows[NEAR].append(Row(label, near.unit, cells))
    return tuple(Group(q, tuple(found)) for q, found in rows.items() if found)


def freeze_growth(fits: Sequence[Fit]) -> str:
    """Return by how much balloons grow as freezing starts, in words; empty where nobody knows.

    One that keeps its size is told as if it grew: its words are then no property of it.
    """
    grown = dict.fromkeys(fit.freezing[-1].growth_mm for fit in fits if fit.freezing)
    told = [f"{value:g}{SPACE}mm" for value in grown if value > 0.0]
    return " or ".join(told)


def sealed_once_grown(fit: Fit) -> bool | None:
    """Return whether the nominal seat stays sealed once its balloon has grown for freezing."""
    return fit.freezing[-1].sealed if fit.freezing else fit.sealed_after_freeze


def _keeps(fit: Fit) -> bool:
    """Return whether a balloon keeps its size as freezing starts: growth is then a what-if."""
    first = fit.freezing[:1]
    return not fit.freeze_shift_mm and all(fit.sealed_after_freeze == one.sealed for one in first)


def with_bounds(fit: Fit, shown: Cell) -> Cell:
    """Add its interval to a value, where the fit has one."""
    if not shown.value:
        return shown
    names = f"{shown.field}_low", f"{shown.field}_high"
    bounds = [getattr(fit, name, None) for name in names]
    if None in bounds:
        return shown
    low, high = (cell(b, name, 2) for b, name in zip(bounds, names, strict=True))
    return replace(shown, bounds=(low, high))


def _why(fit: Fit, field: str) -> str:
    if field in {"leak_clock_h", "leak_side", "leak_width_mm"} and fit.occluded:
        return "no leak"
    if field == "push_to_seal_n" and fit.outcome == "seated":
        return "no push tried seals"
    if field == "tries_leak_side" and fit.seal_probability is not None:
        return "few tries leak, or on many sides"
    return why_missing(fit)


def absent_measures(fits: Sequence[Fit]) -> tuple[str, ...]:
    """Return the labels of what no fit has a value for and is therefore not shown."""
    return tuple(
        item.label
        for item in MEASURES
        if not item.always and all(getattr(fit, item.field) in (None, "") for fit in fits)
    )


def vein_rows(vein: Vein, measures: Sequence[Measure] = VEIN_MEASURES) -> tuple[Row, ...]:
    """Return a vein's measures, one to a line.

    Parameters
    ----------
    vein : Vein
    measures : sequence of Measure
        Which, in their order.

    Returns
    -------
    tuple of Row
    """
    why = "could not be measured"
    return tuple(
        Row(m.label, m.unit, (cell(m.get(vein), m.field, m.digits, why),)) for m in measures
    )


def placed_row(vein: Vein) -> Row:
    """Return the line that says by which definition a vein's ostium was placed."""
    kind = vein.ostium.kind
    return Row(
        column("veins", "ostium_kind").label,
        "",
        (Cell(kind.replace("_", " "), "ostium_kind", kind),),
    )


def trunk_text(vein: Vein) -> str:
    """Say how long a vein's trunk is, or is at least."""
    length = f"{number(vein.trunk_length_mm)}{SPACE}mm"
    if vein.trunk_at_least:
        return f"at least {length}: to the end of the data"
    return f"{length}, to the first branching"


def ridge_rows(anatomy: Anatomy, vein: Vein) -> tuple[Row, ...]:
    """Return the wall ridges between this vein and its neighbours."""
    rows, told = [], column("ridges", "width_mm")
    for ridge in anatomy.ridges:
        if vein.name in (ridge.start, ridge.end):
            other = ridge.end if ridge.start == vein.name else ridge.start
            shown = cell(float(ridge.width_mm), told.name, told.shown_digits or 0)
            rows.append(Row(f"{told.label} to {other}", told.unit, (shown,)))
    return tuple(rows)


def measures_beside(
    before: Vein | None, now: Vein | None, measures: Sequence[Measure] = VEIN_MEASURES
) -> list[list[str]]:
    """Return the measures of a vein as label, value before and value now.

    Parameters
    ----------
    before, now : Vein or None
        A dash stands for the values of None.
    measures : sequence of Measure
        Which, in their order.

    Returns
    -------
    list of list of str
    """
    some = before or now
    if some is None:
        return []
    columns = [
        [row.cells[0].text for row in vein_rows(vein, measures)] if vein is not None else None
        for vein in (before, now)
    ]
    lines = vein_rows(some, measures)
    titles = [f"{r.label}, {r.unit}" if r.unit != "1" else r.label for r in lines]
    return [
        [title, *(column[k] if column else "–" for column in columns)]
        for k, title in enumerate(titles)
    ]
