"""Tables as CSV files."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from veinfit.result.values import Row, Value, decimals


def _cell(name: str, value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.{decimals(name)}f}"
    return " ".join(str(value).split())


def csv_text(columns: Sequence[str], rows: Iterable[Iterable[object]]) -> str:
    """Return rows of cells that are written as they are as CSV: a header line, line feeds.

    Parameters
    ----------
    columns : sequence of str
    rows : iterable of iterable of object
        As many cells as columns.

    Returns
    -------
    str
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue()


def csv_table(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    """Return rows as a CSV file: a header line, UTF-8, lines ended by a line feed.

    Parameters
    ----------
    columns : sequence of str
        In their order; keys of the rows that are none of them are left out.
    rows : iterable of Row

    Returns
    -------
    bytes
    """
    cells = ([_cell(name, row[name]) for name in columns] for row in rows)
    return csv_text(columns, cells).encode()
