"""Paths through the middle of the lumen, from its body to any point."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.branches.inscribed import InscribedSpheres, distances_from, path_costs
from veinfit.vectors import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class PathTree:
    """The tree of cheapest paths from the body's centre to every cell of the lumen.

    Attributes
    ----------
    points : (N, 3) array
        The cells' middles, mm.
    predecessor : (N,) array
        The cell before each on its way; negative at the centre.
    tree : cKDTree
        Of ``points``.
    step_mm : float
        Edge of a cell.
    """

    points: FloatArray
    predecessor: IntArray
    tree: cKDTree
    step_mm: float

    def to_cell(self, cell: int) -> FloatArray:
        """Return the path (N, 3) from the body's centre to a cell."""
        cells = [cell]
        while self.predecessor[cells[-1]] >= 0:
            cells.append(int(self.predecessor[cells[-1]]))
        return self.points[cells[::-1]]

    def nearest_cell(self, point: FloatArray) -> int:
        """Return the cell nearest to a point (3,)."""
        return int(self.tree.query(point)[1])


def paths_from(spheres: InscribedSpheres, centre: FloatArray) -> PathTree:
    """Find the paths from the body's centre, (3,), through the middle of the lumen."""
    tree = cKDTree(spheres.points)
    costs = spheres.graph(path_costs(spheres))
    _, predecessor = distances_from(costs, tree.query(centre[None])[1])
    return PathTree(spheres.points, predecessor, tree, spheres.step_mm)


def perturbed_paths(
    paths: PathTree, spheres: InscribedSpheres, costs: FloatArray, dearer: FloatArray
) -> PathTree:
    """Find paths anew where what a step from each cell costs is multiplied.

    Parameters
    ----------
    paths : PathTree
        Those of the costs as they are; the new ones begin where they do.
    spheres : InscribedSpheres
    costs : (E,) array
        From cell to neighbour, of :func:`path_costs`.
    dearer : (N,) array
        What they are multiplied by, a number a cell.
    """
    source = np.flatnonzero(paths.predecessor < 0)
    _, predecessor = distances_from(spheres.graph(costs * dearer[spheres.cells()]), source)
    return replace(paths, predecessor=predecessor)
