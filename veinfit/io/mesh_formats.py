"""Surface mesh files, format by format, as points and polygons.

The text formats and the two simple binary ones are read here rather than by a
library: of those at hand one ends the process on a PLY file that was cut short
and takes the rest from unset memory, the other refuses files that mix triangles
with polygons. The formats of VTK are read by VTK.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from veinfit.frames import FloatArray, IntArray
from veinfit.io.files import first_line
from veinfit.io.quiet import captured_vtk

STL_HEADER_BYTES = 84
STL_FACE_BYTES = 50
"""A binary STL file has 84 + 50 n bytes: 80 of text, a count, and 50 for each triangle."""


LEGACY_HEADER_BYTES = 512
"""The first lines of a legacy VTK file, which say ASCII or BINARY, lie within this."""

LEGACY_TYPE_BYTES = {
    b"float": 4,
    b"double": 8,
    b"int": 4,
    b"long": 8,
    b"vtktypeint64": 8,
    b"vtktypeint32": 4,
    b"vtkidtype": 4,
}
"""Bytes of a number of the types that points and cells of a legacy VTK file come in."""

LEGACY_BLOCK = re.compile(
    rb"^(?:POINTS[ \t]+\d+[ \t]+\w+|(?:OFFSETS|CONNECTIVITY)[ \t]+\w+"
    rb"|(?:VERTICES|LINES|POLYGONS|TRIANGLE_STRIPS|CELLS)[ \t]+\d+[ \t]+\d+)[ \t]*\r?\n",
    re.MULTILINE | re.IGNORECASE,
)
"""The line before each block of points or cells."""


class DamagedMesh(Exception):
    """The content is no mesh of its format; the message says why."""


@dataclass(frozen=True, slots=True, eq=False)
class Polygons:
    """Faces of any number of corners.

    Attributes
    ----------
    points : (V, 3) array
    sizes : (P,) array
        Number of corners of each polygon.
    corners : (sum of sizes,) array
        Vertex indices, polygon after polygon.
    """

    points: FloatArray
    sizes: IntArray
    corners: IntArray

    @classmethod
    def from_lists(cls, points: npt.ArrayLike, faces: list[list[int]]) -> Polygons:
        """Join faces given one by one; those of fewer than three corners are no faces."""
        kept = [face for face in faces if len(face) >= 3]
        return cls(
            np.asarray(points, dtype=np.float64).reshape(-1, 3),
            np.array([len(face) for face in kept], dtype=np.int64),
            np.array([v for face in kept for v in face], dtype=np.int64),
        )

    @classmethod
    def from_triangles(cls, points: npt.ArrayLike, triangles: npt.ArrayLike) -> Polygons:
        """Take (F, 3) vertex indices."""
        corners = np.asarray(triangles, dtype=np.int64).ravel()
        sizes = np.full(len(corners) // 3, 3, dtype=np.int64)
        # Not-a-number of some bit patterns makes the conversion itself complain.
        with np.errstate(invalid="ignore"):
            vertices = np.asarray(points, dtype=np.float64).reshape(-1, 3)
        return cls(vertices, sizes, corners)


# ---- STL ------------------------------------------------------------------------------------


def parse_stl(data: bytes) -> Polygons:
    """Read binary or ASCII STL.

    The size decides: binary files may begin with the word ``solid`` too.
    """
    count = int.from_bytes(data[80:84], "little") if len(data) >= STL_HEADER_BYTES else 0
    expected = STL_HEADER_BYTES + STL_FACE_BYTES * count
    text_like = data.lstrip()[:5].lower() == b"solid" and b"facet" in data[:4096].lower()
    # Some writers pad the file; less than a triangle's bytes cannot be one that was left out.
    padded = 0 < len(data) - expected < STL_FACE_BYTES and count > 0
    if len(data) == expected or (padded and not text_like):
        return _binary_stl(data, count)
    if text_like:
        return _ascii_stl(data)
    if len(data) < STL_HEADER_BYTES:
        raise DamagedMesh(f"{len(data)} bytes are too few for a binary STL and it is not ASCII")
    raise DamagedMesh(
        f"not ASCII, and as binary its {count} triangles take {expected} bytes but it has "
        f"{len(data)}: it was cut short or is not STL"
    )


def _binary_stl(data: bytes, count: int) -> Polygons:
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    faces = np.frombuffer(data, dtype=record, count=count, offset=STL_HEADER_BYTES)
    return Polygons.from_triangles(faces["corners"], np.arange(3 * count))


def _ascii_stl(data: bytes) -> Polygons:
    text = data.decode("latin-1").lower()
    found = re.findall(r"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)", text)
    facets = len(re.findall(r"\bfacet\s+normal\b", text))
    if "endsolid" not in text.rsplit("endfacet", 1)[-1]:
        raise DamagedMesh("its end (endsolid) is missing: it was cut short")
    if len(found) != 3 * facets or len(re.findall(r"\bendfacet\b", text)) != facets:
        raise DamagedMesh(f"{facets} facets have {len(found)} vertices rather than three each")
    try:
        points = [float(number) for vertex in found for number in vertex]
    except ValueError as error:
        raise DamagedMesh(first_line(error)) from error
    return Polygons.from_triangles(points, np.arange(len(found)))


# ---- OBJ ------------------------------------------------------------------------------------


def parse_obj(data: bytes) -> Polygons:
    """Read the vertices and polygons of an OBJ file; texture, normals and groups are ignored."""
    points: list[list[float]] = []
    faces: list[list[int]] = []
    for number, words in _lines(data, joined=True):
        try:
            if words[0] == "v":
                points.append([float(w) for w in words[1:4]])
                if len(words) < 4:
                    raise ValueError("a vertex needs three coordinates")
            elif words[0] == "f":
                face = [int(w.split("/", 1)[0]) for w in words[1:]]
                if len(face) < 3 or 0 in face:
                    raise ValueError("a face needs three vertices, counted from 1")
                # Negative numbers count back from the latest vertex.
                faces.append([v - 1 if v > 0 else len(points) + v for v in face])
        except ValueError as error:
            raise DamagedMesh(f"line {number}: {first_line(error)}") from error
    if not points:
        raise DamagedMesh("it has no vertices")
    return Polygons.from_lists(points, faces)


def _lines(data: bytes, joined: bool = False) -> Iterator[tuple[int, list[str]]]:
    """Yield number and words of every line that says something; # begins a comment."""
    if b"\0" in data:
        raise DamagedMesh("it is not text")
    pending = ""
    for number, line in enumerate(data.decode("latin-1").splitlines(), start=1):
        line = pending + line
        pending = ""
        if joined and line.endswith("\\"):
            pending = line[:-1] + " "
            continue
        words = line.split("#", 1)[0].split()
        if words:
            yield number, words


# ---- OFF ------------------------------------------------------------------------------------


def parse_off(data: bytes) -> Polygons:
    """Read an OFF file: the first three numbers of a vertex, the corners of a face."""
    if data[:64].split()[1:2] == [b"BINARY"]:
        raise DamagedMesh("it is a binary OFF file: only the text form is read")
    lines = list(_lines(data))
    if not lines or re.fullmatch(r"(ST)?C?N?OFF", lines[0][1][0].upper()) is None:
        raise DamagedMesh("it does not begin with OFF")
    # The counts stand on the first line after the keyword, or on the next.
    lines[0] = (lines[0][0], lines[0][1][1:])
    lines = [line for line in lines if line[1]]
    if not lines:
        raise DamagedMesh("it ends after its first word: it was cut short")
    vertex_count, face_count = _off_row(lines[0], lambda words: [int(w) for w in words[:2]])
    if min(vertex_count, face_count) < 0 or len(lines) < 1 + vertex_count + face_count:
        raise DamagedMesh(
            f"{vertex_count} vertices and {face_count} faces are announced but "
            f"{len(lines) - 1} lines follow: it was cut short"
        )
    vertex_lines = lines[1 : 1 + vertex_count]
    face_lines = lines[1 + vertex_count : 1 + vertex_count + face_count]
    points = [_off_row(line, _off_vertex) for line in vertex_lines]
    return Polygons.from_lists(points, [_off_row(line, _off_face) for line in face_lines])


_Row = TypeVar("_Row")


def _off_row(line: tuple[int, list[str]], parse: Callable[[list[str]], _Row]) -> _Row:
    number, words = line
    try:
        return parse(words)
    except (ValueError, IndexError) as error:
        raise DamagedMesh(f"line {number}: {first_line(error)}") from error


def _off_vertex(words: list[str]) -> list[float]:
    x, y, z = words[:3]
    return [float(x), float(y), float(z)]


def _off_face(words: list[str]) -> list[int]:
    size = int(words[0])
    face = [int(w) for w in words[1 : 1 + size]]
    if size < 0 or len(face) < size:
        raise ValueError(f"a face of {size} corners has {len(face)}")
    return face


# ---- PLY ------------------------------------------------------------------------------------

PLY_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
PLY_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
PLY_INDEX_NAMES = ("vertex_indices", "vertex_index")


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
    for element in elements:
        columns = read(element)
        if element.name == "vertex":
            try:
                points = np.column_stack([np.asarray(columns[axis], float) for axis in "xyz"])
            except KeyError as error:
                raise DamagedMesh(f"its vertices have no property {error}") from error
        elif element.name in ("face", "tristrips"):
            name = next((n for n in PLY_INDEX_NAMES if n in columns), None)
            if name is None:
                raise DamagedMesh(f"its element {element.name} has no vertex_indices")
            lists = [[int(v) for v in row] for row in columns[name]]
            faces += lists if element.name == "face" else _unrolled(lists)
    if points is None:
        raise DamagedMesh("it has no vertices")
    return Polygons.from_lists(points, faces)


def _unrolled(strips: list[list[int]]) -> list[list[int]]:
    """Turn triangle strips, parted by -1, into triangles of one winding."""
    faces = []
    for joined in strips:
        strip: list[int] = []
        for v in [*joined, -1]:
            if v >= 0:
                strip.append(v)
                continue
            for k in range(len(strip) - 2):
                a, b, c = strip[k : k + 3]
                if len({a, b, c}) == 3:
                    faces.append([a, b, c] if k % 2 == 0 else [b, a, c])
            strip = []
    return faces


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
    lines = iter(list(_lines(body)))

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
            for p in element.properties:
                rows[p.name].extend(block[p.name][:take].tolist())
            found += take
            at += take * kind.itemsize
        return rows

    return read


# ---- VTK ------------------------------------------------------------------------------------


def read_vtk_file(path: Path, suffix: str) -> Polygons:
    """Read the triangles of a legacy or XML VTK file; strips and polygons are cut into them."""
    from vtkmodules.vtkCommonDataModel import vtkPolyData, vtkUnstructuredGrid
    from vtkmodules.vtkFiltersGeometry import vtkGeometryFilter
    from vtkmodules.vtkIOLegacy import vtkDataSetReader
    from vtkmodules.vtkIOXML import vtkXMLPolyDataReader

    if suffix != ".vtp":
        _check_legacy_length(path.read_bytes())
    reader = vtkXMLPolyDataReader() if suffix == ".vtp" else vtkDataSetReader()
    try:
        with captured_vtk() as errors:
            reader.SetFileName(str(path))
            reader.Update()
            data = reader.GetOutput() if suffix == ".vtp" else reader.GetOutputDataObject(0)
    except (RuntimeError, ValueError, MemoryError) as error:
        raise DamagedMesh(first_line(error)) from error
    if errors or data is None:
        raise DamagedMesh(first_line(errors[0]) if errors else "it is not a VTK data set")
    if isinstance(data, vtkUnstructuredGrid):
        if _has_solid_cells(data):
            raise DamagedMesh("it holds solid cells: export the surface alone")
        surface = vtkGeometryFilter()
        surface.SetInputData(data)
        with captured_vtk() as errors:
            surface.Update()
        data = surface.GetOutput()
    if not isinstance(data, vtkPolyData):
        raise DamagedMesh(f"it holds {data.GetClassName()} rather than a surface")
    return _vtk_triangles(data)


def _check_legacy_length(data: bytes) -> None:
    """Raise DamagedMesh where a binary legacy file ends before what its headers announce.

    VTK's reader fills such an array with whatever lies in memory.
    """
    if b"BINARY" not in data[:LEGACY_HEADER_BYTES].upper():
        return
    cells = (0, 0)
    for match in LEGACY_BLOCK.finditer(data):
        words = match.group().split()
        block = words[0].upper()
        if block == b"POINTS":
            needed = 3 * int(words[1]) * LEGACY_TYPE_BYTES.get(words[2].lower(), 0)
        elif block in (b"OFFSETS", b"CONNECTIVITY"):
            count = cells[0] if block == b"OFFSETS" else cells[1]
            needed = count * LEGACY_TYPE_BYTES.get(words[1].lower(), 0)
        else:
            cells = (int(words[1]), int(words[2]))
            # Up to version 4 the cells follow as 32-bit numbers, later in blocks of their own.
            newer = data[match.end() :].lstrip()[:7].upper() == b"OFFSETS"
            needed = 0 if newer else 4 * cells[1]
        if match.end() + needed > len(data):
            name = block.decode("ascii")
            raise DamagedMesh(f"its {name} need {needed} bytes but the file ends before them")


def _has_solid_cells(grid: Any) -> bool:
    from vtkmodules.vtkCommonDataModel import vtkGenericCell

    cell = vtkGenericCell()
    for kind in {grid.GetCellType(k) for k in range(grid.GetNumberOfCells())}:
        cell.SetCellType(kind)
        if cell.GetCellDimension() == 3:
            return True
    return False


def triangulated(mesh: Polygons) -> IntArray:
    """Return the (F, 3) triangles of a mesh; polygons are cut by ear clipping."""
    if (mesh.sizes == 3).all():
        return mesh.corners.reshape(-1, 3)
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData

    points = vtkPoints()
    points.SetDataTypeToDouble()
    points.SetData(numpy_to_vtk(np.ascontiguousarray(mesh.points), deep=True))
    cells = vtkCellArray()
    offsets = np.concatenate([[0], np.cumsum(mesh.sizes)]).astype(np.int64)
    cells.SetData(
        numpy_to_vtkIdTypeArray(offsets, deep=True),
        numpy_to_vtkIdTypeArray(mesh.corners, deep=True),
    )
    data = vtkPolyData()
    data.SetPoints(points)
    data.SetPolys(cells)
    return _vtk_triangles(data).corners.reshape(-1, 3)


def _vtk_triangles(data: Any) -> Polygons:
    from vtkmodules.util.numpy_support import vtk_to_numpy
    from vtkmodules.vtkFiltersCore import vtkTriangleFilter

    if data.GetPoints() is None:
        raise DamagedMesh("it has no vertices")
    count = data.GetNumberOfPoints()
    for cells in (data.GetPolys(), data.GetStrips()):
        # VTK follows these blindly and ends the process where they lead outside.
        corners = vtk_to_numpy(cells.GetConnectivityArray())
        if len(corners) and (corners.min() < 0 or corners.max() >= count):
            raise DamagedMesh(f"faces refer to vertex {corners.max()} but there are {count}")
        starts = vtk_to_numpy(cells.GetOffsetsArray()).astype(np.int64)
        if len(starts) and (
            starts[0] != 0 or starts[-1] != len(corners) or (np.diff(starts) < 0).any()
        ):
            raise DamagedMesh("its list of faces is inconsistent")
    cut = vtkTriangleFilter()
    cut.SetInputData(data)
    cut.PassVertsOff()
    cut.PassLinesOff()
    with captured_vtk():
        cut.Update()
    result = cut.GetOutput()
    points = vtk_to_numpy(data.GetPoints().GetData())
    return Polygons.from_triangles(points, vtk_to_numpy(result.GetPolys().GetConnectivityArray()))


PARSERS: dict[str, Callable[[bytes], Polygons]] = {
    ".stl": parse_stl,
    ".ply": parse_ply,
    ".obj": parse_obj,
    ".off": parse_off,
}
"""Formats read from the bytes of the file."""
