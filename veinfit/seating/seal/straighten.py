"""Leak lines off the edges of the mesh: over the faces, as straight as they can be.

A line along edges zigzags and is longer than it need be. Each open stretch is sought
anew within a corridor of faces around it, along straight pieces between points set
densely on the faces' edges, so that the open area is that of the surface and not of
its triangulation.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.frames import clock_basis
from veinfit.seating.patch import WallPatch
from veinfit.seating.seal.orifice import open_areas
from veinfit.surface import Surface
from veinfit.surface.steiner import steiner_net
from veinfit.vectors import BoolArray, FloatArray, IntArray

CORRIDOR_RINGS = 2
"""How many rings of faces beside the line belong to the corridor."""

FREE_MM2 = 1e-12
"""Weight of a piece in contact: nothing, but not the absence of a link."""


def straightened_area(
    patch: WallPatch, stretch: IntArray, gap_mm: FloatArray, tolerance_mm: float
) -> float | None:
    """Open area, mm², of the least open path over the faces near an open stretch.

    Parameters
    ----------
    patch : WallPatch
    stretch : (K, 2) array
        Edges of an open stretch of a line around a vein: from contact to contact,
        or a closed line.
    gap_mm : (V,) array
    tolerance_mm : float

    Returns
    -------
    area : float or None
        None where the stretch is no simple line or winds about the axis in a way
        that a corridor cannot keep apart.
    """
    chain = _chain(stretch)
    if chain is None:
        return None
    faces = patch.surface.faces[_corridor(patch.surface, chain)]
    angle = _angles(patch)
    if chain[0] == chain[-1]:
        cut = _opened_at(faces, angle, int(chain[:-1][np.argmin(gap_mm[chain[:-1]])]))
        faces, start, stop = cut
    else:
        middle = _middle_angle(angle[chain])
        if middle is None:
            return None
        faces = faces[_spread(np.mod(angle[faces] - middle + np.pi, 2 * np.pi)) < np.pi]
        start, stop = int(chain[0]), int(chain[-1])
    return _least_path(patch, faces, start, stop, gap_mm, tolerance_mm)


def _chain(stretch: IntArray) -> IntArray | None:
    """Order the edges of a simple line into its vertices, the first again last if closed."""
    vertices, index = np.unique(stretch, return_inverse=True)
    index = index.reshape(-1, 2)
    neighbours: list[list[int]] = [[] for _ in vertices]
    for a, b in index.tolist():
        neighbours[a].append(b)
        neighbours[b].append(a)
    degree = np.array([len(around) for around in neighbours])
    ends = np.flatnonzero(degree == 1)
    if degree.max() > 2 or len(ends) not in (0, 2):
        return None
    first = int(ends[0]) if len(ends) else 0
    order, previous = [first], -1
    while True:
        onward = [v for v in neighbours[order[-1]] if v != previous]
        if not onward:
            break
        previous = order[-1]
        order.append(onward[0])
        if order[-1] == first:
            break
    return vertices[order] if len(order) == len(stretch) + 1 else None


def _corridor(surface: Surface, chain: IntArray) -> BoolArray:
    """Faces (F,) within some rings of a line of vertices."""
    near = np.zeros(len(surface.points), dtype=bool)
    near[chain] = True
    inside: BoolArray = np.zeros(len(surface.faces), dtype=bool)
    for _ in range(CORRIDOR_RINGS):
        inside = np.any(near[surface.faces], axis=1)
        near[surface.faces[inside]] = True
    return inside


def _angles(patch: WallPatch) -> FloatArray:
    """Angle (V,) of the vertices about the axis, radians."""
    twelve, three, _ = clock_basis(patch.axis)
    offset = patch.surface.points - patch.centre
    return np.asarray(np.arctan2(offset @ three, offset @ twelve))


def _spread(values: FloatArray) -> FloatArray:
    return np.asarray(values.max(axis=1) - values.min(axis=1))


def _middle_angle(angle: FloatArray) -> float | None:
    """Middle of the angles that an open line runs through; None past a full turn."""
    run = np.unwrap(angle)
    low, high = float(run.min()), float(run.max())
    return None if high - low >= 2 * np.pi else 0.5 * (low + high)


def _opened_at(faces: IntArray, angle: FloatArray, vertex: int) -> tuple[IntArray, int, int]:
    """Cut a closed corridor open at a vertex; its copy on the far side gets a new index."""
    copy = len(angle)
    ahead = np.mod(angle - angle[vertex] + np.pi, 2 * np.pi) - np.pi
    at_vertex = faces == vertex
    # Faces that reach across the half plane of the vertex, other than at the vertex itself.
    offset = np.where(at_vertex, np.nan, ahead[faces])
    low, high = np.nanmin(offset, axis=1), np.nanmax(offset, axis=1)
    kept = (low > 0) | (high < 0) | (high - low > np.pi)
    faces, low = faces[kept], low[kept]
    behind = (faces == vertex) & (low < 0)[:, None]
    return np.where(behind, copy, faces), vertex, copy


def _least_path(
    patch: WallPatch,
    faces: IntArray,
    start: int,
    stop: int,
    gap_mm: FloatArray,
    tolerance_mm: float,
) -> float | None:
    """Least open area of a path over some faces between two of their vertices."""
    if not len(faces) or not (faces == start).any() or not (faces == stop).any():
        return None
    last = len(patch.surface.points)
    position = np.vstack([patch.surface.points, patch.surface.points[start]])
    gap = np.append(gap_mm, gap_mm[start])
    used, inverse = np.unique(faces, return_inverse=True)
    local = Surface(position[used], inverse.reshape(-1, 3))
    net = steiner_net(local)
    node_gap = net.values(gap[used])
    length = np.linalg.norm(net.points[net.cols] - net.points[net.rows], axis=1)
    area = open_areas(length, node_gap[net.rows], node_gap[net.cols], tolerance_mm)
    usable = np.isfinite(area)
    graph = sparse.csr_matrix(
        (np.maximum(area[usable], FREE_MM2), (net.rows[usable], net.cols[usable])),
        shape=(len(node_gap), len(node_gap)),
    )
    begin, end = np.searchsorted(used, [start, stop if stop < last else last])
    reached = csgraph.dijkstra(graph, directed=False, indices=int(begin))[int(end)]
    return float(reached) if np.isfinite(reached) else None
