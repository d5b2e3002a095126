"""VTK, legacy and XML."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from veinfit.io.files import first_line
from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons
from veinfit.io.mesh_formats.triangles import vtk_triangles
from veinfit.io.quiet import captured_vtk

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
    return vtk_triangles(data)


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
