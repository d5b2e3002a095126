"""One case as the rows of a cohort's tables, and the fixed schema of these tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import TYPE_CHECKING, Any, get_type_hints

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.io.cells import Row, plain_value
from veinfit.io.margin_record import margin_document
from veinfit.io.tables import (
    FIT_COLUMNS,
    LEAK_COLUMNS,
    VEIN_COLUMNS,
    distance_column,
    fit_row,
    leak_rows,
    vein_rows,
)
from veinfit.seating.model import Fit, Leak

if TYPE_CHECKING:
    import pyarrow as pa

    from veinfit.case import CaseResult

CaseRows = dict[str, list[dict[str, Any]]]
"""The rows of one case by table."""

TABLES = ("cases", "veins", "fits", "leaks")
CASE_COLUMNS = (
    "case", "key", "status", "reason", "veins", "corrections", "cardiac_phase", "cautions",
)  # fmt: skip
"""A row a case: ``status`` is ``done``, ``partial`` (some fits not assessed) or ``failed``."""
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
    """Return the rows of an assessed case."""
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
        "cautions": " | ".join(
            f"{note.subject}: {note.text}" if note.subject else note.text for note in cautions
        ),
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


def failed_rows(case: str, reason: str) -> CaseRows:
    """Return the rows of a case about which nothing can be said."""
    row = {"case": case, "status": "failed", "reason": reason, "veins": None, "corrections": None}
    return {
        "cases": [{**row, "cardiac_phase": None, "cautions": ""}],
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

    The type of a column is that of the field that it comes from.
    """
    import pyarrow as pa

    kinds = _kinds()
    types = {"text": pa.string(), "whole": pa.int64(), "yes": pa.bool_(), "number": pa.float64()}
    nested = dict.fromkeys(GIVEN_PATIENT, pa.list_(pa.float64()))
    nested[DISTANCES] = pa.map_(pa.string(), pa.float64())
    return pa.schema(
        [
            pa.field(name, nested.get(name) or types[kinds[table].get(name, "number")])
            for name in COLUMNS[table]
        ]
    )


def _kinds() -> dict[str, dict[str, str]]:
    text = dict.fromkeys(("case", "vein", "notes", "ostium_kind"), "text")
    cases = {**dict.fromkeys(CASE_COLUMNS, "text"), "veins": "whole", "corrections": "whole"}
    return {
        "cases": cases,
        "veins": {**_declared(Vein), **text},
        "fits": {**_declared(Fit), **text},
        "leaks": {**_declared(Leak), **text},
    }


def _declared(kind: type) -> dict[str, str]:
    """Return what the fields of a dataclass hold, by their declared types."""
    hints = get_type_hints(kind)
    found = {}
    for field in fields(kind):
        words = str(hints[field.name])
        for sign, name in (("bool", "yes"), ("float", "number"), ("int", "whole")):
            if sign in words:
                found[field.name] = name
                break
        else:
            found[field.name] = "text"
    return found


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
