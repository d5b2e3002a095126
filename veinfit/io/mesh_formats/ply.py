"""PLY, text and binary."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from veinfit.io.files import first_line
from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons, unrolled
from veinfit.io.mesh_formats.words import worded_lines
from veinfit.vectors import FloatArray, IntArray

PLY_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip

PLY_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}

PLY_INDEX_NAMES = ("vertex_indices", "vertex_index")

FACE_ELEMENTS = ("face", "tristrips")


@dataclass(frozen=True, slots=True)
class _Property:
    """A number, or a list of numbers where ``count`` is the type of its length."""

    name: str
    type: str
    count: str = ""


@dataclass(frozen=True, slots=True)
class _Element:
    name: str
    rows: int
    properties: list[_Property]


def parse_ply(data: bytes) -> Polygons:
    """Read the vertices and polygons, or triangle strips, of a PLY file."""
    elements, order, body = _ply_header(data)
    read = _ascii_rows(body) if order == "" else _binary_rows(body, order)
    points: FloatArray | None = None
    faces: list[list[int]] = []
    triangles: IntArray | None = None
    alone = sum(element.name in FACE_ELEMENTS for element in elements) == 1
    for element in elements:
        columns = read(element)
        if element.name == "vertex":
            try:
                # Not-a-number of some bit patterns makes the conversion itself complain.
                with np.errstate(invalid="ignore"):
                    points = np.column_stack([np.asarray(columns[axis], float) for axis in "xyz"])
            except KeyError as error:
                raise DamagedMesh(f"its vertices have no property {error}") from error
        elif element.name in FACE_ELEMENTS:
            name = next((n for n in PLY_INDEX_NAMES if n in columns), None)
            if name is None:
                raise DamagedMesh(f"its element {element.name} has no vertex_indices")
            if alone and element.name == "face" and _all_triangles(columns[name]):
                triangles = columns[name].astype(np.int64)
                continue
            try:
                lists = [[int(v) for v in row] for row in _listed(columns[name])]
            except (ValueError, OverflowError, TypeError) as error:
                raise DamagedMesh(f"its faces: {first_line(error)}") from error
            faces += lists if element.name == "face" else unrolled(lists)
    if points is None:
        raise DamagedMesh("it has no vertices")
    if triangles is not None:
        return Polygons.from_triangles(points, triangles)
    return Polygons.from_lists(points, faces)


def _all_triangles(found: Any) -> bool:
    """Whether the lists of all rows were read at once and are three whole numbers each."""
    whole = isinstance(found, np.ndarray) and found.dtype.kind in "iu"
    return bool(whole and found.shape[1:] == (3,))


def _listed(found: Any) -> Any:
    return found.tolist() if isinstance(found, np.ndarray) else found


def _ply_header(data: bytes) -> tuple[list[_Element], str, bytes]:
    """Return the elements in order, the byte order ('' for text), and what follows the header."""
    match = re.search(rb"^end_header[ \t]*\r?\n?", data, re.M)
    if not re.match(rb"ply\s", data) or match is None:
        raise DamagedMesh("it has no PLY header")
    order: str | None = None
    elements: list[_Element] = []
    for line in data[: match.start()].decode("latin-1").splitlines():
        words = line.split()
        try:
            if words[:1] == ["format"]:
                order = PLY_FORMATS[words[1]]
            elif words[:1] == ["element"]:
                elements.append(_Element(words[1], int(words[2]), []))
            elif words[:2] == ["property", "list"]:
                count, kind, name = words[2:5]
                elements[-1].properties.append(_Property(name, PLY_TYPES[kind], PLY_TYPES[count]))
            elif words[:1] == ["property"]:
                elements[-1].properties.append(_Property(words[2], PLY_TYPES[words[1]]))
            named = [p.name for element in elements[-1:] for p in element.properties]
            if len(set(named)) < len(named):
                raise ValueError("a name that appears twice")
        except (KeyError, IndexError, ValueError) as error:
            raise DamagedMesh(f"header line {line!r} is not understood") from error
    if order is None:
        raise DamagedMesh("its header states no format")
    return elements, order, data[match.end() :]


_Columns = dict[str, Any]


def _short(element: _Element, found: int) -> DamagedMesh:
    return DamagedMesh(
        f"{element.rows} rows of {element.name} are announced but it ends after {found}: "
        "it was cut short"
    )


def _ascii_rows(body: bytes) -> Callable[[_Element], _Columns]:
    lines = iter(list(worded_lines(body)))

    def read(element: _Element) -> _Columns:
        rows: _Columns = {p.name: [] for p in element.properties}
        for found in range(element.rows):
            number, words = next(lines, (0, None))
            if words is None:
                raise _short(element, found)
            at = 0
            try:
                for p in element.properties:
                    if p.count:
                        size = int(words[at])
                        values = [float(w) for w in words[at + 1 : at + 1 + size]]
                        if size < 0 or len(values) < size:
                            raise ValueError(f"a list of {size} has {len(values)} values")
                        rows[p.name].append(values)
                        at += 1 + size
                    else:
                        rows[p.name].append(float(words[at]))
                        at += 1
            except IndexError as error:
                raise DamagedMesh(f"row {number} after the header is too short") from error
            except ValueError as error:
                raise DamagedMesh(f"row {number} after the header: {first_line(error)}") from error
        return rows

    return read


def _binary_rows(body: bytes, order: str) -> Callable[[_Element], _Columns]:
    at = 0

    def sized(element: _Element, lengths: list[int]) -> np.dtype[Any]:
        sizes = iter(lengths)
        fields: list[Any] = []
        for p in element.properties:
            if p.count:
                fields.append((f"{p.name} count", order + p.count))
                fields.append((p.name, order + p.type, (next(sizes),)))
            else:
                fields.append((p.name, order + p.type))
        return np.dtype(fields)

    def row_lengths(element: _Element, start: int) -> list[int]:
        """Return the list lengths of the row that begins at ``start``."""
        lengths: list[int] = []
        for p in element.properties:
            if not p.count:
                start += np.dtype(p.type).itemsize
                continue
            kind = np.dtype(order + p.count)
            if start + kind.itemsize > len(body):
                raise EOFError
            size = int(np.frombuffer(body, kind, 1, start)[0])
            if size < 0:
                raise DamagedMesh(f"a list of {p.name} has the length {size}")
            lengths.append(size)
            start += kind.itemsize + size * np.dtype(p.type).itemsize
        return lengths

    def read(element: _Element) -> _Columns:
        nonlocal at
        lists = [p.name for p in element.properties if p.count]
        rows: _Columns = {p.name: [] for p in element.properties}
        found = 0
        while found < element.rows:
            # Runs of rows with lists of the same lengths are read at once.
            try:
                lengths = row_lengths(element, at)
            except EOFError:
                raise _short(element, found) from None
            kind = sized(element, lengths)
            room = (len(body) - at) // max(kind.itemsize, 1)
            take = min(element.rows - found, room)
            if take < 1:
                raise _short(element, found)
            block = np.frombuffer(body, kind, take, at)
            same = np.ones(take, dtype=bool)
            for name, length in zip(lists, lengths, strict=True):
                same &= block[f"{name} count"] == length
            take = take if same.all() else int(np.argmin(same))
            if take == element.rows:
                at += take * kind.itemsize
                return {p.name: block[p.name] for p in element.properties}
            for p in element.properties:
                rows[p.name].extend(block[p.name][:take].tolist())
            found += take
            at += take * kind.itemsize
        return rows

    return read
