"""One case as the rows of a cohort's tables, and the fixed schema of these tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.io.results.margin_record import margin_document
from veinfit.notes import Note
from veinfit.result.columns import Kind, arrow_type, column
from veinfit.result.fit_rows import FIT_COLUMNS, LEAK_COLUMNS, distance_column, fit_row, leak_rows
from veinfit.result.values import Row, plain_value
from veinfit.result.vein_rows import VEIN_COLUMNS, vein_rows
from veinfit.seating.model import Fit

if TYPE_CHECKING:
    import pyarrow as pa

    from veinfit.case import CaseResult

CaseRows = dict[str, list[dict[str, Any]]]
"""The rows of one case by table."""

TABLES = ("cases", "veins", "fits", "leaks")
CASE_COLUMNS = (
    "case", "key", "status", "reason", "veins", "corrections", "cardiac_phase", "cautions",
    "warnings",
)  # fmt: skip
"""A row a case: ``status`` is ``done``, ``partial`` (some fits not assessed) or ``failed``;
``warnings`` put the whole case in doubt, and stand among the ``cautions`` too."""
RIDGE_COLUMN = "ridge_mm"
DISTANCES = "distances_mm"
"""Column of the fits' Parquet table that maps each structure to its distance."""
GIVEN_PATIENT = (
    "occluded_given_patient",
    "antral_given_patient",
    "steered_antral_given_patient",
    "grown_antral_given_patient",
)
"""Lists of probabilities, one for each draw of the patient's unknowns: what sizes and veins share.
The last: that the size seals antrally, or does so once it has grown in place to the next."""
NESTED = (DISTANCES, *GIVEN_PATIENT)
"""Columns of the fits that a CSV file cannot hold as they are."""

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "cases": CASE_COLUMNS,
    "veins": ("case", *VEIN_COLUMNS, RIDGE_COLUMN),
    "fits": ("case", *FIT_COLUMNS, *NESTED),
    "leaks": ("case", *LEAK_COLUMNS),
}


def case_rows(result: CaseResult) -> CaseRows:
    """Return the rows of an assessed case.

    Parameters
    ----------
    result : CaseResult

    Returns
    -------
    dict of str to list of Row
        ``cases``, ``veins``, ``fits`` and ``leaks``.
    """
    name = result.provenance.case_id
    structures = tuple(result.structures)
    missing = result.unassessed
    reasons = dict.fromkeys(f"{fit.vein} {fit.balloon}: {fit.reason}" for fit in missing)
    cautions = [note for note in result.all_notes if note.severity != "info"]
    case = {
        "case": name,
        "status": "partial" if missing else "done",
        "reason": " | ".join(reasons),
        "veins": len(result.anatomy.veins),
        "corrections": len(result.anatomy.corrections),
        "cardiac_phase": result.provenance.cardiac_phase,
        "cautions": _told(cautions),
        "warnings": _told([note for note in cautions if note.severity == "warning"]),
    }
    ridges = {vein.name: _ridge_mm(vein, result.anatomy) for vein in result.anatomy.veins}
    return {
        "cases": [case],
        "veins": [
            {"case": name, **row, RIDGE_COLUMN: ridges.get(str(row["vein"]))}
            for row in vein_rows(result.anatomy)
        ],
        "fits": [{"case": name, **_fit_values(fit, structures)} for fit in result.fits],
        "leaks": [{"case": name, **row} for fit in result.fits for row in leak_rows(fit)],
    }


def _told(notes: Iterable[Note]) -> str:
    return " | ".join(f"{note.subject}: {note.text}" if note.subject else note.text
                      for note in notes)  # fmt: skip


def failed_rows(case: str, reason: str) -> CaseRows:
    """Return the rows of a case about which nothing can be said."""
    row = {"case": case, "status": "failed", "reason": reason, "veins": None, "corrections": None}
    return {
        "cases": [{**row, "cardiac_phase": None, "cautions": "", "warnings": ""}],
        **{table: [] for table in TABLES[1:]},
    }


def _ridge_mm(vein: Vein, anatomy: Anatomy) -> float | None:
    """Return the width of the narrowest ridge to a neighbouring ostium or the appendage."""
    widths = [r.width_mm for r in anatomy.ridges if vein.name in (r.start, r.end)]
    return round(min(widths), 3) if widths else None


def _fit_values(fit: Fit, structures: tuple[str, ...]) -> Row | dict[str, Any]:
    row = fit_row(fit, structures)
    distances = {name: row.pop(distance_column(name)) for name in structures}
    return {**row, **_margin_values(fit), DISTANCES: distances}


def _margin_values(fit: Fit) -> dict[str, Any]:
    told = margin_document(fit.margin)
    if told is None:
        return dict.fromkeys(GIVEN_PATIENT)
    grown = fit.growth.given_patient if fit.growth else ()
    given = (
        *(told[name]["given_patient"] for name in ("occluded", "antral", "steered_antral")),
        [plain_value("probability", value) for value in grown] or None,
    )
    return dict(zip(GIVEN_PATIENT, given, strict=True))


# ---- schema ---------------------------------------------------------------------------------


@cache
def schema(table: str) -> pa.Schema:
    """Return the Arrow schema of a table: the same for every case and cohort.

    The type of a column is the registry's.
    """
    import pyarrow as pa

    nested = dict.fromkeys(GIVEN_PATIENT, pa.list_(pa.float64()))
    nested[DISTANCES] = pa.map_(pa.string(), pa.float64())
    return pa.schema(
        [
            pa.field(name, nested.get(name) or arrow_type(_kind_of(table, name)))
            for name in COLUMNS[table]
        ]
    )


def _kind_of(table: str, name: str) -> Kind:
    """Return what a column holds: those of a cohort's own, else by the registry."""
    if table == "cases":
        return "whole" if name in ("veins", "corrections") else "text"
    if name == "case":
        return "text"
    return "number" if name == RIDGE_COLUMN else column(table, name).kind


def arrow_table(table: str, rows: list[dict[str, Any]]) -> pa.Table:
    """Return rows as an Arrow table of the fixed schema."""
    import pyarrow as pa

    if table == "fits":
        rows = [{**row, DISTANCES: sorted(row[DISTANCES].items())} for row in rows]
    return pa.Table.from_pylist(rows, schema=schema(table))


def plain_rows(table: str, content: pa.Table) -> list[dict[str, Any]]:
    """Return an Arrow table as rows of plain values; the inverse of :func:`arrow_table`."""
    rows = content.to_pylist()
    if table == "fits":
        for row in rows:
            row[DISTANCES] = dict(row[DISTANCES])
    return rows
