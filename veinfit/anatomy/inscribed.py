"""Inscribed spheres of a closed lumen on a grid, and ways through them.

The grid serves topology only: which parts hang together, where a first path
runs. No measure is taken from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, sparse
from scipy.sparse import csgraph
from vtkmodules.util.numpy_support import (
    numpy_to_vtk,
    numpy_to_vtkIdTypeArray,
    vtk_to_numpy,
)
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
from vtkmodules.vtkImagingStencil import vtkImageStencilToImage, vtkPolyDataToImageStencil

from veinfit.frames import BoolArray, FloatArray, IntArray
from veinfit.surface import Surface
from veinfit.surface.mesh import enclosed_volume

FINEST_GRID_MM = 0.7
"""Grid of a small atrium: a 4 mm vein is then nearly six cells wide."""

COARSEST_GRID_MM = 1.0
"""Grid of a large atrium: the cost grows with the inverse cube."""

GRID_CELLS = 70_000
"""Cells inside the lumen that the grid aims at between those two."""

NEIGHBOUR_OFFSETS = np.array(
    [(i, j, k) for i in (-1, 0, 1) for j in (-1, 0, 1) for k in (-1, 0, 1) if (i, j, k) > (0, 0, 0)]
)
"""Thirteen of the 26 neighbours: the others are their opposites."""


@dataclass(frozen=True, slots=True, eq=False)
class InscribedSpheres:
    """For each grid cell inside the lumen the distance to the wall.

    Attributes
    ----------
    points : (N, 3) array
        Cell centres inside the lumen, mm.
    radius_mm : (N,) array
        Radius of the largest sphere about each centre that stays inside.
    pairs : (E, 2) array
        Neighbouring cells (26-connected).
    length_mm : (E,) array
        Distance between them.
    step_mm : float
        Edge of a cell.
    """

    points: FloatArray
    radius_mm: FloatArray
    pairs: IntArray
    length_mm: FloatArray
    step_mm: float

    def graph(self, weight: FloatArray) -> sparse.csr_matrix:
        """Return the symmetric (N, N) graph with ``weight`` (E,) on its edges."""
        i, j = self.pairs[:, 0], self.pairs[:, 1]
        n = len(self.points)
        return sparse.csr_matrix((np.r_[weight, weight], (np.r_[i, j], np.r_[j, i])), shape=(n, n))


def inscribed_spheres(lumen: Surface) -> InscribedSpheres:
    """Fill a closed, outward-wound surface with the spheres inscribed at grid cells."""
    volume = max(enclosed_volume(lumen), 1.0)
    step = float(np.clip(np.cbrt(volume / GRID_CELLS), FINEST_GRID_MM, COARSEST_GRID_MM))
    inside, origin = _voxelise(lumen, step)
    radius = ndimage.distance_transform_edt(inside, sampling=step)
    label, count = ndimage.label(inside, structure=np.ones((3, 3, 3)))
    if count > 1:
        inside = label == 1 + int(np.argmax(np.bincount(label.ravel())[1:]))
    cells = np.argwhere(inside)
    number = np.full(inside.shape, -1, dtype=np.int64)
    number[inside] = np.arange(len(cells))
    pairs: list[IntArray] = []
    lengths: list[FloatArray] = []
    for offset in NEIGHBOUR_OFFSETS:
        there = cells + offset
        other = number[tuple(there.T)]
        found = np.flatnonzero(other >= 0)
        pairs.append(np.stack([found, other[found]], axis=1))
        lengths.append(np.full(len(found), step * float(np.linalg.norm(offset))))
    return InscribedSpheres(
        points=cells * step + origin,
        radius_mm=radius[inside] - 0.5 * step,
        pairs=np.concatenate(pairs),
        length_mm=np.concatenate(lengths),
        step_mm=step,
    )


def _voxelise(lumen: Surface, step: float) -> tuple[BoolArray, FloatArray]:
    """Which cells of a padded grid have their centre inside; the first cell's centre."""
    low, high = lumen.points.min(axis=0), lumen.points.max(axis=0)
    origin = low - 2.5 * step
    shape = np.ceil((high - low) / step).astype(int) + 6
    poly = vtkPolyData()
    points = vtkPoints()
    points.SetData(numpy_to_vtk(lumen.points, deep=True))
    poly.SetPoints(points)
    cells = vtkCellArray()
    offsets = np.arange(0, 3 * len(lumen.faces) + 1, 3)
    cells.SetData(
        numpy_to_vtkIdTypeArray(offsets, deep=True),
        numpy_to_vtkIdTypeArray(lumen.faces.ravel(), deep=True),
    )
    poly.SetPolys(cells)
    stencil = vtkPolyDataToImageStencil()
    stencil.SetInputData(poly)
    stencil.SetOutputOrigin(origin)
    stencil.SetOutputSpacing(step, step, step)
    stencil.SetOutputWholeExtent(0, int(shape[0]) - 1, 0, int(shape[1]) - 1, 0, int(shape[2]) - 1)
    stencil.SetTolerance(0.0)
    image = vtkImageStencilToImage()
    image.SetInputConnection(stencil.GetOutputPort())
    image.SetOutsideValue(0)
    image.SetInsideValue(1)
    image.SetOutputScalarTypeToUnsignedChar()
    image.Update()
    flat = vtk_to_numpy(image.GetOutput().GetPointData().GetScalars())
    return flat.reshape(shape[::-1]).T.astype(bool), origin


def way_costs(spheres: InscribedSpheres) -> FloatArray:
    """Edge costs (E,) that draw a shortest way to the middle of the lumen."""
    r = np.maximum(spheres.radius_mm, 0.5 * spheres.step_mm)
    i, j = spheres.pairs[:, 0], spheres.pairs[:, 1]
    return spheres.length_mm / np.minimum(r[i], r[j]) ** 2


def distances_from(graph: sparse.csr_matrix, sources: IntArray) -> tuple[FloatArray, IntArray]:
    """Least distance (N,) from any of ``sources`` and the predecessor (N,) of each cell."""
    distance, predecessor, _ = csgraph.dijkstra(
        graph, directed=False, indices=sources, min_only=True, return_predecessors=True
    )
    return distance, predecessor
