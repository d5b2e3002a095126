"""The one place where arrays become data of VTK, and data of VTK arrays, as VTK itself does it.

Filters are VTK's own; what goes into them and comes out of them passes here. (Only the process
that draws pictures does without: it imports nothing of this package.)
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from veinfit.vectors import FloatArray, IntArray


def poly_data(points: FloatArray, corners: IntArray, sizes: IntArray | None = None) -> Any:
    """Return polygons as VTK has them; they share no memory with the arrays.

    Parameters
    ----------
    points : (V, 3) array
    corners : (F, 3) array, or (C,) array with ``sizes``
        Vertices of the triangles, or of one polygon after the other.
    sizes : (F,) array, optional
        Corners of each polygon.

    Returns
    -------
    vtkPolyData
    """
    # Imported when they are needed: a mesh that is only read needs no VTK.
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData

    if sizes is None:
        sizes = np.full(len(corners), 3)
    offsets = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    flat = np.asarray(corners, dtype=np.int64).ravel()
    polygons = vtkCellArray()
    polygons.SetData(
        numpy_to_vtkIdTypeArray(offsets, deep=True), numpy_to_vtkIdTypeArray(flat, deep=True)
    )
    places = vtkPoints()
    places.SetData(numpy_to_vtk(np.asarray(points, dtype=np.float64), deep=True))
    mesh = vtkPolyData()
    mesh.SetPoints(places)
    mesh.SetPolys(polygons)
    return mesh


def array_of(data: Any) -> npt.NDArray[Any]:
    """Return what an array of VTK holds, as a copy.

    Parameters
    ----------
    data : vtkDataArray

    Returns
    -------
    array
    """
    from vtkmodules.util.numpy_support import vtk_to_numpy

    return np.array(vtk_to_numpy(data))


def triangle_arrays(output: Any) -> tuple[FloatArray, IntArray]:
    """Return points (V, 3) and triangles (F, 3) of what a filter made."""
    corners = array_of(output.GetPolys().GetConnectivityArray())
    return point_array(output), corners.astype(np.int64).reshape(-1, 3)


def point_array(output: Any) -> FloatArray:
    """Return the points (V, 3) of what a filter made."""
    if not output.GetNumberOfPoints():
        return np.zeros((0, 3))
    return array_of(output.GetPoints().GetData()).astype(np.float64)


def value_array(output: Any) -> npt.NDArray[Any]:
    """Return the values at the points of what a filter made.

    Parameters
    ----------
    output : vtkDataSet

    Returns
    -------
    (N,) or (N, K) array
    """
    return array_of(output.GetPointData().GetScalars())


def level_surface(
    values: npt.NDArray[Any], level: float, origin: FloatArray, step: float
) -> tuple[FloatArray, IntArray]:
    """Return points and triangles of a level of values (I, J, K) on an upright grid.

    Flying edges; the triangles wind so that their normals point to smaller values.

    Parameters
    ----------
    values : (I, J, K) array
    level : float
    origin : (3,) array
        Place of the first value, mm.
    step : float
        Distance of neighbouring values, mm, on all axes.

    Returns
    -------
    points : (V, 3) array
    faces : (F, 3) array
    """
    from vtkmodules.util.numpy_support import numpy_to_vtk
    from vtkmodules.vtkCommonDataModel import vtkImageData
    from vtkmodules.vtkFiltersCore import vtkFlyingEdges3D

    grid = vtkImageData()
    grid.SetDimensions(*values.shape)
    grid.SetSpacing(step, step, step)
    grid.SetOrigin(*origin)
    held = values.ravel(order="F")  # until the surface is there, its memory is VTK's too
    grid.GetPointData().SetScalars(numpy_to_vtk(held))
    contour = vtkFlyingEdges3D()
    contour.SetInputData(grid)
    contour.SetValue(0, level)
    contour.ComputeNormalsOff()
    contour.ComputeGradientsOff()
    contour.ComputeScalarsOff()
    contour.Update()
    return triangle_arrays(contour.GetOutput())


def windowed_sinc(points: FloatArray, faces: IntArray, rounds: int, pass_band: float) -> FloatArray:
    """Return the points (V, 3) of a surface smoothed by a windowed sinc.

    A rim stays only where it turns by more than 15 degrees.

    Parameters
    ----------
    points : (V, 3) array
    faces : (F, 3) array
    rounds : int
    pass_band : float
        0 to 2: the lower, the smoother.

    Returns
    -------
    (V, 3) array
    """
    from vtkmodules.vtkFiltersCore import vtkWindowedSincPolyDataFilter

    smooth = vtkWindowedSincPolyDataFilter()
    smooth.SetInputData(poly_data(points, faces))
    smooth.SetNumberOfIterations(rounds)
    smooth.SetPassBand(pass_band)
    smooth.FeatureEdgeSmoothingOff()
    smooth.BoundarySmoothingOff()
    smooth.NonManifoldSmoothingOn()
    smooth.NormalizeCoordinatesOn()
    smooth.Update()
    return point_array(smooth.GetOutput())


def without_flat_vertices(
    points: FloatArray, faces: IntArray, share: float
) -> tuple[IntArray, IntArray]:
    """Leave a share of the triangles out where a surface is flat; no vertex is moved.

    Edges that turn by more than 60 degrees are kept, and so are rims.

    Parameters
    ----------
    points : (V, 3) array
    faces : (F, 3) array
    share : float
        0 to 1.

    Returns
    -------
    kept : (V',) array
        The vertices that are left.
    faces : (F', 3) array
        Of these.
    """
    from vtkmodules.util.numpy_support import numpy_to_vtk
    from vtkmodules.vtkFiltersCore import vtkDecimatePro

    mesh = poly_data(points, faces)
    number = numpy_to_vtk(np.arange(len(points)), deep=True)
    number.SetName("vertex")
    mesh.GetPointData().AddArray(number)
    thin = vtkDecimatePro()
    thin.SetInputData(mesh)
    thin.SetTargetReduction(share)
    thin.SetFeatureAngle(60.0)
    thin.PreserveTopologyOn()
    thin.BoundaryVertexDeletionOff()
    thin.Update()
    result = thin.GetOutput()
    kept = array_of(result.GetPointData().GetArray("vertex")).astype(np.int64)
    return kept, triangle_arrays(result)[1]
