"""Plane cuts: contours, and cutting a part off along a plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.frames import BoolArray, FloatArray, IntArray
from veinfit.surface.mesh import Surface


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


def plane_contours(
    surface: Surface,
    origin: FloatArray,
    normal: FloatArray,
    faces: IntArray | None = None,
) -> list[PlaneContour]:
    """Cut a surface, or some of its faces, by a plane.

    Vertices on the plane count as above it, so that every cut of a closed,
    consistently wound surface is a set of closed curves, whatever the plane
    touches. Curves of an outward-wound surface run counter-clockwise seen
    against ``normal`` (from its tip).

    Parameters
    ----------
    surface : Surface
    origin, normal : (3,) array
    faces : (K,) array, optional
        Indices of the faces to cut.
    """
    chosen = surface.faces if faces is None else surface.faces[faces]
    height = surface.points @ normal - origin @ normal
    above = height >= 0
    corner_above = above[chosen]
    in_a, in_b, in_c = corner_above[:, 0], corner_above[:, 1], corner_above[:, 2]
    crossing = np.flatnonzero((in_a != in_b) | (in_b != in_c))
    if not len(crossing):
        return []
    triangle = chosen[crossing]
    corners = corner_above[crossing]
    # The corner alone on its side; the curve crosses its two edges.
    lone_is_above = corners.sum(axis=1) == 1
    lone = np.argmax(corners == lone_is_above[:, None], axis=1)
    rows = np.arange(len(triangle))
    apex = triangle[rows, lone]
    following = triangle[rows, (lone + 1) % 3]
    previous = triangle[rows, (lone + 2) % 3]
    # A lone corner above: the curve enters on apex-following and leaves on apex-previous,
    # which keeps the lumen of an outward-wound surface on the curve's left seen from above.
    first = _edge_keys(surface, apex, np.where(lone_is_above, following, previous))
    second = _edge_keys(surface, apex, np.where(lone_is_above, previous, following))
    return _chain(surface, height, first, second, crossing if faces is None else faces[crossing])


def _edge_keys(surface: Surface, a: IntArray, b: IntArray) -> IntArray:
    """Return a number for each edge between vertices ``a`` and ``b``, whichever comes first."""
    return np.minimum(a, b) * np.int64(len(surface.points)) + np.maximum(a, b)


def _chain(
    surface: Surface, height: FloatArray, first: IntArray, second: IntArray, face: IntArray
) -> list[PlaneContour]:
    """Join segments, each from the edge ``first`` to the edge ``second``, to curves."""
    order = np.argsort(first, kind="stable")
    ordered = first[order]

    def leaving(key: IntArray) -> IntArray:
        """Return the segment that begins on each edge, -1 for none."""
        place = np.searchsorted(ordered, key, side="right") - 1
        return np.where(ordered[place] == key, order[place], -1)

    following = leaving(second).tolist()
    entered = np.zeros(len(first) + 1, dtype=bool)
    entered[following] = True
    own = leaving(first)
    # Open curves begin where no segment ends; what is left then is closed.
    begins = np.r_[own[~entered[own]], own].tolist()
    starting, ending = _on_edges(surface, height, first), _on_edges(surface, height, second)
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
            points = np.concatenate([points, ending[index[-1:]]])
            run = np.r_[run, run[-1]]
        contours.append(PlaneContour(points, run, closed))
    return contours


def _on_edges(surface: Surface, height: FloatArray, key: IntArray) -> FloatArray:
    """Return (N, 3) where the plane crosses edges that :func:`_edge_keys` numbered."""
    a, b = np.divmod(key, np.int64(len(surface.points)))
    ha, hb = height[a], height[b]
    t = ha / (ha - hb)
    return surface.points[a] + t[:, None] * (surface.points[b] - surface.points[a])


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
