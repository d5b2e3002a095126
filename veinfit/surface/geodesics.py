"""Shortest paths over a surface.

The graph of a triangulation holds its vertices and, on every edge, a few points
between them; any two nodes on the rim of one triangle are joined by a straight
line across it. With four points an edge the shortest path in this graph is at
most about one percent longer than the true geodesic, and never shorter
(Lanthier, Maheshwari and Sack, Algorithmica 2001, give the scheme; the figure
is from this project's tests on a plate, a sphere and a cylinder).
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.surface.mesh import Surface, edges
from veinfit.vectors import FloatArray, IntArray, row_keys

NodeArray = npt.NDArray[np.int32]
"""Numbers of nodes."""

POINTS_PER_EDGE = 4
"""Points between the ends of each edge."""


def shortest_path(
    surface: Surface,
    start: FloatArray,
    start_faces: IntArray,
    stop: FloatArray,
    stop_faces: IntArray,
    longest_mm: float = np.inf,
) -> FloatArray | None:
    """Shortest path over a surface between two sets of points on it.

    Parameters
    ----------
    surface : Surface
    start, stop : (N, 3) and (M, 3) arrays
        Points on the surface.
    start_faces, stop_faces : (N,) and (M,) arrays
        The face that each lies in; a point on an edge may be given with both.
    longest_mm : float
        No path longer than this is looked for.

    Returns
    -------
    (K, 3) array or None
        The path's points from ``start`` to ``stop``; None where none exists.
    """
    nodes, face_nodes, rows, cols = _net(surface)
    n = len(nodes)
    rim = face_nodes.shape[1]
    extra = np.concatenate([start, stop])
    extra_faces = np.r_[start_faces, stop_faces]
    number = np.arange(n, n + len(extra), dtype=np.int32)
    extra_rows = np.repeat(number, rim)
    extra_cols = face_nodes[extra_faces].ravel()
    points = np.concatenate([nodes, extra])
    # Points of both sets in one face see each other directly.
    same_i, same_j = np.nonzero(start_faces[:, None] == stop_faces[None])
    rows = np.r_[rows, extra_rows, number[same_i]]
    cols = np.r_[cols, extra_cols, number[len(start) + same_j]]
    source, sink = len(points), len(points) + 1
    length = _link_lengths(points, rows, cols)
    # A zero would be no edge at all in a sparse graph.
    length = np.maximum(length, 1e-9)
    join = 1e-9
    ends = [np.full(len(start), source), np.full(len(stop), sink)]
    rows = np.r_[rows, np.concatenate(ends).astype(np.int32)]
    cols = np.r_[cols, number]
    length = np.r_[length, np.full(len(extra), join)]
    graph = sparse.csr_matrix((length, (rows, cols)), shape=(len(points) + 2,) * 2)
    distance, predecessor = csgraph.dijkstra(
        graph, directed=False, indices=source, return_predecessors=True, limit=longest_mm
    )
    if not np.isfinite(distance[sink]):
        return None
    path = [int(predecessor[sink])]
    while predecessor[path[-1]] != source:
        path.append(int(predecessor[path[-1]]))
    return points[path[::-1]]


def _link_lengths(points: FloatArray, rows: NodeArray, cols: NodeArray) -> FloatArray:
    """Lengths (L,) of links, coordinate by coordinate: there are millions of them."""
    square = np.zeros(len(rows))
    for column in np.ascontiguousarray(points.T):
        step = column.take(rows)
        step -= column.take(cols)
        step *= step
        square += step
    return np.sqrt(square, out=square)


def path_length(path: FloatArray) -> float:
    """Length of a polyline of (N, 3) points, mm."""
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def _net(surface: Surface) -> tuple[FloatArray, NodeArray, NodeArray, NodeArray]:
    """Return the nodes and which of them see each other.

    Returns
    -------
    nodes : (N, 3) array
        Vertices, then the points on the edges.
    face_nodes : (F, R) array
        For each face the nodes on its rim.
    rows, cols : (L,) array
        Pairs of nodes, each once: neighbours along an edge, and nodes of a face that lie
        on no edge together.
    """
    pairs, face_edges, _ = edges(surface)
    m = POINTS_PER_EDGE
    t = np.arange(1, m + 1) / (m + 1)
    a, b = surface.points[pairs[:, 0]], surface.points[pairs[:, 1]]
    between = a[:, None] + t[None, :, None] * (b - a)[:, None]
    # Short numbers: there are millions of links.
    first = len(surface.points)
    on_edge = np.arange(first, first + len(pairs) * m, dtype=np.int32).reshape(-1, m)
    ends, corners = pairs.astype(np.int32), surface.faces.astype(np.int32)
    along = np.concatenate([ends[:, :1], on_edge, ends[:, 1:]], axis=1)
    face_nodes = np.concatenate([corners, *(on_edge[face_edges[:, k]] for k in range(3))], 1)
    # A face that is there twice sees the same nodes: once is enough.
    _, once = np.unique(row_keys(np.sort(face_edges, axis=1)), return_index=True)
    i, j = np.array([(i, j) for i, j in combinations(range(3 + 3 * m), 2) if _apart(i, j)]).T
    rows = np.concatenate([along[:, :-1].ravel(), face_nodes[once][:, i].ravel()])
    cols = np.concatenate([along[:, 1:].ravel(), face_nodes[once][:, j].ravel()])
    return np.concatenate([surface.points, between.reshape(-1, 3)]), face_nodes, rows, cols


def _apart(i: int, j: int) -> bool:
    """Whether two nodes of a face's rim, by their place in it, lie on no edge together."""
    return not _edges_of(i) & _edges_of(j)


def _edges_of(place: int) -> set[int]:
    """Edges of the face, 0-1, 1-2 and 2-0, on which a node of its rim lies."""
    if place < 3:
        return {place, (place + 2) % 3}
    return {(place - 3) // POINTS_PER_EDGE}
