"""Inscribed spheres of a closed lumen on a grid, and paths through them.

The grid serves topology only: which parts hang together, where a first path
runs. No measure is taken from it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse
from scipy.sparse import csgraph
from vtkmodules.vtkImagingStencil import vtkImageStencilToImage, vtkPolyDataToImageStencil

from veinfit.surface import Surface
from veinfit.surface.mesh import enclosed_volume
from veinfit.surface.own_frame import own_frame
from veinfit.surface.vtk_bridge import poly_data, value_array
from veinfit.vectors import BoolArray, FloatArray, IntArray

FINEST_GRID_MM = 0.7
"""Grid of a small atrium: a 4 mm vein is then nearly six cells wide."""

COARSEST_GRID_MM = 1.0
"""Grid of a large atrium: the cost grows with the inverse cube."""

GRID_CELLS = 70_000
"""Cells inside the lumen that the grid aims at between those two."""

STEP_DIGITS = 6
"""The step is a whole number of these decimals of a mm: the same when the surface is turned."""

NEIGHBOUR_OFFSETS = np.array([o for o in itertools.product((-1, 0, 1), repeat=3) if any(o)])
"""The 26 neighbours of a cell, in the order in which cells are numbered."""


ALL_NEIGHBOURS: BoolArray = np.ones((3, 3, 3), dtype=bool)
"""The same as an image library asks for it."""


@dataclass(frozen=True, slots=True, eq=False)
class InscribedSpheres:
    """For each grid cell inside the lumen the distance to the wall.

    Attributes
    ----------
    points : (N, 3) array
        Cell centres inside the lumen, mm.
    radius_mm : (N,) array
        Radius of the largest sphere about each centre that stays inside.
    first : (N + 1,) array
        Where the neighbours of each cell begin in ``neighbours``.
    neighbours : (E,) array
        Neighbouring cells (26-connected), cell by cell: each pair is there twice.
    length_mm : (E,) array
        Distance to each.
    step_mm : float
        Edge of a cell.
    place : (N,) array
        Of each cell in the grid, which is counted through along its last axis first.
    shape : tuple of int
        Of the grid.
    """

    points: FloatArray
    radius_mm: FloatArray
    first: npt.NDArray[np.int32]
    neighbours: npt.NDArray[np.int32]
    length_mm: FloatArray
    step_mm: float
    place: IntArray
    shape: tuple[int, ...]

    def cells(self) -> npt.NDArray[np.int32]:
        """Return the (E,) cell that each of ``neighbours`` is a neighbour of."""
        return np.repeat(np.arange(len(self.points), dtype=np.int32), np.diff(self.first))

    def graph(self, weight: FloatArray) -> sparse.csr_matrix:
        """Return the symmetric (N, N) graph with ``weight`` (E,) between neighbours."""
        shape = (len(self.points),) * 2
        return sparse.csr_matrix((weight, self.neighbours, self.first), shape=shape)

    def pieces_of(self, chosen: BoolArray) -> IntArray:
        """Return the (N,) number, from 1 on, of the connected piece of chosen cells; 0 for others.

        All neighbours hang together here, so that the grid itself can be labelled.
        """
        grid = np.zeros(self.shape, dtype=bool)
        grid.ravel()[self.place] = chosen
        label, _ = ndimage.label(grid, structure=ALL_NEIGHBOURS)
        return np.asarray(label.ravel()[self.place], dtype=np.int64)

    def pieces(self, together: BoolArray) -> tuple[int, IntArray]:
        """Return how many pieces there are where only some neighbours, (E,), hang together.

        And the number of the piece of each cell, (N,).
        """
        first = np.r_[0, np.cumsum(together, dtype=np.int32)][self.first]
        held = self.neighbours[together]
        shape = (len(self.points),) * 2
        graph = sparse.csr_matrix((np.ones(len(held), dtype=bool), held, first), shape=shape)
        count, piece = csgraph.connected_components(graph, directed=False)
        return int(count), piece


def inscribed_spheres(lumen: Surface) -> InscribedSpheres:
    """Fill a closed, outward-wound surface with the spheres inscribed at grid cells.

    The grid lies along the surface's own axes, so that it turns with the patient.
    """
    volume = max(enclosed_volume(lumen), 1.0)
    step = float(np.clip(np.cbrt(volume / GRID_CELLS), FINEST_GRID_MM, COARSEST_GRID_MM))
    # Many ways through a grid are as long as each other: rounding must not choose among them.
    step = round(step, STEP_DIGITS)
    centre, axes = own_frame(lumen)
    inside, origin = _voxelise(Surface((lumen.points - centre) @ axes.T, lumen.faces), step)
    radius = ndimage.distance_transform_edt(inside, sampling=step)
    label, count = ndimage.label(inside, structure=ALL_NEIGHBOURS)
    if count > 1:
        inside = label == 1 + int(np.argmax(np.bincount(label.ravel())[1:]))
    number = np.full(inside.size, -1, dtype=np.int32)
    place = np.flatnonzero(inside)
    number[place] = np.arange(len(place), dtype=np.int32)
    # The grid is padded: no neighbour of a cell inside lies beyond its border.
    strides = np.array([inside.shape[1] * inside.shape[2], inside.shape[2], 1])
    other = np.stack([number[place + o] for o in NEIGHBOUR_OFFSETS @ strides], axis=1)
    found = other >= 0
    length = step * np.linalg.norm(NEIGHBOUR_OFFSETS, axis=1)
    return InscribedSpheres(
        points=(np.argwhere(inside) * step + origin) @ axes + centre,
        radius_mm=radius[inside] - 0.5 * step,
        first=np.r_[0, np.cumsum(found.sum(axis=1))].astype(np.int32),
        neighbours=other[found],
        length_mm=np.broadcast_to(length, found.shape)[found],
        step_mm=step,
        place=place,
        shape=inside.shape,
    )


def _voxelise(lumen: Surface, step: float) -> tuple[BoolArray, FloatArray]:
    """Which cells of a padded grid have their centre inside; the first cell's centre."""
    low, high = lumen.points.min(axis=0), lumen.points.max(axis=0)
    origin = low - 2.5 * step
    shape = np.ceil((high - low) / step).astype(int) + 6
    stencil = vtkPolyDataToImageStencil()
    stencil.SetInputData(poly_data(lumen.points, lumen.faces))
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
    return value_array(image.GetOutput()).reshape(shape[::-1]).T.astype(bool), origin


def path_costs(spheres: InscribedSpheres) -> FloatArray:
    """Costs (E,) from cell to neighbour that draw a shortest path to the middle of the lumen."""
    r = np.maximum(spheres.radius_mm, 0.5 * spheres.step_mm)
    # In place: these few arrays are the most memory that a case takes.
    costs = r[spheres.cells()]
    np.minimum(costs, r[spheres.neighbours], out=costs)
    np.square(costs, out=costs)
    return np.divide(spheres.length_mm, costs, out=costs)


def distances_from(graph: sparse.csr_matrix, sources: IntArray) -> tuple[FloatArray, IntArray]:
    """Least distance (N,) from any of ``sources`` and the predecessor (N,) of each cell."""
    # The graph is symmetric: told that it is directed, the search need not look both ways.
    distance, predecessor, _ = csgraph.dijkstra(
        graph, directed=True, indices=sources, min_only=True, return_predecessors=True
    )
    return distance, predecessor
