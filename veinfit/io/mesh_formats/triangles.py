"""Triangles of faces of any number of corners."""

from __future__ import annotations

from typing import Any

import numpy as np

from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons
from veinfit.io.quiet import captured_vtk
from veinfit.surface.vtk_bridge import array_of, poly_data
from veinfit.vectors import IntArray


def triangulated(mesh: Polygons) -> IntArray:
    """Return the (F, 3) triangles of a mesh; polygons are cut by ear clipping."""
    if (mesh.sizes == 3).all():
        return mesh.corners.reshape(-1, 3)
    data = poly_data(mesh.points, mesh.corners, mesh.sizes)
    return vtk_triangles(data).corners.reshape(-1, 3)


def vtk_triangles(data: Any) -> Polygons:
    """Return the triangles of VTK polygons and strips, after a look that they hold together."""
    from vtkmodules.vtkFiltersCore import vtkTriangleFilter

    if data.GetPoints() is None:
        raise DamagedMesh("it has no vertices")
    count = data.GetNumberOfPoints()
    for cells in (data.GetPolys(), data.GetStrips()):
        # VTK follows these blindly and ends the process where they lead outside.
        corners = array_of(cells.GetConnectivityArray())
        if len(corners) and (corners.min() < 0 or corners.max() >= count):
            raise DamagedMesh(f"faces refer to vertex {corners.max()} but there are {count}")
        starts = array_of(cells.GetOffsetsArray()).astype(np.int64)
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
    points = array_of(data.GetPoints().GetData())
    return Polygons.from_triangles(points, array_of(result.GetPolys().GetConnectivityArray()))
