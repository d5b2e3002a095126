"""A wall gathered into cells: fewer points, each with the area of the wall that it stands for.

Tries are made and read on such a wall, since their equilibria do not need every triangle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.vectors import BoolArray, FloatArray, IntArray

SHARP_MM = 0.15
"""A point whose neighbours' middle lies this far off is on an edge: walls of 0.7 mm edge length
that meet at about 40 degrees and more."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Which points of a wall are gathered.

    Attributes
    ----------
    label : (V,) int array
        The cell of each point, from 0 on.
    count : int
    """

    label: IntArray
    count: int

    def means(self, values: FloatArray, weights: FloatArray) -> FloatArray:
        """Weighted means (C, ...) of values (V, ...) of the points in each cell."""
        total = np.bincount(self.label, weights, minlength=self.count)
        flat = values.reshape(len(values), -1)
        sums = np.stack(
            [np.bincount(self.label, weights * column, minlength=self.count) for column in flat.T],
            axis=1,
        )
        return (sums / total[:, None]).reshape(self.count, *values.shape[1:])

    def sums(self, values: FloatArray) -> FloatArray:
        """Return sums (C,) of values (V,) of the points in each cell."""
        return np.asarray(np.bincount(self.label, values, minlength=self.count))


def sharp_points(points: FloatArray, faces: IntArray) -> BoolArray:
    """Points (V,) on an edge of a wall: the middle of their neighbours lies off the wall.

    The mean of points on both sides of an edge recedes from it, so they stand for themselves.
    """
    count = len(points)
    start, stop = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    number = np.bincount(start, minlength=count) + np.bincount(stop, minlength=count)
    corners = points[faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    middle, normal = np.zeros((count, 3)), np.zeros((count, 3))
    for k in range(3):
        middle[:, k] = np.bincount(start, points[stop, k], count)
        middle[:, k] += np.bincount(stop, points[start, k], count)
        normal[:, k] = np.bincount(faces.ravel(), np.repeat(across[:, k], 3), count)
    off = middle / np.maximum(number, 1)[:, None] - points
    length = np.maximum(np.linalg.norm(normal, axis=1), np.finfo(float).tiny)
    height = np.abs(np.einsum("vk,vk->v", off, normal)) / length
    return np.asarray((height > SHARP_MM) & (number > 0))


def gather(
    points: FloatArray, links: IntArray, size_mm: float, axes: FloatArray, alone: BoolArray
) -> Cells:
    """Gather points that lie in one cube and hang together within it.

    Two sides of a thin wall in one cube stay apart.

    Parameters
    ----------
    points : (V, 3) array
        mm, about the origin of the cubes.
    links : (E, 2) array
        Edges of the wall.
    size_mm : float
        Edge of the cubes.
    axes : (3, 3) array
        Rows: directions of their edges. Taken from the vein, they turn with it.
    alone : (V,) bool array
        Points that are gathered with no other.
    """
    cube = np.floor(points @ axes.T / size_mm + 0.5).astype(np.int64)
    same = (cube[links[:, 0]] == cube[links[:, 1]]).all(axis=1) & ~alone[links].any(axis=1)
    a, b = links[same].T
    n = len(points)
    graph = sparse.csr_matrix((np.ones(len(a), dtype=np.int8), (a, b)), shape=(n, n))
    count, label = csgraph.connected_components(graph, directed=False)
    return Cells(np.asarray(label, dtype=np.int64), int(count))
