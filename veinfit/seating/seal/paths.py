"""Widest paths over a wall: how much gap some path from vein to atrium keeps.

Between vertices the gap is linear. Then what lies above a level within a triangle
is convex and holds one of the triangle's corners, and two corners above the level
are joined by an edge above it: a path over the surface that stays above the level
can be moved onto edges that do. So the widest path along edges is as wide as any
path over the surface, and is narrowest at a vertex.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.vectors import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class WidestPath:
    """The path whose least clearance is greatest.

    Attributes
    ----------
    width : float
        Its least clearance; -inf where the ends are not connected.
    nodes : (N,) array
        From a source to a sink; empty where there is no path.
    narrowest : int
        The node of least clearance; -1 where there is no path.
    """

    width: float
    nodes: IntArray
    narrowest: int


def widest_path(
    links: IntArray, clearance: FloatArray, sources: IntArray, sinks: IntArray
) -> WidestPath:
    """Return the widest path between two sets of nodes.

    It runs in a maximum spanning tree of the links, each as wide as the narrower
    of its ends.

    Parameters
    ----------
    links : (E, 2) array
        Pairs of neighbouring nodes, each pair once.
    clearance : (N,) array
        Of the nodes; inf is allowed.
    sources, sinks : (K,) array
        Node indices.

    References
    ----------
    .. [1] Hu TC, The maximum capacity route problem, Oper Res 1961;9:898-900.
    """
    none = WidestPath(-np.inf, np.empty(0, dtype=np.int64), -1)
    if not len(sources) or not len(sinks):
        return none
    n = len(clearance)
    rank = np.empty(n + 2, dtype=np.int64)
    rank[np.argsort(clearance, kind="stable")] = np.arange(n)
    rank[n:] = n
    source, sink = n, n + 1
    ends = np.concatenate(
        [
            links,
            np.stack([np.full(len(sources), source), sources], axis=1),
            np.stack([np.full(len(sinks), sink), sinks], axis=1),
        ]
    )
    # Ranks instead of clearances: the least weight is the widest link and none is zero.
    weight = (n + 1 - np.minimum(rank[ends[:, 0]], rank[ends[:, 1]])).astype(float)
    graph = sparse.csr_matrix((weight, (ends[:, 0], ends[:, 1])), shape=(n + 2, n + 2))
    tree = csgraph.minimum_spanning_tree(graph)
    _, previous = csgraph.breadth_first_order(tree, source, directed=False)
    if previous[sink] < 0:
        return none
    nodes = [int(previous[sink])]
    while previous[nodes[-1]] != source:
        nodes.append(int(previous[nodes[-1]]))
    path = np.array(nodes[::-1], dtype=np.int64)
    narrowest = int(path[np.argmin(clearance[path])])
    return WidestPath(float(clearance[narrowest]), path, narrowest)


def widest_widths(
    links: IntArray, clearance: FloatArray, sources: IntArray, sinks: IntArray
) -> tuple[FloatArray, IntArray]:
    """Return width and narrowest node of the widest path for many clearances of one graph.

    The same as :func:`widest_path` for each row, in one spanning tree of them all.

    Parameters
    ----------
    links : (E, 2) array
    clearance : (N, K) array
        Of the nodes in each case; inf is allowed.
    sources, sinks : (S,) array

    Returns
    -------
    width : (N,) array
        -inf where the ends are not connected.
    narrowest : (N,) array
        -1 where there is no path.
    """
    count, nodes = clearance.shape
    width, narrowest = np.full(count, -np.inf), np.full(count, -1)
    if not len(sources) or not len(sinks) or not count:
        return width, narrowest
    source, sink, size = nodes, nodes + 1, nodes + 2
    ends = np.concatenate(
        [
            np.sort(links, axis=1),
            np.stack([sources, np.full(len(sources), source)], axis=1),
            np.stack([sinks, np.full(len(sinks), sink)], axis=1),
        ]
    )
    ends = ends[np.lexsort((ends[:, 1], ends[:, 0]))]
    finite = np.where(np.isfinite(clearance), clearance, -np.inf)
    # What is open without end stays wider than all else; no weight is zero.
    top = max(float(finite.max(initial=0.0)), 0.0) + 1.0
    level = np.concatenate([np.minimum(clearance, top), np.full((count, 2), top)], axis=1)
    weight = top + 1.0 - np.minimum(level[:, ends[:, 0]], level[:, ends[:, 1]])
    root = count * size
    shift = (np.arange(count) * size)[:, None]
    rows = (np.bincount(ends[:, 0], minlength=size) + np.zeros((count, 1), dtype=np.int64)).ravel()
    hub = np.arange(count) * size + source
    graph = sparse.csr_matrix(
        (
            np.concatenate([weight.ravel(), np.full(count, 0.5)]),
            np.concatenate([(ends[:, 1] + shift).ravel(), hub]).astype(np.int32),
            np.concatenate([[0], np.cumsum(np.append(rows, count))]).astype(np.int32),
        ),
        shape=(root + 1, root + 1),
    )
    tree = csgraph.minimum_spanning_tree(graph)
    _, before = csgraph.breadth_first_order(tree, root, directed=False)
    case = np.flatnonzero(before[np.arange(count) * size + sink] >= 0)
    at = before[case * size + sink]
    width[case] = np.inf
    while len(case):
        going = at != case * size + source
        case, at = case[going], at[going]
        node = at - case * size
        less = clearance[case, node] <= width[case]
        width[case[less]] = clearance[case[less], node[less]]
        narrowest[case[less]] = node[less]
        at = before[at]
    return width, narrowest


def connected_to(links: IntArray, open_nodes: np.ndarray, starts: IntArray) -> np.ndarray:
    """Tell which nodes (N,) open paths reach from some starts, themselves included.

    Parameters
    ----------
    links : (E, 2) array
    open_nodes : (N,) bool array
        The nodes that paths may use.
    starts : (K,) array
        Starts that are not open reach nothing.
    """
    n = len(open_nodes)
    usable = links[open_nodes[links[:, 0]] & open_nodes[links[:, 1]]]
    starts = starts[open_nodes[starts]]
    hub = np.stack([np.full(len(starts), n), starts], axis=1)
    pairs = np.concatenate([usable, hub])
    graph = sparse.csr_matrix(
        (np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(n + 1, n + 1)
    )
    order = csgraph.breadth_first_order(graph, n, directed=False, return_predecessors=False)
    reached = np.zeros(n + 1, dtype=bool)
    reached[order] = True
    return reached[:n]
