"""Widest paths over a wall: how much gap some path from vein to atrium keeps.

Between vertices the gap is linear. Then what lies above a level within a triangle
is convex and holds one of the triangle's corners, and two corners above the level
are joined by an edge above it: a path over the surface that stays above the level
can be moved onto edges that do. So the widest path along edges is as wide as any
path over the surface, and is narrowest at a vertex.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.seating.seal.parting import Folded
from veinfit.vectors import FloatArray, IntArray

WIDE_MM = 5.0
"""Few leaks are wider: a widest path is looked for below this first, and those of many tries are
followed no farther; what is wider then counts as this wide."""


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


def of_nodes(values: FloatArray, count: int) -> FloatArray:
    """Return values (..., V) of the first nodes as those of all: the rest is wide open.

    Parameters
    ----------
    values : (..., V) array
    count : int
        N, of all nodes.

    Returns
    -------
    (..., N) array
    """
    result = np.full((*values.shape[:-1], count), np.inf)
    result[..., : values.shape[-1]] = values
    return result


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
    links: IntArray,
    clearance: FloatArray,
    sources: IntArray,
    sinks: IntArray,
    levels: Sequence[float] = (),
) -> tuple[FloatArray, IntArray]:
    """Return width and narrowest node of the widest path for many clearances of one graph.

    The same as :func:`widest_path` for each row. Where what is above a level does not join the two
    ends, no path is wider: it is one node for each of its pieces, and a spanning tree is needed of
    the rest alone.

    Parameters
    ----------
    links : (E, 2) array
    clearance : (N, K) array
        Of the nodes in each case; inf is allowed.
    sources, sinks : (S,) array
    levels : sequence of float, optional
        Rising: looked at one after the other. They change the time that it takes, and nothing else.

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
    source, sink = nodes, nodes + 1
    ends = np.concatenate(
        [
            np.stack([np.minimum(*links.T), np.maximum(*links.T)], axis=1),
            np.stack([sources, np.full(len(sources), source)], axis=1),
            np.stack([sinks, np.full(len(sinks), sink)], axis=1),
        ]
    )
    whole = np.concatenate([clearance, np.full((count, 2), np.inf)], axis=1)
    left, floor = np.arange(count), -np.inf
    for level in (*levels, np.inf):
        kept = np.asarray((whole[left] <= level).any(axis=0))
        fold = Folded.of(ends, kept)
        own = np.full((len(left), fold.nodes), np.inf)
        own[:, fold.pieces :] = whole[np.ix_(left, fold.own)]
        piece = fold.side_by_side(own > level)
        start, goal = fold.node[source], fold.node[sink]
        apart = piece[:, start] != piece[:, goal]
        here = left[apart]
        if len(here):
            width[here], node = _widths_below(fold, own[apart], piece[apart], floor, level)
            narrowest[here] = np.where(node >= 0, np.r_[fold.own, -1][node - fold.pieces], -1)
        left, floor = left[~apart], level
        if not len(left):
            break
    return width, narrowest


def _widths_below(
    fold: Folded, clearance: FloatArray, piece: IntArray, floor: float, level: float
) -> tuple[FloatArray, IntArray]:
    """Return widths (R,) and narrowest nodes (R,) between the graph's last two nodes.

    Parameters
    ----------
    fold : Folded
    clearance : (R, N) array
    piece : (R, N) array
        Into which nodes above the level are joined: no path is as wide as they are.
    floor, level : float
        All paths are known to be wider than the first.
    """
    rows = len(clearance)
    a, b = fold.both_ways
    above = clearance > level
    # From each node that is not joined: to those that are, and to others once.
    use = ~above & (clearance > floor)
    led = use.take(b, axis=1)
    led &= a < b
    led |= above.take(b, axis=1)
    led &= use.take(a, axis=1)
    row, link = np.divmod(np.flatnonzero(led), len(a) or 1)
    nodes = clearance.shape[1]
    first, second = nodes * row + a[link], nodes * row + b[link]
    value = np.minimum(clearance.take(first), clearance.take(second))
    finite = value[np.isfinite(value)]
    # What is open without end stays wider than all else; no weight is zero.
    top = max(float(finite.max(initial=0.0)), 0.0) + 1.0
    weight = top + 1.0 - np.minimum(value, top)
    root = int(piece.max()) + 1
    starts, goals = piece[:, fold.node[-2]], piece[:, fold.node[-1]]
    ends = np.cumsum(np.bincount(piece.take(first), minlength=root))
    graph = sparse.csr_matrix(
        (
            np.concatenate([weight, np.full(rows, 0.5)]),
            np.concatenate([piece.take(second), starts]).astype(np.int32),
            np.concatenate([[0], ends, [len(value) + rows]]).astype(np.int32),
        ),
        shape=(root + 1, root + 1),
    )
    tree = csgraph.minimum_spanning_tree(graph)
    _, before = csgraph.breadth_first_order(tree, root, directed=False)
    wide, node = np.full(root, np.inf), np.full(root, -1)
    alone = np.nonzero(use)
    wide[piece[alone]], node[piece[alone]] = clearance[alone], alone[1]
    # The two ends are no nodes of the wall.
    node[starts] = node[goals] = -1
    width, narrowest = np.full(rows, -np.inf), np.full(rows, -1)
    case = np.flatnonzero(before[goals] >= 0)
    width[case], at = np.inf, goals[case]
    while len(case):
        less = (wide[at] <= width[case]) & (node[at] >= 0)
        width[case[less]], narrowest[case[less]] = wide[at[less]], node[at[less]]
        going = at != starts[case]
        case, at = case[going], before[at[going]]
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
