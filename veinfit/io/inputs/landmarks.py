"""Reads landmarks: named points and polylines, into LPS mm.

A landmarks file is CSV; rows of one name, in order, make a polyline::

    # frame: lps
    name,x_mm,y_mm,z_mm
    right_phrenic_nerve,-41.2,-20.5,60.1
    right_phrenic_nerve,-42.0,-19.8,48.3

The comment that states the frame is ``lps`` or ``ras``; without it, LPS.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from veinfit.errors import InputError
from veinfit.frames import FRAMES, Frame, to_lps
from veinfit.io.files import LARGEST_TABLE_BYTES, read_bytes
from veinfit.io.separated import as_number, cells, comment, decoded, header_cells, separator_of
from veinfit.labels.model import is_structure_name
from veinfit.vectors import FloatArray

COLUMNS = ("name", "x_mm", "y_mm", "z_mm")
LISTED_FAULTS = 8
"""A message lists at most this many faults."""


@dataclass(frozen=True, slots=True, eq=False)
class Landmarks(Mapping[str, FloatArray]):
    """Named points and polylines; itself a mapping of name to points.

    Attributes
    ----------
    points : mapping of str to (N, 3) array
        LPS mm, in the order of the file.
    frame : {'lps', 'ras'}
        The frame that the file stated.
    """

    points: Mapping[str, FloatArray]
    frame: Frame

    def __getitem__(self, name: str) -> FloatArray:
        return self.points[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.points)

    def __len__(self) -> int:
        return len(self.points)


def read_landmarks(path: Path) -> Landmarks:
    """Read a landmarks file.

    Parameters
    ----------
    path : Path
        UTF-8 CSV with the columns name, x_mm, y_mm and z_mm in any order,
        separated by commas, semicolons or tabs. Further columns, blank lines and
        comments (#) are left aside.

    Returns
    -------
    dict of str to (N, 3) array
        Points by name, in their order, LPS mm.

    Raises
    ------
    InputError
        The file cannot be read, states an unknown frame, lacks a column, or
        has rows that are wrong; the message gives their line numbers.

    Examples
    --------
    >>> marks = read_landmarks(samples / "larkmoor-03.landmarks.csv")
    >>> sorted(marks)
    ['right_phrenic_nerve', 'septal_crossing']
    >>> marks["septal_crossing"].shape
    (1, 3)
    """
    path = Path(path)
    source = f"landmarks {path}"
    text = decoded(read_bytes(path, "landmarks", LARGEST_TABLE_BYTES), source)
    lines = list(enumerate(text.splitlines(), start=1))
    frame = _stated_frame(lines, source)
    rows = [(n, line) for n, line in lines if line.strip() and comment(line) is None]
    if not rows:
        raise InputError(
            f"{source}: holds no rows; give {','.join(COLUMNS)} and one row for each point"
        )
    separator = separator_of(rows[0][1])
    place = _columns(rows[0], separator, source)
    points: dict[str, list[tuple[float, ...]]] = {}
    faults: list[str] = []
    for number, line in rows[1:]:
        try:
            name, point = _row(line, separator, place)
        except ValueError as error:
            faults.append(f"line {number}: {error}")
        else:
            points.setdefault(name, []).append(point)
    if faults:
        shown = "; ".join(faults[:LISTED_FAULTS])
        rest = len(faults) - LISTED_FAULTS
        raise InputError(f"{source}: {shown}" + (f"; and {rest} more" if rest > 0 else ""))
    if not points:
        raise InputError(f"{source}: holds the header but no point; give one row for each point")
    return Landmarks({name: to_lps(np.array(p), frame) for name, p in points.items()}, frame)


def _stated_frame(lines: list[tuple[int, str]], source: str) -> Frame:
    """Return the frame that a comment states; LPS where none does."""
    stated: dict[str, int] = {}
    for number, line in lines:
        found = re.fullmatch(r"#\s*frame\s*[:=]\s*(.*?)\s*", comment(line) or "", re.I)
        if found:
            stated.setdefault(found.group(1).strip().lower(), number)
    if len(stated) > 1:
        raise InputError(f"{source}: states several frames ({', '.join(stated)}); state one")
    for word, number in stated.items():
        for frame in FRAMES:
            if word == frame:
                return frame
        raise InputError(
            f"{source}: line {number}: frame {word!r} is not known; state {' or '.join(FRAMES)}"
        )
    return "lps"


def _columns(header: tuple[int, str], separator: str, source: str) -> dict[str, int]:
    """Return where each column stands, and how many there are under the empty name."""
    number, line = header
    names = header_cells(line, separator, f"{source}: line {number}")
    missing = [column for column in COLUMNS if column not in names]
    if missing:
        raise InputError(
            f"{source}: line {number}: the header lacks {', '.join(missing)}; begin with "
            f"{','.join(COLUMNS)}"
        )
    twice = [column for column in COLUMNS if names.count(column) > 1]
    if twice:
        raise InputError(
            f"{source}: line {number}: {', '.join(twice)} appears twice in the header; leave one "
            "of them"
        )
    return {**{column: names.index(column) for column in COLUMNS}, "": len(names)}


def _row(line: str, separator: str, place: dict[str, int]) -> tuple[str, tuple[float, ...]]:
    """Return name and point of a row, or raise ValueError saying what is wrong."""
    fields = cells(line, separator)
    # Spreadsheets pad rows with empty fields.
    while len(fields) > place[""] and not fields[-1]:
        fields.pop()
    if len(fields) > place[""]:
        raise ValueError(
            f"{len(fields)} values under {place['']} columns; write decimals with a point"
        )
    values = {c: fields[k] if k < len(fields) else "" for c, k in place.items() if c}
    name = values.pop("name")
    if not name:
        raise ValueError("the name is empty")
    if not is_structure_name(name):
        raise ValueError(f"the name {name!r} may hold letters, digits, blanks and _ . - only")
    point = []
    for column, value in values.items():
        number = as_number(value, separator)
        if not math.isfinite(number):
            what = f"{value!r} is not a number" if value else "is empty"
            raise ValueError(f"{column} {what}")
        point.append(number)
    return name, tuple(point)
