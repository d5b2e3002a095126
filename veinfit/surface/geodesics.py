"""Shortest ways over a surface.

The graph of a triangulation holds its vertices and, on every edge, a few points
between them; any two nodes on the rim of one triangle are joined by a straight
line across it. With four points an edge the shortest way in this graph is at
most about one percent longer than the true geodesic, and never shorter
(Lanthier, Maheshwari and Sack, Algorithmica 2001, give the scheme; the figure
is from this project's tests on a plate, a sphere and a cylinder).
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.frames import FloatArray, IntArray
from veinfit.surface.mesh import Surface, edges

POINTS_PER_EDGE = 4
"""Points between the ends of each edge."""


def shortest_way(
    surface: Surface,
    start: FloatArray,
    start_faces: IntArray,
    stop: FloatArray,
    stop_faces: IntArray,
) -> FloatArray | None:
    """Shortest way over a surface between two sets of points on it.

    Parameters
    ----------
    surface : Surface
    start, stop : (N, 3) and (M, 3) arrays
        Points on the surface.
    start_faces, stop_faces : (N,) and (M,) arrays
        The face that each lies in.

    Returns
    -------
    (K, 3) array or None
        The way's points from ``start`` to ``stop``; None where none exists.
    """
    nodes, face_nodes = _nodes(surface)
    n = len(nodes)
    rim = face_nodes.shape[1]
    i, j = np.triu_indices(rim, 1)
    rows, cols = face_nodes[:, i].ravel(), face_nodes[:, j].ravel()
    extra = np.concatenate([start, stop])
    extra_faces = np.r_[start_faces, stop_faces]
    extra_rows = np.repeat(n + np.arange(len(extra)), rim)
    extra_cols = face_nodes[extra_faces].ravel()
    points = np.concatenate([nodes, extra])
    # Points of both sets in one face see each other directly.
    same_i, same_j = np.nonzero(start_faces[:, None] == stop_faces[None])
    rows = np.r_[rows, extra_rows, n + same_i]
    cols = np.r_[cols, extra_cols, n + len(start) + same_j]
    source, sink = len(points), len(points) + 1
    length = np.linalg.norm(points[rows] - points[cols], axis=1)
    key = np.minimum(rows, cols) * np.int64(len(points)) + np.maximum(rows, cols)
    _, first = np.unique(key, return_index=True)
    rows, cols, length = rows[first], cols[first], length[first]
    # A zero would be no edge at all in a sparse graph.
    length = np.maximum(length, 1e-9)
    join = 1e-9
    rows = np.r_[rows, np.full(len(start), source), np.full(len(stop), sink)]
    cols = np.r_[cols, n + np.arange(len(extra))]
    length = np.r_[length, np.full(len(extra), join)]
    graph = sparse.csr_matrix((length, (rows, cols)), shape=(len(points) + 2,) * 2)
    distance, predecessor = csgraph.dijkstra(
        graph, directed=False, indices=source, return_predecessors=True
    )
    if not np.isfinite(distance[sink]):
        return None
    way = [int(predecessor[sink])]
    while predecessor[way[-1]] != source:
        way.append(int(predecessor[way[-1]]))
    return points[way[::-1]]


def way_length(way: FloatArray) -> float:
    """Length of a polyline of (N, 3) points, mm."""
    return float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum())


def _nodes(surface: Surface) -> tuple[FloatArray, IntArray]:
    """Vertices and edge points (N, 3), and for each face the nodes on its rim."""
    pairs, face_edges, _ = edges(surface)
    t = np.arange(1, POINTS_PER_EDGE + 1) / (POINTS_PER_EDGE + 1)
    a, b = surface.points[pairs[:, 0]], surface.points[pairs[:, 1]]
    between = a[:, None] + t[None, :, None] * (b - a)[:, None]
    v = len(surface.points)
    on_edge = v + np.arange(len(pairs) * POINTS_PER_EDGE).reshape(-1, POINTS_PER_EDGE)
    face_nodes = np.concatenate([surface.faces, *(on_edge[face_edges[:, k]] for k in range(3))], 1)
    return np.concatenate([surface.points, between.reshape(-1, 3)]), face_nodes
