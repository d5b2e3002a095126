"""Shortest paths over a surface, through its Steiner net (:mod:`veinfit.surface.steiner`)."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.surface.mesh import Surface
from veinfit.surface.steiner import NodeArray, steiner_net
from veinfit.vectors import FloatArray, IntArray


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
    net = steiner_net(surface)
    nodes, face_nodes, rows, cols = net.points, net.face_nodes, net.rows, net.cols
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
    """Length of a polyline of (N, 3) points, mm.

    Parameters
    ----------
    path : (N, 3) array

    Returns
    -------
    float
    """
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
