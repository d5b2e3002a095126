"""The tables of the report, arranged by the questions that it answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.report.wording import (
    MISSING,
    SPACE,
    balloon_size,
    leak_mm,
    leak_place,
    leak_words,
    number,
    probability_words,
    verdict,
    why_missing,
    yes_no,
)
from veinfit.seating.model import Fit

CLOSES, WHERE, DEEP, NEAR, SURE = (
    "Does it close?",
    "Where not?",
    "How deep?",
    "What is near?",
    "How sure?",
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
    """

    text: str
    field: str = ""
    value: str = ""
    reason: str = ""


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
    Measure(CLOSES, "outcome", "Outcome"),
    Measure(CLOSES, "occluded", "Occluded (closed line of contact)"),
    Measure(CLOSES, "sealed", "Sealed (closed line of cold contact)"),
    Measure(CLOSES, "occlusion_grade", "Occlusion grade, 4 complete to 1 poor", always=False),
    Measure(CLOSES, "seal_probability", "Probability of closure", "1", 2, always=False),
    Measure(
        CLOSES, "seal_probability_low", "Probability of closure, lower bound", "1", 2, always=False
    ),
    Measure(
        CLOSES, "seal_probability_high", "Probability of closure, upper bound", "1", 2, always=False
    ),
    Measure(CLOSES, "sealed_after_freeze", "Sealed after freeze drift", always=False),
    Measure(WHERE, "leak_width_mm", "Leak width", "mm", 2),
    Measure(WHERE, "leak_clock_h", "Leak on the clock", "h"),
    Measure(WHERE, "leak_side", "Leak side"),
    Measure(WHERE, "leak_area_mm2", "Leak orifice", "mm²", always=False),
    Measure(WHERE, "contact_arc_deg", "Circumference in contact", "°", 0),
    Measure(DEEP, "depth_mm", "Depth of the equator", "mm"),
    Measure(DEEP, "nose_depth_mm", "Depth of the nose", "mm"),
    Measure(DEEP, "deep", "Counts as deep"),
    Measure(DEEP, "contact_area_mm2", "Cold contact area", "mm²", 0),
    Measure(DEEP, "antral_area_mm2", "Antral area", "mm²", 0),
    Measure(DEEP, "freeze_shift_mm", "Freeze drift of the centre", "mm", always=False),
    Measure(SURE, "misalignment_deg", "Shaft against the vein's axis", "°"),
)
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
        "d_min_mm", "Diameter perpendicular to it", "mm", 1, lambda v: v.ostium.measures.d_min_mm
    ),
    VeinMeasure("ovality", "Ovality", "1", 2, lambda v: v.ostium.measures.ovality),
    VeinMeasure("area_mm2", "Area", "mm²", 0, lambda v: v.ostium.measures.area_mm2),
    VeinMeasure("perimeter_mm", "Perimeter", "mm", 1, lambda v: v.ostium.measures.perimeter_mm),
    VeinMeasure(
        "d_area_mm", "Diameter of the circle of equal area", "mm", 1,
        lambda v: v.ostium.measures.d_area_mm,
    ),
    VeinMeasure(
        "d_perimeter_mm", "Diameter of the circle of equal perimeter", "mm", 1,
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
    VeinMeasure("confidence", "Confidence of the whole vein", "1", 2, lambda v: v.confidence),
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
        return Cell(number(value, digits), field, repr(float(value)))
    return Cell(str(value), field, str(value))


def fit_groups(fits: Sequence[Fit], structures: Sequence[str]) -> tuple[Group, ...]:
    """Return the table of one vein's fits, a column each.

    Parameters
    ----------
    fits : sequence of Fit
    structures : sequence of str
        Names of the structures supplied: each has a line, with or without a distance.
    """
    rows: dict[str, list[Row]] = {q: [] for q in (CLOSES, WHERE, DEEP, NEAR, SURE)}
    for item in MEASURES:
        values = [getattr(fit, item.field) for fit in fits]
        if not item.always and all(value is None for value in values):
            continue
        cells = tuple(
            cell(value, item.field, item.digits, _why(fit, item.field))
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


def _why(fit: Fit, field: str) -> str:
    if field in {"leak_clock_h", "leak_side", "leak_width_mm"} and fit.occluded:
        return "no leak"
    return why_missing(fit)


def absent_measures(fits: Sequence[Fit]) -> tuple[str, ...]:
    """Return the labels of what no fit has a value for and is therefore not shown."""
    return tuple(
        item.label
        for item in MEASURES
        if not item.always and all(getattr(fit, item.field) is None for fit in fits)
    )


def vein_rows(vein: Vein, measures: Sequence[VeinMeasure] = VEIN_MEASURES) -> tuple[Row, ...]:
    """Return a vein's measures, one to a line."""
    why = "could not be measured here; see the vein's notes"
    return tuple(
        Row(m.label, m.unit, (cell(m.get(vein), m.field, m.digits, why),)) for m in measures
    )


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


@dataclass(frozen=True, slots=True)
class Glance:
    """One fit on the first screen."""

    fit: Fit
    balloon: str
    verdict: str
    probability: str
    where: str
    depth: Cell
    arc: Cell


def glance(fit: Fit, *, with_approach: bool) -> Glance:
    """Return the line of one fit on the first screen."""
    # The reason in full stands beside, under "Where not?".
    short = "not assessed" if fit.outcome in {"seated", "not assessed"} else "no seat"
    return Glance(
        fit=fit,
        balloon=column_title(fit, with_approach=with_approach),
        verdict=verdict(fit),
        probability=probability_words(fit),
        where=where_not(fit),
        depth=cell(fit.depth_mm, "depth_mm", 1, short),
        arc=cell(fit.contact_arc_deg, "contact_arc_deg", 0, short),
    )


def column_title(fit: Fit, *, with_approach: bool) -> str:
    """Name a fit among those of its vein."""
    title = balloon_size(fit)
    return f"{title}, {fit.approach}" if with_approach else title


def where_not(fit: Fit) -> str:
    """Say where a vein is open, in one phrase."""
    if fit.outcome != "seated":
        return f"{MISSING} {why_missing(fit)}"
    if fit.occluded is None:
        return f"{MISSING} closure not assessed"
    if not fit.occluded:
        if fit.leak_width_mm is None:
            return f"{MISSING} leak not measured"
        more = len(fit.leaks) - 1
        others = f"; {more} more" if more > 0 else ""
        return f"leak {leak_mm(fit.leak_width_mm)}, {leak_place(fit)}{others}"
    if fit.sealed:
        return "nowhere: the line is closed"
    return "the line is closed, but not by cold contact alone"
