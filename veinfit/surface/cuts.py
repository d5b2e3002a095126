"""Plane cuts: contours, and cutting a part off along a plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.surface.mesh import Surface
from veinfit.vectors import BoolArray, FloatArray, IntArray


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
    height = surface.points @ normal - origin @ normal
    above = height >= 0
    # A face whose middle lies farther off than its corners from there does not cross.
    middles, reach_mm = surface.spheres
    near = np.flatnonzero(np.abs(normal @ middles - origin @ normal) <= reach_mm)
    in_a, in_b, in_c = (above.take(column.take(near)) for column in surface.by_corner)
    crossing = near[(in_a != in_b) | (in_b != in_c)]
    if not len(crossing):
        return []
    segments = _segments(above, surface.by_corner[:, crossing])
    return _chain(surface, height, segments, crossing)


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
    height = normals @ surface.points.T - (normals @ origin)[:, None]
    above = height >= 0
    # A bit a plane: corners on both sides of it show in all planes at once.
    bits = np.packbits(above, axis=0)
    a, b, c = (bits.take(column, axis=1) for column in surface.by_corner)
    apart = (a ^ b) | (b ^ c)
    crossing = np.flatnonzero(apart.any(axis=0))
    cut = np.unpackbits(apart[:, crossing], axis=0, count=len(normals))
    plane, which = np.nonzero(cut.view(np.bool_))
    face = crossing[which]
    # Each plane has vertices of its own, so that curves of two planes never join.
    segments = _segments(above.ravel(), surface.by_corner[:, face] + plane * n)
    following = segments.beginning_on(segments.second)
    # The edges at which curves end are points too.
    ends = np.flatnonzero(following < 0)
    count = len(face)
    points = _on_edges(surface, height.ravel(), segments.apex, segments.enters)
    last = _on_edges(surface, height.ravel(), segments.apex[ends], segments.leaves[ends])
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
class _Segments:
    """Where a plane crosses faces: from the edge apex-enters to the edge apex-leaves, (N,) each.

    ``first`` and ``second`` number these edges, ``order`` sorts the segments by the first.
    """

    apex: IntArray
    enters: IntArray
    leaves: IntArray
    first: IntArray
    second: IntArray
    order: IntArray

    def beginning_on(self, edge: IntArray) -> IntArray:
        """Return the segment that begins on each of some edges, -1 for none."""
        if not len(self.order):
            return np.full(len(edge), -1)
        ordered = self.first[self.order]
        place = np.searchsorted(ordered, edge, side="right") - 1
        return np.where(ordered[place] == edge, self.order[place], -1)


def _segments(above: BoolArray, corners: IntArray) -> _Segments:
    """Return the segments in faces (3, N) of which one corner is alone on its side."""
    a, b, c = corners
    in_a, in_b, in_c = (above.take(column) for column in corners)
    # The corner alone on its side; the curve crosses its two edges.
    is_a, is_b = in_b == in_c, in_a == in_c
    apex = np.where(is_a, a, np.where(is_b, b, c))
    following = np.where(is_a, b, np.where(is_b, c, a))
    previous = np.where(is_a, c, np.where(is_b, a, b))
    lone_is_above = np.where(is_a, in_a, np.where(is_b, in_b, in_c))
    # A lone corner above: the curve enters on apex-following and leaves on apex-previous,
    # which keeps the lumen of an outward-wound surface on the curve's left seen from above.
    enters = np.where(lone_is_above, following, previous)
    leaves = np.where(lone_is_above, previous, following)
    n = np.int64(len(above))
    first = np.minimum(apex, enters) * n + np.maximum(apex, enters)
    second = np.minimum(apex, leaves) * n + np.maximum(apex, leaves)
    return _Segments(apex, enters, leaves, first, second, np.argsort(first, kind="stable"))


def _chain(
    surface: Surface, height: FloatArray, segments: _Segments, face: IntArray
) -> list[PlaneContour]:
    """Join segments to curves."""
    first, second = segments.first, segments.second
    following = segments.beginning_on(second).tolist()
    entered = np.zeros(len(first) + 1, dtype=bool)
    entered[following] = True
    own = segments.beginning_on(first)
    # Open curves begin where no segment ends; what is left then is closed.
    begins = np.concatenate([own[~entered[own]], own]).tolist()
    starting = _on_edges(surface, height, segments.apex, segments.enters)
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
        points, run = starting[index], face[index]
        closed = bool(second[index[-1]] == first[index[0]])
        if not closed:
            last = index[-1:]
            end = _on_edges(surface, height, segments.apex[last], segments.leaves[last])
            points = np.concatenate([points, end])
            run = np.concatenate([run, run[-1:]])
        contours.append(PlaneContour(points, run, closed))
    return contours


def _on_edges(
    surface: Surface, height: FloatArray, first: IntArray, second: IntArray
) -> FloatArray:
    """Return (N, 3) where a plane crosses edges between vertices.

    With the heights above several planes one after the other, vertices are numbered likewise.
    """
    # From the lower vertex on: both faces of an edge find the very same point.
    a, b = np.minimum(first, second), np.maximum(first, second)
    ha, hb = height.take(a), height.take(b)
    t = ha / (ha - hb)
    n = len(surface.points)
    if len(height) > n:
        a, b = a % n, b % n
    start = surface.points.take(a, axis=0)
    return start + t[:, None] * (surface.points.take(b, axis=0) - start)


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
    f = surface.faces
    n = np.int64(len(surface.points))
    start, stop = f, np.roll(f, -1, axis=1)
    key = np.minimum(start, stop) * n + np.maximum(start, stop)
    crosses = (height[start] >= 0) != (height[stop] >= 0)
    split_keys = np.unique(key[crosses & faces[:, None]])
    if not len(split_keys):
        above = height[f].mean(axis=1) >= 0
        return surface, np.arange(len(f)), above
    a, b = split_keys // n, split_keys % n
    t = height[a] / (height[a] - height[b])
    added = surface.points[a] + t[:, None] * (surface.points[b] - surface.points[a])
    where = np.searchsorted(split_keys, key)
    where_safe = np.minimum(where, len(split_keys) - 1)
    middle = np.where(split_keys[where_safe] == key, n + where_safe, -1)
    new_faces: list[IntArray] = []
    parent: list[IntArray] = []
    number = (middle >= 0).sum(axis=1)
    whole = np.flatnonzero(number == 0)
    new_faces.append(f[whole])
    parent.append(whole)
    for k in range(3):
        one = np.flatnonzero((number == 1) & (middle[:, k] >= 0))
        m, p, q, r = middle[one, k], f[one, k], f[one, (k + 1) % 3], f[one, (k + 2) % 3]
        new_faces += [np.stack([p, m, r], 1), np.stack([m, q, r], 1)]
        parent += [one, one]
        # Edges k and k + 2 are split: corner k is the lone one.
        two = np.flatnonzero((number == 2) & (middle[:, (k + 1) % 3] < 0))
        p, q, r = f[two, k], f[two, (k + 1) % 3], f[two, (k + 2) % 3]
        m1, m2 = middle[two, k], middle[two, (k + 2) % 3]
        new_faces += [np.stack([p, m1, m2], 1), np.stack([m1, q, m2], 1), np.stack([q, r, m2], 1)]
        parent += [two, two, two]
    points = np.concatenate([surface.points, added])
    split = Surface(points, np.concatenate(new_faces))
    split_height = np.concatenate([height, np.zeros(len(added))])
    above = split_height[split.faces].mean(axis=1) >= 0
    return split, np.concatenate(parent), above
