"""Every form in which VTK writes a surface: read as VTK reads it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvista
from vtkmodules.vtkIOLegacy import vtkPolyDataWriter, vtkUnstructuredGridWriter
from vtkmodules.vtkIOXML import vtkXMLPolyDataWriter

from veinfit.io.inputs.meshes import read_mesh


@pytest.fixture(scope="module")
def ball() -> pyvista.PolyData:
    return pyvista.Sphere(radius=40.0, theta_resolution=30, phi_resolution=20)


def check(path: Path, ball: pyvista.PolyData) -> None:
    """The same points and triangles; the file's own order is kept."""
    surface = read_mesh(path)
    theirs = pyvista.read(path).extract_surface(algorithm=None).triangulate()
    assert len(surface.faces) == ball.n_cells
    corners = surface.points[surface.faces]
    other = np.asarray(theirs.points)[theirs.faces.reshape(-1, 4)[:, 1:]]
    if path.suffix == ".vtk":
        # Strips may begin a triangle at another corner.
        corners, other = (np.sort(c.reshape(len(c), -1), axis=1) for c in (corners, other))
        corners, other = (c[np.lexsort(c.T)] for c in (corners, other))
    assert corners == pytest.approx(other, abs=1e-4)


@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("long", [False, True])
@pytest.mark.parametrize("packing", ["None", "ZLib", "LZMA", "LZ4"])
@pytest.mark.parametrize("mode", ["Ascii", "Binary", "AppendedRaw", "AppendedEncoded"])
def test_xml(tmp_path, ball, mode, packing, long, big):
    writer: Any = vtkXMLPolyDataWriter()
    writer.SetFileName(str(tmp_path / "b.vtp"))
    writer.SetInputData(ball)
    getattr(writer, f"SetDataModeTo{mode.removesuffix('Raw').removesuffix('Encoded')}")()
    writer.SetEncodeAppendedData(mode == "AppendedEncoded")
    getattr(writer, f"SetCompressorTypeTo{packing}")()
    writer.SetHeaderTypeToUInt64() if long else writer.SetHeaderTypeToUInt32()
    writer.SetByteOrderToBigEndian() if big else writer.SetByteOrderToLittleEndian()
    # Several blocks, the last of which is not full.
    writer.SetBlockSize(4096)
    writer.Write()
    check(tmp_path / "b.vtp", ball)


@pytest.mark.parametrize("binary", [False, True])
@pytest.mark.parametrize("version", [42, 51])
@pytest.mark.parametrize("form", ["polygons", "strips", "grid"])
def test_legacy(tmp_path, ball, form, version, binary):
    kind = vtkUnstructuredGridWriter if form == "grid" else vtkPolyDataWriter
    writer: Any = kind()
    writer.SetFileName(str(tmp_path / "b.vtk"))
    forms = {"polygons": ball, "strips": ball.strip(), "grid": ball.cast_to_unstructured_grid()}
    writer.SetInputData(forms[form])
    writer.SetFileVersion(version)
    writer.SetFileTypeToBinary() if binary else writer.SetFileTypeToASCII()
    writer.Write()
    check(tmp_path / "b.vtk", ball)
