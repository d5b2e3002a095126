"""The tables of the report, arranged by the questions that it answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.report.wording import (
    MISSING,
    SPACE,
    hours,
    leak_words,
    number,
    why_missing,
    yes_no,
)
from veinfit.seating.model import Fit

SEALS, SEAT, WHERE, DEEP, NEAR = (
    "Does it seal? Probabilities",
    "The nominal seat",
    "Where is it weak?",
    "How deep?",
    "What is near?",
)
"""The questions, in the order in which a physician asks them."""


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
    """A column of the fits' table: its question, label, unit and digits.

    With ``always`` false the line is left out where no fit has a value.
    """

    question: str
    field: str
    label: str
    unit: str = ""
    digits: int = 1
    always: bool = True


MEASURES: tuple[Measure, ...] = (
    Measure(SEALS, "seal_probability", "Seal, one try", "1", 2),
    Measure(
        SEALS, "steered_seal_probability", "Seal, up to three tries", "1", 2, False
    ),
    Measure(SEALS, "occlusion_probability", "Occlusion, one try", "1", 2, False),
    Measure(
        SEALS, "steered_occlusion_probability", "Occlusion, up to three tries", "1", 2,
        False,
    ),
    Measure(SEALS, "freeze_loss_probability", "Seal lost as freezing starts", "1",
            2, False),
    Measure(SEALS, "push_to_seal_n", "Least push that seals", "N", 2, False),
    Measure(SEAT, "outcome", "Outcome"),
    Measure(SEAT, "sealed", "Sealed (cold contact)"),
    Measure(SEAT, "occluded", "Occluded (any contact)"),
    Measure(SEAT, "antral", "Antral (sealed, not deep)", always=False),
    Measure(SEAT, "sealed_after_freeze", "Sealed after freeze drift", always=False),
    Measure(SEAT, "occlusion_grade", "Grade, 4 complete to 1 poor", always=False),
    Measure(WHERE, "leak_width_mm", "Leak width", "mm", 2),
    Measure(WHERE, "leak_clock_h", "Leak on the clock"),
    Measure(WHERE, "leak_side", "Leak side"),
    Measure(WHERE, "leak_area_mm2", "Leak orifice", "mm²", always=False),
    Measure(WHERE, "contact_arc_deg", "Circumference in contact", "°", 0),
    Measure(DEEP, "depth_mm", "Depth of the equator", "mm"),
    Measure(DEEP, "nose_depth_mm", "Depth of the nose", "mm"),
    Measure(DEEP, "deep", "Counts as deep"),
    Measure(DEEP, "deep_seal_probability", "Sealed but deep, one try", "1", 2, False),
    Measure(DEEP, "contact_area_mm2", "Cold contact area", "mm²", 0),
    Measure(DEEP, "antral_area_mm2", "Antral area", "mm²", 0),
    Measure(DEEP, "misalignment_deg", "Shaft against the vein's axis", "°"),
    Measure(DEEP, "loop_depth_mm", "Depth of the mapping loop", "mm", always=False),
    Measure(DEEP, "loop_fit", "Mapping loop", always=False),
    Measure(DEEP, "freeze_shift_mm", "Freeze drift of the centre", "mm", always=False),
)  # fmt: skip
"""The lines of the fits' table; distances and leaks are added to it."""


@dataclass(frozen=True, slots=True)
class VeinMeasure:
    """A line of a vein's table."""

    field: str
    label: str
    unit: str
    digits: int
    get: Callable[[Vein], float | None]


VEIN_MEASURES: tuple[VeinMeasure, ...] = (
    VeinMeasure("d_max_mm", "Greatest diameter", "mm", 1, lambda v: v.ostium.measures.d_max_mm),
    VeinMeasure(
        "d_min_mm", "Perpendicular diameter", "mm", 1, lambda v: v.ostium.measures.d_min_mm
    ),
    VeinMeasure("ovality", "Ovality", "1", 2, lambda v: v.ostium.measures.ovality),
    VeinMeasure("area_mm2", "Area", "mm²", 0, lambda v: v.ostium.measures.area_mm2),
    VeinMeasure("perimeter_mm", "Perimeter", "mm", 1, lambda v: v.ostium.measures.perimeter_mm),
    VeinMeasure(
        "d_area_mm", "Diameter by area", "mm", 1,
        lambda v: v.ostium.measures.d_area_mm,
    ),
    VeinMeasure(
        "d_perimeter_mm", "Diameter by perimeter", "mm", 1,
        lambda v: v.ostium.measures.d_perimeter_mm,
    ),
    VeinMeasure(
        "takeoff_wall_deg", "Take-off against the atrial wall", "°", 0,
        lambda v: v.takeoff_wall_deg,
    ),
    VeinMeasure(
        "takeoff_frontal_deg", "Take-off in the frontal plane", "°", 0,
        lambda v: v.takeoff_frontal_deg,
    ),
    VeinMeasure(
        "takeoff_transverse_deg", "Take-off in the transverse plane", "°", 0,
        lambda v: v.takeoff_transverse_deg,
    ),
)  # fmt: skip
"""What is shown of a vein's size and direction."""

CERTAINTY_MEASURES: tuple[VeinMeasure, ...] = (
    VeinMeasure("name_confidence", "Probability of the name", "1", 2, lambda v: v.name_confidence),
    VeinMeasure(
        "ostium_error_mm", "Ostium's position, 95 % bound", "mm", 1, lambda v: v.ostium.error_mm
    ),
    VeinMeasure(
        "ostium_residual_mm", "Spread of the ostium about its plane", "mm", 1,
        lambda v: v.ostium.residual_mm,
    ),
    VeinMeasure("axis_length_mm", "Length behind the axis", "mm", 1, lambda v: v.axis_length_mm),
    VeinMeasure(
        "axis_error_deg", "Axis's direction, 95 % bound", "°", 0, lambda v: v.axis_error_deg
    ),
    VeinMeasure("confidence", "Measurement confidence", "1", 2, lambda v: v.confidence),
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
        rows[item.question].append(Row(item.label, item.unit, cells))
    if any(len(fit.leaks) > 1 for fit in fits):
        told = tuple(Cell("; ".join(leak_words(leak) for leak in fit.leaks) or "none")
                     for fit in fits)  # fmt: skip
        rows[WHERE].append(Row("Every leak", "", told))
    named = dict.fromkeys([*structures, *(name for fit in fits for name in fit.distances_mm)])
    for name in named:
        cells = tuple(
            cell(fit.distances_mm.get(name), f"distance_{name}_mm", 1, why_missing(fit))
            for fit in fits
        )
        rows[NEAR].append(Row(f"Freezing zone to {name.replace('_', ' ')}", "mm", cells))
    return tuple(Group(q, tuple(found)) for q, found in rows.items() if found)


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
    return why_missing(fit)


def absent_measures(fits: Sequence[Fit]) -> tuple[str, ...]:
    """Return the labels of what no fit has a value for and is therefore not shown."""
    return tuple(
        item.label
        for item in MEASURES
        if not item.always and all(getattr(fit, item.field) in (None, "") for fit in fits)
    )


def vein_rows(vein: Vein, measures: Sequence[VeinMeasure] = VEIN_MEASURES) -> tuple[Row, ...]:
    """Return a vein's measures, one to a line."""
    why = "could not be measured"
    return tuple(
        Row(m.label, m.unit, (cell(m.get(vein), m.field, m.digits, why),)) for m in measures
    )


def placed_row(vein: Vein) -> Row:
    """Return the line that says by which definition a vein's ostium was placed."""
    kind = vein.ostium.kind
    return Row("Ostium placed by", "", (Cell(kind.replace("_", " "), "ostium_kind", kind),))


def trunk_text(vein: Vein) -> str:
    """Say how long a vein's trunk is, or is at least."""
    length = f"{number(vein.trunk_length_mm)}{SPACE}mm"
    if vein.trunk_at_least:
        return f"at least {length}: to the end of the data"
    return f"{length}, to the first branching"


def ridge_rows(anatomy: Anatomy, vein: Vein) -> tuple[Row, ...]:
    """Return the wall ridges between this vein and its neighbours."""
    rows = []
    for ridge in anatomy.ridges:
        if vein.name in (ridge.start, ridge.end):
            other = ridge.end if ridge.start == vein.name else ridge.start
            rows.append(Row(f"Ridge to {other}", "mm", (cell(float(ridge.width_mm), "width_mm"),)))
    return tuple(rows)
