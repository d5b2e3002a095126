"""Widths of the ridges between neighbouring ostia, over the wall."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from veinfit.anatomy.model import Contour, Ridge
from veinfit.notes import Note
from veinfit.surface import Surface
from veinfit.surface.geodesics import path_length, shortest_path
from veinfit.surface.mesh import edge_graph, face_corners, face_middles, select_faces
from veinfit.vectors import BoolArray, FloatArray, IntArray, cross, dots, lengths

NEIGHBOURS: tuple[tuple[str, str], ...] = (
    ("LSPV", "LIPV"),
    ("RSPV", "RMPV"),
    ("RMPV", "RIPV"),
    ("RMPV", "RMPV-2"),
    ("RMPV-2", "RIPV"),
    ("RSPV", "RIPV"),
    ("LIPV", "RIPV"),
    ("LSPV", "RSPV"),
    ("LCPV", "RSPV"),
    ("LCPV", "RIPV"),
    ("LSPV", "LAA"),
    ("LCPV", "LAA"),
    ("LSPV", "ICPV"),
    ("RSPV", "ICPV"),
    ("LSPV", "RCPV"),
    ("LIPV", "RCPV"),
    ("LCPV", "RCPV"),
)
"""Pairs of structures that have a ridge or a stretch of wall between them."""

SAME_FACE_MM = 1e-6
"""A point on an edge lies in the faces on both sides of it: in all that are this near."""

FIRST_LIMIT, FIRST_LIMIT_MM = 2.0, 5.0
"""A path along edges is first looked for up to so many times the distance and so much more."""

CORRIDOR_MM = 2.0
"""A first path is looked for so near to the one along edges."""

ROUNDING_MM = 1e-6
"""More than rounding moves a length."""

COARSE_POINTS = 16
"""One point of a contour in so many tells of most faces that they lie too far off."""

NEAREST_FACES = 12
"""A point's face is among so many whose middles are nearest."""


def ridge_widths(
    wall: Surface, contours: Mapping[str, Contour]
) -> tuple[tuple[Ridge, ...], tuple[Note, ...]]:
    """Measure every ridge whose two sides were found.

    The width is the length of the shortest path over the wall between the two
    ostial contours.
    """
    ridges: list[Ridge] = []
    notes: list[Note] = []
    pairs = [(a, b) for a, b in NEIGHBOURS if a in contours and b in contours]
    if not pairs:
        return (), ()
    ground = _Ground(wall)
    sides = {name: _Side(ground, contours[name].points) for name in dict.fromkeys(sum(pairs, ()))}
    for start, end in pairs:
        path = _path_between(ground, sides[start], sides[end])
        if path is None:
            notes.append(Note("measures", f"no path over the wall from {start} to {end}", start))
            continue
        ridges.append(Ridge(start, end, path_length(path), path))
    return tuple(ridges), tuple(notes)


class _Ground:
    """The wall made ready for many paths over it."""

    def __init__(self, wall: Surface) -> None:
        self.wall = wall
        self.middles: FloatArray = face_middles(wall)
        reach = [lengths(corner - self.middles) for corner in face_corners(wall)]
        self.radii: FloatArray = np.maximum(np.maximum(reach[0], reach[1]), reach[2])
        self.tree = cKDTree(self.middles)
        self.graph = edge_graph(wall)

    def faces_of(self, points: FloatArray) -> tuple[IntArray, IntArray]:
        """Return the faces that hold some points (N, 3): pairs of a point's index and a face."""
        _, near = self.tree.query(points, k=min(NEAREST_FACES, len(self.middles)))
        near = near.reshape(len(points), -1)
        a, b, c = face_corners(self.wall, near)
        distance = _triangle_distance(points[:, None], a, b, c)
        point, place = np.nonzero(distance <= distance.min(axis=1, keepdims=True) + SAME_FACE_MM)
        return point, near[point, place]


class _Side:
    """One side of a ridge: the points of a contour, and where they are."""

    def __init__(self, ground: _Ground, points: FloatArray) -> None:
        index, self.faces = ground.faces_of(points)
        self.points: FloatArray = points[index]
        self.vertices: IntArray = np.unique(ground.wall.faces[self.faces])
        # How far at most each vertex of these faces is from the contour.
        self.slack_mm = 2.0 * float(ground.radii[self.faces].max())
        self.tree = cKDTree(points)
        self.few = points[::COARSE_POINTS]
        self.gap_mm = float(cKDTree(self.few).query(points)[0].max())

    def along_edges(self, ground: _Ground, other: _Side) -> tuple[float, IntArray]:
        """Return the shortest path along edges between the faces of both sides.

        Returns
        -------
        length_mm : float
            Infinite where there is none.
        vertices : (N,) array
            On it.
        """
        apart = float(self.tree.query(other.points)[0].min())
        for limit in (FIRST_LIMIT * apart + FIRST_LIMIT_MM, np.inf):
            over_edges_mm, before, _ = csgraph.dijkstra(
                ground.graph,
                directed=True,
                indices=self.vertices,
                min_only=True,
                limit=limit,
                return_predecessors=True,
            )
            last = int(other.vertices[int(np.argmin(over_edges_mm[other.vertices]))])
            length = float(over_edges_mm[last])
            if np.isfinite(length):
                break
        path = [last]
        while before[path[-1]] >= 0:
            path.append(int(before[path[-1]]))
        return length, np.array(path)

    def least_mm(self, places: FloatArray) -> FloatArray:
        """Return less than the distance of places (N, 3) from the contour."""
        away = np.full(len(places), np.inf)
        for point in self.few:
            offset = places - point
            np.minimum(away, dots(offset, offset), out=away)
        return np.sqrt(away) - self.gap_mm

    def within(self, chosen: BoolArray) -> tuple[FloatArray, IntArray]:
        """Return the points (N, 3) in chosen faces, and the place of each's face among these."""
        inside = chosen[self.faces]
        number = np.cumsum(chosen) - 1
        return self.points[inside], number[self.faces[inside]]


def _path_between(ground: _Ground, start: _Side, stop: _Side) -> FloatArray | None:
    along_edges_mm, vertices = start.along_edges(ground, stop)
    if not np.isfinite(along_edges_mm):
        return None
    longest = along_edges_mm + start.slack_mm + stop.slack_mm
    # A path beside the one along edges is hardly longer than the shortest.
    beside = np.zeros(len(ground.middles), dtype=bool)
    for found in ground.tree.query_ball_point(ground.wall.points[vertices], CORRIDOR_MM):
        beside[found] = True
    path = _path_within(ground, start, stop, beside, longest)
    if path is not None:
        longest = min(longest, path_length(path) + ROUNDING_MM)
    chosen = _ellipsoid(ground, start, stop, longest)
    return _path_within(ground, start, stop, chosen, longest)


def _path_within(
    ground: _Ground, start: _Side, stop: _Side, chosen: BoolArray, longest: float
) -> FloatArray | None:
    """Return the shortest path (K, 3) over some of the faces; None where there is none."""
    ends = *start.within(chosen), *stop.within(chosen)
    if not all(map(len, ends)):
        return None
    part, _ = select_faces(ground.wall, chosen)
    return shortest_path(part, *ends, longest)


def _ellipsoid(ground: _Ground, start: _Side, stop: _Side, longest: float) -> BoolArray:
    """Tell the faces (F,) over which a path no longer than ``longest`` may lead."""
    reach = longest + 2.0 * ground.radii
    far = float(reach.max())
    near = np.ones(len(reach), dtype=bool)
    for side in (start, stop):
        low, high = side.points.min(axis=0) - far, side.points.max(axis=0) + far
        for k in range(3):
            near &= (ground.middles[:, k] >= low[k]) & (ground.middles[:, k] <= high[k])
    inside = np.flatnonzero(near)
    # Few points of each side tell of most faces that they lie too far off.
    least = sum(side.least_mm(ground.middles[inside]) for side in (start, stop))
    inside = inside[least <= reach[inside] + ROUNDING_MM]
    straight = sum(side.tree.query(ground.middles[inside])[0] for side in (start, stop))
    chosen = np.zeros(len(reach), dtype=bool)
    chosen[inside[straight <= reach[inside]]] = True
    return chosen


def _triangle_distance(p: FloatArray, a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Distance from points to triangles, broadcast; exact inside, by edges outside."""
    normal = cross(b - a, c - a)
    length = np.linalg.norm(normal, axis=-1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    height = ((p - a) * normal).sum(axis=-1)
    foot = p - height[..., None] * normal
    inside = np.ones(height.shape, dtype=bool)
    edge = np.full(height.shape, np.inf)
    for u, v in ((a, b), (b, c), (c, a)):
        side = (cross(v - u, foot - u) * normal).sum(axis=-1)
        inside &= side >= 0
        along = v - u
        t = ((p - u) * along).sum(axis=-1) / np.maximum((along**2).sum(axis=-1), 1e-18)
        nearest = u + np.clip(t, 0.0, 1.0)[..., None] * along
        edge = np.minimum(edge, np.linalg.norm(p - nearest, axis=-1))
    return np.where(inside, np.abs(height), edge)
