"""Points on the edges of triangles, and which of them see each other across a face.

The graph of a triangulation holds its vertices and, on every edge, a few points
between them; any two nodes on the rim of one triangle are joined by a straight
line across it. With four points an edge the shortest path in this graph is at
most about one percent longer than the true geodesic, and never shorter
(Lanthier, Maheshwari and Sack, Algorithmica 2001, give the scheme; the figure
is from this project's tests on a plate, a sphere and a cylinder).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from veinfit.surface.mesh import Surface, edges
from veinfit.vectors import FloatArray, IntArray, row_keys

NodeArray = npt.NDArray[np.int32]
"""Numbers of nodes."""

POINTS_PER_EDGE = 4
"""Points between the ends of each edge."""


@dataclass(frozen=True, slots=True, eq=False)
class SteinerNet:
    """Nodes of a surface, vertices first, and the pairs that see each other.

    Attributes
    ----------
    points : (N, 3) array
        Vertices, then the points on the edges.
    face_nodes : (F, R) array
        For each face the nodes on its rim.
    rows, cols : (L,) array
        Pairs of nodes, each once: neighbours along an edge, and nodes of a face that lie
        on no edge together.
    ends : (E, 2) array
        Vertices of each edge.
    """

    points: FloatArray
    face_nodes: NodeArray
    rows: NodeArray
    cols: NodeArray
    ends: IntArray

    def values(self, at_vertices: FloatArray) -> FloatArray:
        """Return what is linear along the edges, (V,) at the vertices, at all nodes (N,)."""
        return np.concatenate([at_vertices, _between(at_vertices, self.ends).ravel()])


def steiner_net(surface: Surface) -> SteinerNet:
    """Return the net of a surface.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    SteinerNet
    """
    pairs, face_edges, _ = edges(surface)
    m = POINTS_PER_EDGE
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
    between = _between(surface.points, pairs).reshape(-1, 3)
    return SteinerNet(np.concatenate([surface.points, between]), face_nodes, rows, cols, pairs)


def _between(values: FloatArray, ends: IntArray) -> FloatArray:
    """Values (E, M, ...) at the points on the edges, linear between their ends."""
    t = np.arange(1, POINTS_PER_EDGE + 1) / (POINTS_PER_EDGE + 1)
    t = t.reshape(1, -1, *[1] * (values.ndim - 1))
    a, b = values[ends[:, 0]], values[ends[:, 1]]
    return np.asarray((1.0 - t) * a[:, None] + t * b[:, None])


def _apart(i: int, j: int) -> bool:
    """Whether two nodes of a face's rim, by their place in it, lie on no edge together."""
    return not _edges_of(i) & _edges_of(j)


def _edges_of(place: int) -> set[int]:
    """Edges of the face, 0-1, 1-2 and 2-0, on which a node of its rim lies."""
    if place < 3:
        return {place, (place + 2) % 3}
    return {(place - 3) // POINTS_PER_EDGE}
