"""The legacy form of VTK, text and binary, of version 2 to 5."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from veinfit.io.files import first_line
from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons
from veinfit.io.mesh_formats.vtk_cells import cells_of_types, joined, polygon_cells, strip_cells
from veinfit.vectors import FloatArray, IntArray

TYPES = {
    "char": "i1", "unsigned_char": "u1", "short": "i2", "unsigned_short": "u2",
    "int": "i4", "unsigned_int": "u4", "long": "i8", "unsigned_long": "u8",
    "vtktypeint32": "i4", "vtktypeint64": "i8", "vtktypeuint64": "u8", "vtkidtype": "i4",
    "float": "f4", "double": "f8",
}  # fmt: skip
"""An index of VTK is written in 32 bits, whatever it is in memory."""

CELL_BLOCKS = ("VERTICES", "LINES", "POLYGONS", "TRIANGLE_STRIPS", "CELLS")
END = ("POINT_DATA", "CELL_DATA")
"""What follows says nothing about the surface."""


def parse_vtk(data: bytes) -> Polygons:
    """Read the polygons and strips of a legacy VTK file [1]_.

    References
    ----------
    .. [1] VTK file formats, docs.vtk.org/en/latest/vtk_file_formats/vtk_legacy_file_format.html
    """
    head = re.match(rb"# vtk DataFile Version [^\n]*\n[^\n]*\n[ \t]*(\w+)[ \t]*\r?\n", data)
    form = head.group(1).upper() if head else b""
    if head is None or form not in (b"ASCII", b"BINARY"):
        raise DamagedMesh("it does not begin as a VTK file")
    reader = _Reader(data, head.end(), form == b"BINARY")
    if reader.word().upper() != "DATASET":
        raise DamagedMesh("its header names no data set")
    kind = reader.word().upper()
    if kind not in ("POLYDATA", "UNSTRUCTURED_GRID"):
        raise DamagedMesh(f"it holds {kind[:40]} rather than a surface")
    points: FloatArray | None = None
    cells: dict[str, tuple[IntArray, IntArray]] = {}
    types = np.zeros(0, dtype=np.int64)
    while (block := reader.word().upper()) not in ("", *END):
        if block == "POINTS":
            count = reader.count()
            points = reader.array(3 * count, reader.word(), "POINTS").reshape(-1, 3)
        elif block in CELL_BLOCKS:
            cells[block] = reader.cells(block)
        elif block == "CELL_TYPES":
            types = reader.array(reader.count(), "int", block).astype(np.int64)
        elif block == "FIELD":
            reader.skip_field()
        elif block == "METADATA":
            reader.skip_metadata()
        else:
            raise DamagedMesh(f"it has {block[:40]!r} where points or faces are expected")
    if points is None:
        raise DamagedMesh("it has no vertices")
    if kind == "UNSTRUCTURED_GRID":
        return cells_of_types(points, *cells.get("CELLS", _NONE), types)
    polygons = polygon_cells(*cells.get("POLYGONS", _NONE))
    return joined(points, polygons, strip_cells(*cells.get("TRIANGLE_STRIPS", _NONE)))


_NONE = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)


class _Reader:
    """A place in the file, and what is read from there."""

    def __init__(self, data: bytes, at: int, binary: bool) -> None:
        self._data, self._at, self._binary = data, at, binary

    def word(self) -> str:
        """Return the next word; empty at the end."""
        found = _WORD.match(self._data, self._at)
        if found is None:
            return ""
        self._at = found.end()
        return found.group(1).decode("latin-1")

    def count(self) -> int:
        word = self.word()
        if re.fullmatch(r"\d{1,18}", word) is None:
            raise DamagedMesh(f"it has {word[:40]!r} where a number of rows is expected")
        return int(word)

    def array(self, count: int, kind: str, block: str) -> np.ndarray[Any, Any]:
        """Return numbers, which in binary files begin on the next line."""
        if kind.lower() not in TYPES:
            raise DamagedMesh(f"it holds numbers of the type {kind[:40]!r}, which is not known")
        dtype = np.dtype(TYPES[kind.lower()]).newbyteorder(">")
        if self._binary:
            start = self._data.find(b"\n", self._at) + 1
            end = start + count * dtype.itemsize
            if start == 0 or end > len(self._data):
                raise _short(block, count)
            self._at = end
            found = np.frombuffer(self._data, dtype, count, start)
        else:
            words = self._data[self._at :].split(None, count)
            if len(words) < count:
                raise _short(block, count)
            rest = words.pop() if len(words) > count else b""
            self._at = len(self._data) - len(rest)
            try:
                read = float if dtype.kind == "f" else int
                found = np.array([read(word) for word in words], "f8" if read is float else "i8")
            except (ValueError, OverflowError) as error:
                raise DamagedMesh(first_line(error)) from error
        with np.errstate(invalid="ignore"):
            return found.astype(np.float64 if dtype.kind == "f" else np.int64)

    def cells(self, block: str) -> tuple[IntArray, IntArray]:
        """Return how many corners each cell has, and the corners of all."""
        count, size = self.count(), self.count()
        before = self._at
        if self.word().upper() == "OFFSETS":
            offsets = self.array(count, self.word(), block)
            if self.word().upper() != "CONNECTIVITY":
                raise DamagedMesh("its cells have no CONNECTIVITY")
            corners = self.array(size, self.word(), block)
            return _sizes(offsets, size), corners
        self._at = before
        return _counted(self.array(size, "int", block), count)

    def skip_field(self) -> None:
        self.word()
        for _ in range(self.count()):
            self.word()
            width, rows = self.count(), self.count()
            self.array(width * rows, self.word(), "FIELD")
            before = self._at
            if self.word().upper() == "METADATA":
                self.skip_metadata()
            else:
                self._at = before

    def skip_metadata(self) -> None:
        end = re.compile(rb"\n[ \t]*\r?\n").search(self._data, self._at)
        self._at = len(self._data) if end is None else end.end()


def _short(block: str, count: int) -> DamagedMesh:
    return DamagedMesh(f"its {block} need {count} numbers but the file ends before them")


_WORD = re.compile(rb"\s*([^\s\0]{1,200})")


def _sizes(offsets: IntArray, size: int) -> IntArray:
    sizes = np.diff(offsets)
    if len(offsets) and (offsets[0] != 0 or offsets[-1] != size or (sizes < 0).any()):
        raise DamagedMesh("its list of faces is inconsistent")
    return sizes


def _counted(flat: IntArray, count: int) -> tuple[IntArray, IntArray]:
    """Part a list in which the corners of each cell stand behind their number."""
    if count and len(flat) % count == 0:
        rows = flat.reshape(count, -1)
        if rows.shape[1] and (rows[:, 0] == rows.shape[1] - 1).all():
            return rows[:, 0], rows[:, 1:].ravel()
    sizes, starts, at = [], [], 0
    for _ in range(count):
        if at >= len(flat) or flat[at] < 0:
            break
        starts.append(at)
        sizes.append(int(flat[at]))
        at += 1 + sizes[-1]
    if at != len(flat) or len(sizes) != count:
        raise DamagedMesh("its list of faces is inconsistent")
    return np.array(sizes, dtype=np.int64), np.delete(flat, starts)
