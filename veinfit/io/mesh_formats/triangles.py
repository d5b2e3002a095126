"""Triangles of faces of any number of corners."""

from __future__ import annotations

from typing import Any

import numpy as np

from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons
from veinfit.io.quiet import captured_vtk
from veinfit.vectors import IntArray


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
    return vtk_triangles(data).corners.reshape(-1, 3)


def vtk_triangles(data: Any) -> Polygons:
    """Return the triangles of VTK polygons and strips, after a look that they hold together."""
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
