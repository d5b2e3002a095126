"""The XML form of VTK's polygons: text, base64 or raw, packed or not."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from xml.parsers import expat

import numpy as np

from veinfit.io.files import first_line
from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons
from veinfit.io.mesh_formats.vtk_cells import Cells, joined, polygon_cells, strip_cells
from veinfit.io.mesh_formats.vtp_data import Form, array_bytes
from veinfit.vectors import FloatArray, IntArray

TYPES = {
    "Int8": "i1", "UInt8": "u1", "Int16": "i2", "UInt16": "u2", "Int32": "i4", "UInt32": "u4",
    "Int64": "i8", "UInt64": "u8", "Float32": "f4", "Float64": "f8",
}  # fmt: skip

WANTED = {"Points", "Polys", "Strips"}
"""Parts of a piece that are read; points, lines and what is drawn on the surface are not."""

MOST_ROWS = 10**9


@dataclass(frozen=True, slots=True)
class _Array:
    """A list of numbers as the file describes it, with its text where that holds it."""

    about: dict[str, str]
    text: list[str]


@dataclass(frozen=True, slots=True)
class _Piece:
    about: dict[str, str]
    arrays: dict[tuple[str, str], _Array] = field(default_factory=dict)


def parse_vtp(data: bytes) -> Polygons:
    """Read the polygons and strips of a VTP file [1]_, of all its pieces.

    References
    ----------
    .. [1] VTK XML formats, docs.vtk.org/en/latest/vtk_file_formats/vtkxml_file_format.html
    """
    mark = re.search(rb"<AppendedData[^<>]*>\s*_", data)
    found = _Outline()
    found.read(data[: mark.end() - 1] if mark else data, whole=mark is None)
    form = Form.of(found.about, found.appended, b"" if mark is None else data[mark.end() :])
    points, cells, before = [], [], 0
    for piece in found.pieces:
        placed = _points(piece, form)
        for name, kind in (("Polys", polygon_cells), ("Strips", strip_cells)):
            sizes, corners = _cells(piece, name, form, kind)
            cells.append((sizes, corners + before))
        points.append(placed)
        before += len(placed)
    if not before:
        raise DamagedMesh("it has no vertices")
    return joined(np.concatenate(points), *cells)


class _Outline:
    """The elements of the file."""

    def __init__(self) -> None:
        self.about: dict[str, str] = {}
        self.appended: dict[str, str] = {}
        self.pieces: list[_Piece] = []
        self._path: list[str] = []
        self._array: _Array | None = None

    def read(self, text: bytes, whole: bool) -> None:
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = self._doctype
        try:
            parser.Parse(text, whole)
        except (expat.ExpatError, UnicodeError) as error:
            raise DamagedMesh(first_line(error)) from error
        if self.about.get("type") != "PolyData":
            kind = self.about.get("type", "nothing")
            raise DamagedMesh(f"it holds {kind[:40]} rather than a surface (PolyData)")

    def _start(self, name: str, about: dict[str, str]) -> None:
        if not self._path and name != "VTKFile":
            raise DamagedMesh("it is not a VTK file")
        self._path.append(name)
        part = self._path[-2] if len(self._path) > 1 else ""
        if name == "VTKFile":
            self.about = about
        elif name == "AppendedData":
            self.appended = about
        elif name == "Piece":
            self.pieces.append(_Piece(about))
        elif name == "DataArray" and part in WANTED and self.pieces:
            self._array = _Array(about, [])
            kind = "" if part == "Points" else about.get("Name", "")
            self.pieces[-1].arrays[part, kind] = self._array

    def _end(self, name: str) -> None:
        self._path.pop()
        if name == "DataArray":
            self._array = None

    def _characters(self, text: str) -> None:
        # What a list says of itself stands in it too, in elements of its own.
        if self._array is not None and self._path[-1] == "DataArray":
            self._array.text.append(text)

    def _doctype(self, *_: object) -> None:
        raise DamagedMesh("it declares a document type, which no VTK file does")


def _points(piece: _Piece, form: Form) -> FloatArray:
    count = _count(piece, "NumberOfPoints")
    if not count:
        return np.zeros((0, 3))
    return _numbers(piece, "Points", "", 3 * count, form).astype(np.float64).reshape(-1, 3)


def _cells(piece: _Piece, name: str, form: Form, kind: Callable[..., Cells]) -> Cells:
    count = _count(piece, f"NumberOf{name}")
    if not count:
        return kind(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    ends: IntArray = _numbers(piece, name, "offsets", count, form).astype(np.int64)
    sizes = np.diff(ends, prepend=0)
    if (sizes < 0).any() or ends[-1] > MOST_ROWS:
        raise DamagedMesh("its list of faces is inconsistent")
    corners = _numbers(piece, name, "connectivity", int(ends[-1]), form).astype(np.int64)
    return kind(sizes, corners)


def _count(piece: _Piece, name: str) -> int:
    text = piece.about.get(name, "0")
    if re.fullmatch(r"\d{1,9}", text) is None:
        raise DamagedMesh(f"its {name} is {text[:40]!r}")
    return int(text)


def _numbers(piece: _Piece, part: str, name: str, count: int, form: Form) -> np.ndarray[Any, Any]:
    """Return the numbers of one list, of which there must be ``count``."""
    array = piece.arrays.get((part, name))
    called = f"{part} {name}".strip()
    if array is None:
        raise DamagedMesh(f"it has no {called}")
    kind = TYPES.get(array.about.get("type", ""))
    if kind is None:
        raise DamagedMesh(f"its {called} are of the type {array.about.get('type', '')[:40]!r}")
    dtype = np.dtype(form.byte_order + kind)
    if array.about.get("format") == "ascii":
        return _written("".join(array.text), dtype, count, called)
    content = array_bytes(array.about, "".join(array.text), form, count * dtype.itemsize, called)
    return np.frombuffer(content, dtype)


def _written(text: str, dtype: np.dtype[Any], count: int, called: str) -> np.ndarray[Any, Any]:
    words = text.split()
    if len(words) != count:
        raise DamagedMesh(f"its {called} need {count} numbers but there are {len(words)}")
    try:
        if dtype.kind == "f":
            return np.array([float(word) for word in words])
        return np.array([int(word) for word in words], dtype=np.int64)
    except (ValueError, OverflowError) as error:
        raise DamagedMesh(f"its {called}: {first_line(error)}") from error
