"""Plane cuts: contours, and cutting a part off along a plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from veinfit.surface.mesh import Surface
from veinfit.surface.near import faces_near_plane, keep_balls
from veinfit.vectors import BoolArray, FloatArray, IntArray, dots

ByteArray = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class PlaneContour:
    """One connected curve of a plane cut.

    Attributes
    ----------
    points : (N, 3) array
        In order; for a closed curve the last joins the first.
    faces : (N,) array
        The face in which the curve runs on from each point.
    closed : bool
        False where the curve ends at the edge of the surface.
    """

    points: FloatArray
    faces: IntArray
    closed: bool


def plane_contours(surface: Surface, origin: FloatArray, normal: FloatArray) -> list[PlaneContour]:
    """Cut a surface by a plane.

    Vertices on the plane count as above it, so that every cut of a closed,
    consistently wound surface is a set of closed curves, whatever the plane
    touches. Curves of an outward-wound surface run counter-clockwise seen
    against ``normal`` (from its tip).

    Parameters
    ----------
    surface : Surface
    origin, normal : (3,) array

    Returns
    -------
    list of PlaneContour
    """
    face, segments = cut_faces(surface, origin, normal)
    return join(surface, segments, face)


def cut_faces(
    surface: Surface, origin: FloatArray, normal: FloatArray
) -> tuple[IntArray, Segments]:
    """Cut the faces of a surface by a plane; return which (N,), and the segment in each.

    Parameters
    ----------
    surface : Surface
    origin, normal : (3,) array

    Returns
    -------
    faces : (N,) array
        Rising.
    segments : Segments
    """
    near = faces_near_plane(surface, origin, normal)
    corners = surface.by_corner.take(near, axis=1)
    # Column by column, so that a vertex has the very same height in each of its faces.
    height = dots(surface.points.take(corners, axis=0), normal) - origin @ normal
    sides = _sides(height)
    apart = np.flatnonzero(_IS_CUT.take(sides))
    return near.take(apart), _segments(corners, height, sides.take(apart), apart)


@dataclass(frozen=True, slots=True, eq=False)
class FanCurves:
    """The curves of several plane cuts, as points that know their neighbours.

    Attributes
    ----------
    points : (N, 3) array
    faces : (N,) array
        The face in which the curve runs on from each point.
    planes : (N,) array
        In which of the planes each point lies.
    following, previous : (N,) array
        The next point of the curve and the one before; -1 where an open curve ends.
    """

    points: FloatArray
    faces: IntArray
    planes: IntArray
    following: IntArray
    previous: IntArray


def fan_curves(surface: Surface, origin: FloatArray, normals: FloatArray) -> FanCurves:
    """Cut a surface by several planes through one point in one pass.

    The curves are those of :func:`plane_contours` for each of the planes.

    Parameters
    ----------
    surface : Surface
    origin : (3,) array
    normals : (K, 3) array

    Returns
    -------
    FanCurves
    """
    n = len(surface.points)
    height = normals @ surface.points.T
    height -= (normals @ origin)[:, None]
    # A bit a plane: corners on both sides of it show in all planes at once.
    bits = np.zeros((n, -len(normals) % 64 + len(normals)), dtype=bool)
    bits[:, : len(normals)] = (height >= 0).T
    words = np.packbits(bits, axis=1).view(np.uint64)
    a, b, c = (words.take(column, axis=0) for column in surface.by_corner)
    apart = (a ^ b) | (b ^ c)
    crossing = np.flatnonzero(apart.any(axis=1))
    cut = np.unpackbits(apart[crossing].view(np.uint8), axis=1, count=len(normals))
    # Plane by plane; a search in two dimensions takes four times as long.
    found = np.flatnonzero(np.ascontiguousarray(cut.T).view(np.bool_))
    begins = np.arange(len(normals)) * len(crossing)
    plane = np.repeat(
        np.arange(len(normals)), np.diff(found.searchsorted(begins), append=len(found))
    )
    which = found - begins.take(plane)
    face = crossing.take(which)
    # Each plane has vertices of its own, so that curves of two planes never join.
    corners = surface.by_corner.take(face, axis=1)
    corners += plane * n
    height = height.ravel().take(corners)
    segments = _segments(corners, height, _sides(height), np.arange(len(face)))
    following = segments.beginning_on(segments.second)
    # The edges at which curves end are points too.
    ends = np.flatnonzero(following < 0)
    count = len(face)
    points, last = segments.entered(surface), segments.left(surface, ends)
    following[ends] = count + np.arange(len(ends))
    following = np.concatenate([following, np.full(len(ends), -1)])
    previous = np.full(count + len(ends), -1)
    previous[following[:count]] = np.arange(count)
    return FanCurves(
        points=np.concatenate([points, last]),
        faces=np.concatenate([face, face[ends]]),
        planes=np.concatenate([plane, plane[ends]]),
        following=following,
        previous=previous,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """Where a plane crosses faces: from the edge apex-enters to the edge apex-leaves.

    Attributes
    ----------
    vertices, height : (3, N) array
        Of apex, enters and leaves.
    low, high : (2, N) array
        The lower and the higher vertex of the two edges.
    first, second : (N,) array
        Numbers of the two edges.
    order, ordered : (N,) array
        What sorts the segments by their first edges, and these edges sorted.
    """

    vertices: IntArray
    height: FloatArray
    low: IntArray
    high: IntArray
    first: IntArray
    second: IntArray
    order: IntArray
    ordered: IntArray

    def beginning_on(self, edge: IntArray) -> IntArray:
        """Return the segment that begins on each of some edges, -1 for none."""
        if not len(self.order):
            return np.full(len(edge), -1)
        place = self.ordered.searchsorted(edge, side="right") - 1
        return np.where(self.ordered.take(place) == edge, self.order.take(place), -1)

    def branches(self, following: IntArray) -> bool:
        """Whether more than two segments meet on an edge, ``following`` being what comes next."""
        if (self.ordered[1:] == self.ordered[:-1]).any():
            return True
        # One more place takes the ends.
        entered = np.zeros(len(self.order) + 1, dtype=bool)
        entered[following] = True
        goes_on = np.count_nonzero(following >= 0)
        return bool(np.count_nonzero(entered[:-1]) < goes_on)

    def entered(self, surface: Surface) -> FloatArray:
        """Return the points (N, 3) at which the plane enters the faces."""
        return self._crossed(surface, 0, slice(None))

    def left(self, surface: Surface, which: IntArray) -> FloatArray:
        """Return the points (K, 3) at which it leaves some of them (K,)."""
        return self._crossed(surface, 1, which)

    def _crossed(self, surface: Surface, edge: int, which: IntArray | slice) -> FloatArray:
        """Return the points (K, 3) of some segments on the first edge, 0, or the second, 1."""
        a, b = self.low[edge, which], self.high[edge, which]
        # From the lower vertex on: both faces of an edge find the very same point.
        apex, other = self.height[0, which], self.height[1 + edge, which]
        is_low = self.vertices[0, which] == a
        t = np.where(is_low, apex, other) / np.where(is_low, apex - other, other - apex)
        # Vertices of several planes are numbered one plane after the other.
        if len(surface.points) <= b.max(initial=0):
            a, b = a % len(surface.points), b % len(surface.points)
        start = surface.points.take(a, axis=0)
        way = surface.points.take(b, axis=0)
        way -= start
        way *= t[:, None]
        way += start
        return way


_SEGMENT_CORNERS = np.array(
    [[0, 0, 1, 2, 2, 1, 0, 0], [1, 1, 2, 1, 0, 0, 2, 1], [2, 2, 0, 0, 1, 2, 1, 2]]
)
"""Apex, enters and leaves, by a bit for each corner above the plane.

The apex is the corner alone on its side; the curve crosses its two edges. Above, it enters on the
edge to the following corner; below, on that to the previous one. That keeps the lumen of an
outward-wound surface on the curve's left seen from above."""


_IS_CUT = np.array([False] + [True] * 6 + [False])
"""Which faces a plane crosses, by the same bits."""


def _sides(height: FloatArray) -> ByteArray:
    """Return a bit for each corner above the plane (N,) by the heights of corners (3, N)."""
    in_a, in_b, in_c = (height >= 0).view(np.uint8)
    sides = in_c * np.uint8(2)
    sides += in_b
    sides *= np.uint8(2)
    sides += in_a
    return sides


def _segments(corners: IntArray, height: FloatArray, sides: ByteArray, which: IntArray) -> Segments:
    """Return the segments in faces ``which`` (N,) of some (3, F) that a plane crosses.

    ``height`` (3, F) is that of their corners above the plane, ``sides`` (N,) are the bits of the
    faces crossed.
    """
    place = _SEGMENT_CORNERS.take(sides, axis=1)
    place *= height.shape[1]
    place += which
    vertices, height = corners.take(place), height.take(place)
    low, high = np.minimum(vertices[0], vertices[1:]), np.maximum(vertices[0], vertices[1:])
    number = low * (high.max(initial=0) + 1)
    number += high
    first, second = number
    order = np.argsort(first, kind="stable")
    return Segments(vertices, height, low, high, first, second, order, first.take(order))


def join(surface: Surface, segments: Segments, face: IntArray) -> list[PlaneContour]:
    """Join segments to curves.

    Parameters
    ----------
    surface : Surface
    segments : Segments
    face : (N,) array
        The face that each lies in.

    Returns
    -------
    list of PlaneContour
    """
    if not len(face):
        return []
    first, second = segments.first, segments.second
    joined = segments.beginning_on(second)
    entered = np.zeros(len(first) + 1, dtype=bool)
    entered[joined] = True
    own = segments.beginning_on(first)
    # Open curves begin where no segment ends; what is left then is closed.
    begins = np.concatenate([own[~entered[own]], own]).tolist()
    starting = segments.entered(surface)
    following = joined.tolist()
    used = [False] * len(first) + [True]
    contours: list[PlaneContour] = []
    for begin in begins:
        if used[begin]:
            continue
        chain = []
        segment = begin
        while not used[segment]:
            used[segment] = True
            chain.append(segment)
            segment = following[segment]
        index = np.array(chain)
        points, run = starting.take(index, axis=0), face.take(index)
        closed = bool(second[chain[-1]] == first[chain[0]])
        if not closed:
            points = np.concatenate([points, segments.left(surface, index[-1:])])
            run = np.concatenate([run, run[-1:]])
        contours.append(PlaneContour(points, run, closed))
    return contours


def split_along_plane(
    surface: Surface, origin: FloatArray, normal: FloatArray, faces: BoolArray
) -> tuple[Surface, IntArray, BoolArray]:
    """Split some faces where a plane crosses them.

    Parameters
    ----------
    surface : Surface
    origin, normal : (3,) array
    faces : (F,) bool array
        Which faces may be split. A neighbour that may not be is split along
        too, so that no crack opens.

    Returns
    -------
    split : Surface
        Original vertices first.
    parent : (F',) array
        The face of ``surface`` that each face comes from.
    above : (F',) bool array
        True for faces on the normal's side of the plane (the side of the
        centroid for a face that was not split).
    """
    height = (surface.points - origin) @ normal
    n = np.int64(len(surface.points))
    columns = surface.by_corner
    up = height >= 0
    side = [up[column] for column in columns]
    # No other face has an edge that crosses.
    crossing = np.flatnonzero((side[0] != side[1]) | (side[1] != side[2]))
    f = surface.faces[crossing]
    start, stop = f, np.roll(f, -1, axis=1)
    key = np.minimum(start, stop) * n + np.maximum(start, stop)
    split_keys = np.unique(key[(up[start] != up[stop]) & faces[crossing][:, None]])
    if not len(split_keys):
        return surface, np.arange(len(surface.faces)), _above(surface, height)
    a, b = split_keys // n, split_keys % n
    t = height[a] / (height[a] - height[b])
    added = surface.points[a] + t[:, None] * (surface.points[b] - surface.points[a])
    where = np.searchsorted(split_keys, key)
    where_safe = np.minimum(where, len(split_keys) - 1)
    middle = np.where(split_keys[where_safe] == key, n + where_safe, -1)
    new_faces: list[IntArray] = []
    parent: list[IntArray] = []
    number = (middle >= 0).sum(axis=1)
    is_whole = np.ones(len(surface.faces), dtype=bool)
    is_whole[crossing[number > 0]] = False
    whole = np.flatnonzero(is_whole)
    new_faces.append(surface.faces[whole])
    parent.append(whole)
    for k in range(3):
        one = np.flatnonzero((number == 1) & (middle[:, k] >= 0))
        m, p, q, r = middle[one, k], f[one, k], f[one, (k + 1) % 3], f[one, (k + 2) % 3]
        new_faces += [np.stack([p, m, r], 1), np.stack([m, q, r], 1)]
        parent += [crossing[one]] * 2
        # Edges k and k + 2 are split: corner k is the lone one.
        two = np.flatnonzero((number == 2) & (middle[:, (k + 1) % 3] < 0))
        p, q, r = f[two, k], f[two, (k + 1) % 3], f[two, (k + 2) % 3]
        m1, m2 = middle[two, k], middle[two, (k + 2) % 3]
        new_faces += [np.stack([p, m1, m2], 1), np.stack([m1, q, m2], 1), np.stack([q, r, m2], 1)]
        parent += [crossing[two]] * 3
    points = np.concatenate([surface.points, added])
    split = Surface(points, np.concatenate(new_faces))
    keep_balls(split, surface, whole)
    split_height = np.concatenate([height, np.zeros(len(added))])
    return split, np.concatenate(parent), _above(split, split_height)


def _above(surface: Surface, height: FloatArray) -> BoolArray:
    """Tell the faces (F,) whose middle is not below, by the height (V,) of the vertices."""
    a, b, c = (height[column] for column in surface.by_corner)
    return np.asarray((a + b) + c >= 0)
