"""A wall gathered into cells: fewer points, each with the area of the wall that it stands for.

Tries are made and read on such a wall, since their equilibria do not need every triangle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.seating.pieces import components_of
from veinfit.vectors import BoolArray, FloatArray, IntArray, row_keys

SHARP_MM = 0.15
"""A point whose neighbours' middle lies this far off is on an edge: walls of 0.7 mm edge length
that meet at about 40 degrees and more."""


FAR_CELLS = 2**18
"""More cells than any wall has to one side of its origin, so that all are numbered from 0 on."""


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
    # Corner by corner and axis by axis, as rows of three take several times as long.
    a, b, c = (np.ascontiguousarray(column) for column in faces.T)
    number = 2 * np.bincount(faces.ravel(), minlength=count)
    columns = [np.ascontiguousarray(column) for column in points.T]
    corners = [[column.take(corner) for corner in (a, b, c)] for column in columns]
    one = [second - first for first, second, _ in corners]
    two = [third - first for first, _, third in corners]
    height, square = np.zeros(count), np.zeros(count)
    for k, column in enumerate(columns):
        first, second, third = corners[k]
        middle = np.bincount(a, second + third, count)
        middle += np.bincount(b, third + first, count)
        middle += np.bincount(c, first + second, count)
        i, j = (k + 1) % 3, (k + 2) % 3
        across = one[i] * two[j] - one[j] * two[i]
        normal = np.bincount(a, across, count)
        normal += np.bincount(b, across, count)
        normal += np.bincount(c, across, count)
        height += (middle / np.maximum(number, 1) - column) * normal
        square += normal * normal
    length = np.maximum(np.sqrt(square), np.finfo(float).tiny)
    return np.asarray((np.abs(height) / length > SHARP_MM) & (number > 0))


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
    cube = row_keys(np.floor(points @ axes.T / size_mm + 0.5).astype(np.int64) + FAR_CELLS)
    a, b = np.ascontiguousarray(links.T)
    same = (cube[a] == cube[b]) & ~(alone[a] | alone[b])
    count, label = components_of(a[same], b[same], len(points))
    return Cells(np.asarray(label, dtype=np.int64), int(count))
