"""The tables of a case: veins, sections, ridges, fits, leaks, clock.

Every table is built once as rows of values by column name; the CSV files and
``case.json`` are two spellings of these rows, with the same rounding, so that
they cannot disagree. All coordinates are LPS mm.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from veinfit.anatomy.model import Anatomy
from veinfit.result.columns import arrow_schema
from veinfit.result.fit_rows import (
    AIM_COLUMNS,
    ATTEMPT_COLUMNS,
    CLOCK_COLUMNS,
    COMPARISON_COLUMNS,
    EXPECTED_COLUMNS,
    LEAK_COLUMNS,
    PLAN_COLUMNS,
    aim_rows,
    attempt_rows,
    clock_rows,
    comparison_rows,
    crossing_columns,
    crossing_rows,
    expected_rows,
    fit_columns,
    fit_row,
    growth_columns,
    growth_rows,
    leak_rows,
    plan_rows,
)
from veinfit.result.values import Row
from veinfit.result.vein_rows import (
    LABEL_OSTIUM_COLUMNS,
    RIDGE_COLUMNS,
    SECTION_COLUMNS,
    VEIN_COLUMNS,
    label_ostium_rows,
    ridge_rows,
    section_rows,
    vein_rows,
)
from veinfit.seating.compare import Comparison
from veinfit.seating.expected import Expected
from veinfit.seating.further import Crossings
from veinfit.seating.model import Fit

if TYPE_CHECKING:
    import pyarrow as pa

TableKind = Literal["arrow", "pandas"]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows with the columns that they have."""

    columns: tuple[str, ...]
    rows: list[Row]


def anatomy_tables(anatomy: Anatomy) -> dict[str, Table]:
    """Return the tables of an anatomy alone, by name.

    Parameters
    ----------
    anatomy : Anatomy
        With its veins measured.

    Returns
    -------
    dict of str to Table
        ``veins``, ``sections``, ``ridges`` and ``label_ostia``.
    """
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

    Parameters
    ----------
    rows : mapping of str to Table
        By the table's name.
    kind : {'arrow', 'pandas'}
        Whose tables; pandas has to be installed for its own.

    Returns
    -------
    dict of str to pyarrow.Table or pandas.DataFrame

    Raises
    ------
    ValueError
        There is no such kind.
    """
    if kind not in ("arrow", "pandas"):
        raise ValueError(f"kind: expected 'arrow' or 'pandas'; got {kind!r}")
    tables = arrow_tables(rows)
    return tables if kind == "arrow" else {name: one.to_pandas() for name, one in tables.items()}
