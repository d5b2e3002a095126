"""Every column of the result tables: name, type, unit, range, label, digits, meaning.

``columns.csv`` is the one place where they stand. The CSV files, ``case.json`` and its schema, the
Parquet tables of a cohort, :meth:`CaseResult.tables`, the report and the page that explains them
come from it.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, Literal

from veinfit.result.values import decimals

if TYPE_CHECKING:
    import pyarrow as pa

Kind = Literal["text", "number", "whole", "yes"]

JSON_TYPES = {"text": "string", "number": "number", "whole": "integer", "yes": "boolean"}

PLACEHOLDER = re.compile(r"NAME|VEIN")
"""Stands in a column's name for a structure's or a vein's: there is one column for each."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of one table.

    Attributes
    ----------
    table : str
        Name of the table, its file's without the ending.
    name : str
        With NAME or VEIN in it, there is one column for each structure or vein.
    kind : {'text', 'number', 'whole', 'yes'}
    unit : str
        ``1`` for a ratio or probability; empty for what is no quantity.
    low, high : float or None
        Least and greatest value.
    above : bool
        Whether a value equals ``low`` never.
    optional : bool
        Whether it may be empty.
    choices : tuple of str
        All values of a text that has only some.
    label : str
        As reports call it; empty where they do not show it.
    shown_digits : int or None
        Decimals in a report.
    meaning : str
    """

    table: str
    name: str
    kind: Kind
    unit: str
    low: float | None
    high: float | None
    above: bool
    optional: bool
    choices: tuple[str, ...]
    label: str
    shown_digits: int | None
    meaning: str

    @property
    def digits(self) -> int | None:
        """Decimals in the files; None for what is no number."""
        return decimals(self.name) if self.kind == "number" else None

    def heading(self, name: str = "") -> str:
        """Return what reports and plots call the column ``name``: its label and its unit.

        Parameters
        ----------
        name : str
            That of one column, where this one stands for many by a placeholder.

        Returns
        -------
        str
        """
        words = self.label or self.name
        if found := re.fullmatch("(.+)".join(map(re.escape, PLACEHOLDER.split(self.name))), name):
            words = PLACEHOLDER.sub(lambda _: "".join(found.groups()).replace("_", " "), words)
        return words if self.unit in ("", "1", "h") else f"{words}, {self.unit}"

    def json_schema(self) -> dict[str, Any]:
        """Return what the JSON Schema says of a value of this column."""
        told: dict[str, Any] = {"description": self._described()}
        if self.choices:
            return {**told, "enum": list(self.choices)}
        kind = JSON_TYPES[self.kind]
        told["type"] = [kind, "null"] if self.optional else kind
        if self.low is not None:
            told["exclusiveMinimum" if self.above else "minimum"] = _plain(self.low)
        if self.high is not None:
            told["maximum"] = _plain(self.high)
        return told

    def _described(self) -> str:
        return self.meaning if self.unit in ("", "1") else f"{self.meaning} ({self.unit})"


@cache
def registry() -> tuple[Column, ...]:
    """Return every column of every table, in the order of the files."""
    text = resources.files("veinfit.result").joinpath("columns.csv").read_text(encoding="utf-8")
    return tuple(_column(row) for row in csv.DictReader(io.StringIO(text)))


def columns(table: str) -> tuple[Column, ...]:
    """Return the columns of a table, those with a placeholder included.

    Parameters
    ----------
    table : str
        Its file's name, with or without ``.csv``.

    Returns
    -------
    tuple of Column

    Raises
    ------
    ValueError
        There is no such table; the message says which there are.

    Examples
    --------
    >>> [column.name for column in columns("ridges.csv")]
    ['from', 'to', 'width_mm']
    >>> columns("fits")[10].name, columns("fits")[10].unit, columns("fits")[10].label
    ('depth_mm', 'mm', 'Depth of the equator')
    """
    name = table.removesuffix(".csv")
    found = tuple(column for column in registry() if column.table == name)
    if not found:
        known = ", ".join(dict.fromkeys(column.table for column in registry()))
        raise ValueError(f"there is no table {table!r}; there are {known}")
    return found


@cache
def names(table: str) -> tuple[str, ...]:
    """Return the names of a table's columns that every case has, in their order.

    Parameters
    ----------
    table : str
        Such as ``fits``.

    Returns
    -------
    tuple of str
    """
    return tuple(c.name for c in columns(table) if not PLACEHOLDER.search(c.name))


@cache
def column(table: str, name: str) -> Column:
    """Return one column; that with a placeholder for one of its kind.

    Parameters
    ----------
    table : str
        Such as ``fits``.
    name : str
        With what stands for the placeholder, such as ``distance_oesophagus_mm``.

    Returns
    -------
    Column

    Raises
    ------
    ValueError
        There is none.
    """
    for one in columns(table):
        pattern = "(.+)".join(map(re.escape, PLACEHOLDER.split(one.name)))
        if re.fullmatch(pattern, name):
            return one
    raise ValueError(f"table {table} has no column {name!r}")


def arrow_type(kind: Kind) -> pa.DataType:
    """Return the Arrow type of a kind of column.

    Parameters
    ----------
    kind : {'text', 'whole', 'yes', 'number'}
        As the registry tells it.

    Returns
    -------
    pyarrow.DataType
    """
    import pyarrow as pa

    return {
        "text": pa.string(), "whole": pa.int64(), "yes": pa.bool_(), "number": pa.float64(),
    }[kind]  # fmt: skip


def arrow_schema(table: str, present: tuple[str, ...]) -> pa.Schema:
    """Return the Arrow schema of a table with these columns: type, and unit and meaning."""
    import pyarrow as pa

    fields = []
    for name in present:
        one = column(table, name)
        about = {"unit": one.unit, "meaning": one.meaning, "label": one.label}
        fields.append(pa.field(name, arrow_type(one.kind), metadata=about))
    return pa.schema(fields)


def _column(row: dict[str, str]) -> Column:
    low = row["low"].removeprefix(">")
    kind: Any = row["kind"]
    return Column(
        table=row["table"],
        name=row["name"],
        kind=kind,
        unit=row["unit"],
        low=float(low) if low else None,
        high=float(row["high"]) if row["high"] else None,
        above=row["low"].startswith(">"),
        optional=row["optional"] == "yes",
        choices=tuple(row["choices"].split("|")) if row["choices"] else (),
        label=row["label"],
        shown_digits=int(row["digits"]) if row["digits"] else None,
        meaning=row["meaning"],
    )


def _plain(value: float) -> float | int:
    return int(value) if value == int(value) else value
