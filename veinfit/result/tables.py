"""The tables of a case: veins, sections, ridges, fits, leaks, clock.

Every table is built once as rows of values by column name; the CSV files and
``case.json`` are two spellings of these rows, with the same rounding, so that
they cannot disagree. All coordinates are LPS mm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any, Literal

from veinfit.anatomy.model import Anatomy, ContourMeasures, Vein
from veinfit.notes import Note
from veinfit.result.columns import arrow_schema, names
from veinfit.result.values import Row, row_of, xyz_values
from veinfit.seating.compare import Comparison
from veinfit.seating.expected import Expected
from veinfit.seating.further import Crossings
from veinfit.seating.model import Fit

if TYPE_CHECKING:
    import pyarrow as pa

TableKind = Literal["arrow", "pandas"]

VEIN_COLUMNS = names("veins")

SECTION_COLUMNS = names("sections")

RIDGE_COLUMNS = names("ridges")

LABEL_OSTIUM_COLUMNS = names("label_ostia")

FIT_COLUMNS = names("fits")
"""``fits.csv`` has in addition a ``distance_NAME_mm`` for each structure."""

LEAK_COLUMNS = names("leaks")

CLOCK_COLUMNS = names("clock")

AIM_COLUMNS = names("aims")

GROWTH_COLUMNS = names("growth")
"""``growth.csv`` has in addition a ``distance_NAME_mm`` for each structure."""

EXPECTED_COLUMNS = names("expected")

CROSSING_COLUMNS = names("crossings")
"""``crossings.csv`` has in addition a ``misalignment_VEIN_deg`` for each vein."""

PLAN_COLUMNS = names("plans")

COMPARISON_COLUMNS = names("comparisons")

ATTEMPT_COLUMNS = names("attempts")


def vein_rows(anatomy: Anatomy) -> list[Row]:
    """Return the rows of ``veins.csv``: veins that could not be measured last, with the reason."""
    rows = [vein_row(vein, anatomy.notes) for vein in anatomy.veins]
    empty: Row = dict.fromkeys(VEIN_COLUMNS)
    return rows + [
        {**empty, "vein": name, "notes": f"not measured: {reason}"}
        for name, reason in anatomy.unmeasured.items()
    ]


def vein_row(vein: Vein, case_notes: Iterable[Note]) -> Row:
    """Return the row of one vein in ``veins.csv``."""
    return row_of(VEIN_COLUMNS, _vein_values(vein, case_notes))


def _contour_values(measures: ContourMeasures) -> dict[str, Any]:
    names = (
        "d_max_mm", "d_min_mm", "ovality", "area_mm2", "perimeter_mm", "d_area_mm",
        "d_perimeter_mm",
    )  # fmt: skip
    return {name: getattr(measures, name) for name in names}


def vein_notes(vein: Vein, case_notes: Iterable[Note]) -> tuple[Note, ...]:
    """Return a vein's notes and those of the case that are about it, each once."""
    about = (note for note in case_notes if note.subject == vein.name)
    return tuple(dict.fromkeys((*vein.notes, *about)))


def _vein_values(vein: Vein, case_notes: Iterable[Note]) -> dict[str, Any]:
    ostium = vein.ostium
    names = (
        "axis_length_mm", "takeoff_wall_deg", "takeoff_frontal_deg", "takeoff_transverse_deg",
        "trunk_length_mm", "trunk_at_least", "name_confidence", "confidence", "axis_error_deg",
    )  # fmt: skip
    return {
        "vein": vein.name,
        **_contour_values(ostium.measures),
        **{name: getattr(vein, name) for name in names},
        **xyz_values("ostium_", ostium.centre, "_mm"),
        **xyz_values("normal_", ostium.normal),
        **xyz_values("axis_", vein.axis),
        "ostium_residual_mm": ostium.residual_mm,
        "ostium_error_mm": ostium.error_mm,
        "ostium_kind": ostium.kind,
        "notes": " | ".join(note.text for note in vein_notes(vein, case_notes)),
    }


def section_rows(vein: Vein) -> list[Row]:
    """Return one vein's rows of ``sections.csv``."""
    return [
        row_of(
            SECTION_COLUMNS,
            {
                "vein": vein.name,
                "s_mm": section.s_mm,
                **xyz_values("", section.centre, "_mm"),
                **xyz_values("tangent_", section.tangent),
                **_contour_values(section.measures),
            },
        )
        for section in vein.sections
    ]


def ridge_rows(anatomy: Anatomy) -> list[Row]:
    """Return the rows of ``ridges.csv``."""
    return [
        row_of(RIDGE_COLUMNS, {"from": ridge.start, "to": ridge.end, "width_mm": ridge.width_mm})
        for ridge in anatomy.ridges
    ]


def label_ostium_rows(anatomy: Anatomy) -> list[Row]:
    """Return the rows of ``label_ostia.csv``: where single-vein labels begin."""
    return [
        row_of(
            LABEL_OSTIUM_COLUMNS,
            {
                "vein": ostium.vein,
                **xyz_values("", ostium.centre, "_mm"),
                **{
                    name: None if ostium.measures is None else getattr(ostium.measures, name)
                    for name in ("d_max_mm", "d_min_mm", "d_area_mm")
                },
                "distance_mm": ostium.distance_mm,
            },
        )
        for ostium in anatomy.label_ostia
    ]


def distance_column(structure: str) -> str:
    """Return the column of ``fits.csv`` that holds the distance to a structure."""
    return f"distance_{structure}_mm"


def fit_columns(structures: Sequence[str]) -> tuple[str, ...]:
    """Return the columns of ``fits.csv`` for a case with these structures."""
    return (*FIT_COLUMNS, *(distance_column(name) for name in structures))


def fit_row(fit: Fit, structures: Sequence[str]) -> Row:
    """Return one fit's row of ``fits.csv``."""
    values = {
        **{f.name: getattr(fit, f.name) for f in fields(fit)},
        **xyz_values("centre_", fit.centre, "_mm"),
        **{distance_column(name): fit.distances_mm.get(name) for name in structures},
    }
    return row_of(fit_columns(structures), values)


def leak_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``leaks.csv``."""
    return [row_of(LEAK_COLUMNS, asdict(leak)) for leak in fit.leaks]


def clock_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``clock.csv``."""
    return [row_of(CLOCK_COLUMNS, asdict(reading)) for reading in fit.clock]


def aim_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``aims.csv``."""
    return [row_of(AIM_COLUMNS, asdict(aim)) for aim in fit.aims]


def attempt_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``attempts.csv``."""
    return [row_of(ATTEMPT_COLUMNS, asdict(attempt)) for attempt in fit.attempts]


def growth_columns(structures: Sequence[str]) -> tuple[str, ...]:
    """Return the columns of ``growth.csv`` for a case with these structures."""
    return (*GROWTH_COLUMNS, *(distance_column(name) for name in structures))


def growth_rows(fit: Fit, structures: Sequence[str]) -> list[Row]:
    """Return one fit's rows of ``growth.csv``."""
    if fit.growth is None:
        return []
    return [
        row_of(
            growth_columns(structures),
            {
                **{f.name: getattr(step, f.name) for f in fields(step)},
                **{distance_column(name): step.distances_mm.get(name) for name in structures},
            },
        )
        for step in fit.growth.steps
    ]


def expected_rows(expected: Sequence[Expected]) -> list[Row]:
    """Return the rows of ``expected.csv``."""
    return [row_of(EXPECTED_COLUMNS, asdict(one)) for one in expected]


def comparison_rows(comparisons: Sequence[Comparison]) -> list[Row]:
    """Return the rows of ``comparisons.csv``."""
    return [row_of(COMPARISON_COLUMNS, _comparison_values(one)) for one in comparisons]


def _comparison_values(found: Comparison) -> dict[str, Any]:
    apart = found.difference
    return {
        **{name: getattr(found, name) for name in ("vein", "approach", "first", "second", "tie")},
        **dict(zip(COMPARISON_COLUMNS[4:8], found.split or (None,) * 4, strict=True)),
        "seal_difference": apart and apart.probability,
        "seal_difference_low": apart and apart.low,
        "seal_difference_high": apart and apart.high,
        "depth_difference_mm": found.depth_difference_mm,
        "antral_area_difference_mm2": found.antral_area_difference_mm2,
    }


def crossing_columns(veins: Sequence[str]) -> tuple[str, ...]:
    """Return the columns of ``crossings.csv`` for a case with these veins."""
    return (*CROSSING_COLUMNS, *(f"misalignment_{vein}_deg" for vein in veins))


def crossing_rows(crossings: Crossings | None, veins: Sequence[str]) -> list[Row]:
    """Return the rows of ``crossings.csv``: the case's own place first, size by size."""
    if crossings is None:
        return []
    return [
        row_of(
            crossing_columns(veins),
            {
                **{name: getattr(place, name) for name in CROSSING_COLUMNS},
                **{f"misalignment_{v}_deg": place.misalignment_deg.get(v) for v in veins},
            },
        )
        for place in crossings.places
    ]


def plan_rows(fit: Fit) -> list[Row]:
    """Return the rows of ``plans.csv`` that hang on one fit.

    Plan 0 is every direction that the sheath reaches with all sizes together.
    """
    found = fit.plans
    if found is None:
        return []
    common = {"vein": found.vein, "approach": found.approach}
    all_of_them = {
        **common,
        "plan": 0,
        "covers_from_h": found.reach_from_h,
        "covers_to_h": found.reach_to_h,
        "open_gap_mm": found.reach_gap_mm,
        "open_side": found.reach_side,
    }
    rows = [row_of(PLAN_COLUMNS, {**dict.fromkeys(PLAN_COLUMNS), **all_of_them})]
    seat_names = PLAN_COLUMNS[4:10]
    for number, plan in enumerate(found.plans, start=1):
        for which, seat in enumerate(plan.seats, start=1):
            values = {
                **common,
                "plan": number,
                "seat": which,
                **{name: getattr(seat, name) for name in seat_names},
                "seal_probability": plan.seal_probability,
                "probability_without": seat.probability_without,
                "open_gap_mm": plan.open_gap_mm,
                "open_side": plan.open_side,
            }
            rows.append(row_of(PLAN_COLUMNS, values))
    return rows


@dataclass(frozen=True, slots=True)
class Table:
    """Rows with the columns that they have."""

    columns: tuple[str, ...]
    rows: list[Row]


def anatomy_tables(anatomy: Anatomy) -> dict[str, Table]:
    """Return the tables of an anatomy alone, by name."""
    sections = [row for vein in anatomy.veins for row in section_rows(vein)]
    return {
        "veins": Table(VEIN_COLUMNS, vein_rows(anatomy)),
        "sections": Table(SECTION_COLUMNS, sections),
        "ridges": Table(RIDGE_COLUMNS, ridge_rows(anatomy)),
        "label_ostia": Table(LABEL_OSTIUM_COLUMNS, label_ostium_rows(anatomy)),
    }


def case_rows(
    anatomy: Anatomy,
    fits: Sequence[Fit],
    structures: Sequence[str] = (),
    expected: Sequence[Expected] = (),
    comparisons: Sequence[Comparison] = (),
    crossings: Crossings | None = None,
) -> dict[str, Table]:
    """Return the tables of a case by name: what the CSV files hold."""
    veins = [vein.name for vein in anatomy.veins]

    def of_fits(rows: Callable[[Fit], list[Row]]) -> list[Row]:
        return [row for fit in fits for row in rows(fit)]

    tables = {
        **anatomy_tables(anatomy),
        "fits": Table(fit_columns(structures), [fit_row(fit, structures) for fit in fits]),
        "leaks": Table(LEAK_COLUMNS, of_fits(leak_rows)),
        "clock": Table(CLOCK_COLUMNS, of_fits(clock_rows)),
        "aims": Table(AIM_COLUMNS, of_fits(aim_rows)),
        "growth": Table(
            growth_columns(structures), of_fits(lambda fit: growth_rows(fit, structures))
        ),
        "expected": Table(EXPECTED_COLUMNS, expected_rows(expected)),
        "comparisons": Table(COMPARISON_COLUMNS, comparison_rows(comparisons)),
        "plans": Table(PLAN_COLUMNS, of_fits(plan_rows)),
        "crossings": Table(crossing_columns(veins), crossing_rows(crossings, veins)),
    }
    if any(fit.attempts for fit in fits):
        tables["attempts"] = Table(ATTEMPT_COLUMNS, of_fits(attempt_rows))
    return tables


def arrow_tables(tables: Mapping[str, Table]) -> dict[str, pa.Table]:
    """Return tables as Arrow tables, whose fields carry unit and meaning."""
    import pyarrow as pa

    return {
        name: pa.Table.from_pylist(one.rows, schema=arrow_schema(name, one.columns))
        for name, one in tables.items()
    }


def as_tables(rows: Mapping[str, Table], kind: TableKind) -> dict[str, Any]:
    """Return tables as those of a library.

    Raises
    ------
    ValueError
        There is no such kind.
    """
    if kind not in ("arrow", "pandas"):
        raise ValueError(f"kind: expected 'arrow' or 'pandas'; got {kind!r}")
    tables = arrow_tables(rows)
    return tables if kind == "arrow" else {name: one.to_pandas() for name, one in tables.items()}
