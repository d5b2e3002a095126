"""The tables of a case as CSV files."""

from __future__ import annotations

from veinfit.io.cells import csv_table
from veinfit.result.case_result import CaseResult


def case_tables(result: CaseResult) -> dict[str, bytes]:
    """Return the CSV files of a case by name.

    Parameters
    ----------
    result : CaseResult

    Returns
    -------
    dict of str to bytes
    """
    return {f"{name}.csv": csv_table(one.columns, one.rows) for name, one in result.rows.items()}
