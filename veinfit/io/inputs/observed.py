"""Reads what was observed in procedures, and writes a table to be filled in.

A CSV file with a row for each attempt of a balloon in a vein::

    # occlusion_grade: 4 complete, 3 small leak, 2 moderate leak, 1 poor
    case,vein,balloon,attempt,approach,occlusion_grade,seating_depth_mm
    patient-07,LSPV,28 mm,1,transseptal,4,-6.5

Only ``case``, ``vein`` and ``balloon`` must be there, and in every row one thing that
was observed.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from veinfit.errors import InputError
from veinfit.io.files import LARGEST_TABLE_BYTES, read_bytes
from veinfit.io.separated import as_number, cells, comment, decoded, header_cells, separator_of
from veinfit.seating.kinds import Approach
from veinfit.vein_names import is_vein_name

NEEDED = ("case", "vein", "balloon")
OBSERVATIONS: Mapping[str, tuple[float, float]] = {
    "occlusion_grade": (1, 4),
    "seating_depth_mm": (-60.0, 60.0),
    "time_to_isolation_s": (0.0, 1800.0),
    "lowest_temperature_c": (-100.0, 40.0),
    "shift_after_freeze_mm": (-30.0, 30.0),
}
"""What can have been observed, and the range in which a value can be meant."""
COLUMNS = (*NEEDED, "attempt", "approach", *OBSERVATIONS, "patient")

GRADES = {4: "complete", 3: "small leak", 2: "moderate leak", 1: "poor"}
"""The scale of occlusion; others run the other way or have three steps."""

LISTED_FAULTS = 20
"""A message lists at most this many rows."""

EXPLANATION = (
    "occlusion_grade: " + ", ".join(f"{grade} {words}" for grade, words in GRADES.items()),
    "seating_depth_mm: the balloon's equator along the ostial normal, negative in the atrium",
    "attempt: 1, 2, ... in the order in which this balloon was tried in this vein",
    "patient: only where one patient has several cases; no name, a pseudonym",
    "leave empty what is not known, and delete rows that were not tried",
)
"""Lines at the head of a template."""


@dataclass(frozen=True, slots=True)
class ObservedRow:
    """One attempt of a balloon in a vein, as it was observed.

    Attributes
    ----------
    line : int
        In the file.
    case, patient, vein : str
        ``patient`` is the case where nothing else is said.
    balloon : str
        A diameter in mm or a name, as written.
    attempt : int
    approach : str
        Empty where it is not said.
    occlusion_grade : int or None
        4 complete to 1 poor.
    seating_depth_mm, shift_after_freeze_mm : float or None
        mm.
    time_to_isolation_s : float or None
        s.
    lowest_temperature_c : float or None
        °C.
    """

    line: int
    case: str
    patient: str
    vein: str
    balloon: str
    attempt: int = 1
    approach: str = ""
    occlusion_grade: int | None = None
    seating_depth_mm: float | None = None
    time_to_isolation_s: float | None = None
    lowest_temperature_c: float | None = None
    shift_after_freeze_mm: float | None = None

    @property
    def diameter_mm(self) -> float | None:
        """The balloon's diameter, mm, where it is written as one."""
        try:
            return float(self.balloon.removesuffix("mm").strip())
        except ValueError:
            return None

    @property
    def title(self) -> str:
        """How the row is named to a reader."""
        approach = f" {self.approach}" if self.approach else ""
        return (
            f"line {self.line} ({self.case} {self.vein} {self.balloon}{approach}, "
            f"attempt {self.attempt})"
        )


@dataclass(frozen=True, slots=True)
class ObservedTable:
    """Rows of a file of observations, and the columns of it that were left aside."""

    rows: tuple[ObservedRow, ...]
    left_aside: tuple[str, ...]


def read_observed(path: Path) -> ObservedTable:
    """Read a file of observations.

    Parameters
    ----------
    path : Path
        CSV with a row an attempt.

    Returns
    -------
    ObservedTable

    Raises
    ------
    InputError
        The file cannot be read, lacks a column, or has rows that are wrong; the
        message names each by its line.
    """
    source = f"observations {path}"
    text = decoded(read_bytes(path, "observations", LARGEST_TABLE_BYTES), source)
    lines = [(n, line) for n, line in enumerate(text.splitlines(), start=1)]
    kept = [(n, s) for n, s in lines if s.strip(" ,;\t") and comment(s) is None]
    if not kept:
        raise InputError(f"{source}: holds no rows; begin with {','.join(COLUMNS)}")
    separator = separator_of(kept[0][1])
    where = f"{source}: line {kept[0][0]}"
    names, aside = _header(header_cells(kept[0][1], separator, where), where)
    rows: list[ObservedRow] = []
    faults: list[str] = []
    for number, line in kept[1:]:
        try:
            row = _row(number, names, cells(line, separator), separator)
        except ValueError as error:
            faults.append(f"line {number}: {error}")
        else:
            rows.append(row)
    if faults:
        rest = len(faults) - LISTED_FAULTS
        more = f"; and {rest} more" if rest > 0 else ""
        raise InputError(f"{source}: {'; '.join(faults[:LISTED_FAULTS])}{more}")
    if not rows:
        raise InputError(f"{source}: holds the header but no row; give one row for each attempt")
    return ObservedTable(tuple(rows), aside)


def _header(names: list[str], where: str) -> tuple[list[str], tuple[str, ...]]:
    """Return the names of the columns, and which of them say nothing to this program."""
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise InputError(f"{where}: the header lacks {', '.join(missing)}; add it")
    if not set(OBSERVATIONS) & set(names):
        raise InputError(
            f"{where}: no column holds an observation; there are {', '.join(OBSERVATIONS)}"
        )
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        raise InputError(
            f"{where}: {', '.join(twice)} appears twice in the header; leave one of them"
        )
    aside = tuple(name for name in names if name and name not in COLUMNS)
    for name in aside:
        near = difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.75)
        near = near or [column for column in OBSERVATIONS if name in column.split("_")]
        if near and near[0] not in names:
            raise InputError(f"{where}: unknown column {name!r}; did you mean {near[0]!r}?")
    return names, aside


def _row(line: int, names: Sequence[str], values: Sequence[str], separator: str) -> ObservedRow:
    """Return a row, or raise ValueError saying what is wrong with it."""
    # Where a decimal comma parts a number all behind it are one column off, the last one empty.
    if len(values) > len(names) if separator == "," else any(values[len(names) :]):
        raise ValueError("more values than columns; write decimals with a point")
    given = dict(zip(names, values, strict=False))
    for name in NEEDED:
        if not given.get(name):
            raise ValueError(f"{name} is empty")
    vein = given["vein"].upper() if not given["vein"].lower().startswith("extra") else given["vein"]
    if not is_vein_name(vein):
        raise ValueError(f"vein {given['vein']!r} is not known; write LSPV, LIPV, RSPV, RIPV, ...")
    approach = given.get("approach", "").lower()
    if approach and approach not in get_args(Approach):
        known = " or ".join(get_args(Approach))
        raise ValueError(f"approach {approach!r} is not known; write {known}, or leave it empty")
    seen = {name: _value(name, given.get(name, ""), separator) for name in OBSERVATIONS}
    if all(value is None for value in seen.values()):
        raise ValueError("nothing was observed; delete the row or fill it in")
    grade = seen.pop("occlusion_grade")
    return ObservedRow(
        line,
        given["case"],
        given.get("patient") or given["case"],
        vein,
        given["balloon"],
        _attempt(given.get("attempt", "")),
        approach,
        None if grade is None else int(grade),
        **seen,
    )


def _attempt(text: str) -> int:
    if not text:
        return 1
    if not text.isdecimal() or int(text) < 1:
        raise ValueError(f"attempt {text!r} is not 1, 2, ...")
    return int(text)


def _value(name: str, text: str, separator: str) -> float | None:
    if not text:
        return None
    low, high = OBSERVATIONS[name]
    value = as_number(text, separator)
    if name == "occlusion_grade" and not value.is_integer():
        raise ValueError(f"occlusion_grade {text!r} is not a whole number from 1 to 4")
    if math.isnan(value):
        raise ValueError(f"{name} {text!r} is not a number")
    if not low <= value <= high:
        hint = "; 4 is complete" if name == "occlusion_grade" else ""
        raise ValueError(f"{name} {text} is outside {low:g} to {high:g}{hint}")
    return value


def template(fits: Iterable[tuple[str, str, str, str]]) -> bytes:
    """Return a table to be filled in.

    Parameters
    ----------
    fits : iterable of (case, vein, balloon, approach)

    Returns
    -------
    bytes
        CSV, with the observations empty.
    """
    text = io.StringIO()
    text.writelines(f"# {line}\n" for line in EXPLANATION)
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    blank: Callable[[int], list[str]] = lambda n: [""] * n  # noqa: E731
    for case, vein, balloon, approach in fits:
        writer.writerow([case, vein, balloon, 1, approach, *blank(len(OBSERVATIONS) + 1)])
    return text.getvalue().encode()
