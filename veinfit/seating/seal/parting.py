"""Whether contact parts vein from atrium, for many balloons at once before one wall.

Wall that none of them touches is folded into one node for each of its pieces.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.seating.pieces import components_of
from veinfit.vectors import BoolArray, IntArray, distinct

RINGS = 1
"""What lies within so many links of contact is not folded away: contact that grows stays there."""

WORDS = {8: np.uint8, 16: np.uint16, 32: np.uint32, 64: np.uint64}
"""Kinds of numbers by how many bits they have: a bit for each of many graphs."""

FEW_GRAPHS = 3
"""So few graphs are sooner followed one after the other than bit by bit."""


class Parting:
    """Closed vertices of one wall, and whether they part its vein from its atrium.

    What has been folded once stays so until another part of it is touched. That saves time
    alone: no answer depends on what was asked before.

    Parameters
    ----------
    links : (E, 2) array
        Pairs of nodes; the last two nodes are the vein's ends and the atrium.
    count : int
        How many nodes there are.
    own : int
        How many of them, the first ones, can be closed.
    """

    def __init__(self, links: IntArray, count: int, own: int) -> None:
        self._links, self._count, self._closable = links, count, own
        self._fold(np.zeros(count, dtype=bool))
        vein, atrium = self._folded.node[-2:]
        self.joined = bool(vein == atrium)

    def parted(self, closed: BoolArray) -> BoolArray:
        """Return whether closed vertices (N, K) part vein and atrium (N,).

        Parameters
        ----------
        closed : (N, K) array
        """
        ever: BoolArray = np.asarray(closed.any(axis=0))
        if (ever & ~self._kept[: len(ever)]).any():
            if len(closed) <= FEW_GRAPHS:
                # Folding takes longer than to follow so few.
                return np.array([self._is_parted(row) for row in closed], dtype=bool)
            self._fold(self._kept | self._around(ever))
        fold, rows = self._folded, len(closed)
        is_open = np.ones((rows, fold.nodes), dtype=bool)
        is_open[:, fold.pieces :] = ~closed.take(fold.own, axis=1)
        vein, atrium = fold.node[-2:]
        if rows > FEW_GRAPHS:
            return ~fold.joined(is_open, int(vein), int(atrium))
        piece = fold.side_by_side(is_open)
        return np.asarray(piece[:, vein] != piece[:, atrium])

    def expect(self, contact: BoolArray) -> None:
        """Fold what is not in some contact (K,), which is looked for to stay within it.

        Parameters
        ----------
        contact : (K,) array
        """
        kept = np.zeros(self._count, dtype=bool)
        kept[: len(contact)] = contact
        self._fold(self._kept | kept)

    def _is_parted(self, closed: BoolArray) -> bool:
        """Tell the same of one balloon (K,) on all of the wall."""
        is_open = np.ones(self._count, dtype=bool)
        is_open[: len(closed)] = ~closed
        a, b = self._ends
        usable = is_open.take(a)
        usable &= is_open.take(b)
        own = np.flatnonzero(usable)
        _, piece = components_of(a.take(own), b.take(own), self._count)
        return bool(piece[-2] != piece[-1])

    @cached_property
    def _ends(self) -> tuple[IntArray, IntArray]:
        """Return the nodes of each link, ordered by the first."""
        order = np.argsort(self._links[:, 0], kind="stable")
        return self._links[order, 0], self._links[order, 1]

    def _around(self, contact: BoolArray) -> BoolArray:
        """Return closed vertices (K,) and those near them, as nodes."""
        result = np.zeros(self._count, dtype=bool)
        result[: len(contact)] = contact
        a, b = self._links.T
        for _ in range(RINGS):
            met = result[a] != result[b]
            result[a[met]] = result[b[met]] = True
        return result

    def _fold(self, kept: BoolArray) -> None:
        kept[self._closable :] = False
        self._kept, self._folded = kept, Folded.of(self._links, kept)


@dataclass(frozen=True, eq=False)
class Folded:
    """A graph in which what hangs together without some nodes is one node for each piece.

    Attributes
    ----------
    node : (N,) array
        What each node has become: pieces come first, then the nodes that are kept.
    pieces, nodes : int
        How many pieces there are; how many nodes in all.
    own : (K,) array
        The nodes that are kept.
    low, high : (E,) array
        Links, each once, ordered by their first node.
    """

    node: IntArray
    pieces: int
    nodes: int
    own: IntArray
    low: IntArray
    high: IntArray

    @classmethod
    def of(cls, links: IntArray, kept: BoolArray) -> Folded:
        """Fold all nodes but some.

        Parameters
        ----------
        links : (E, 2) array
        kept : (N,) bool array
        """
        own = np.flatnonzero(kept)
        one, other = np.ascontiguousarray(links.T)
        at_kept = kept.take(one) | kept.take(other)
        always = np.flatnonzero(~at_kept)
        _, piece = components_of(one.take(always), other.take(always), len(kept))
        # Pieces keep their order; each is known by a number, so nothing need be sorted.
        there = np.zeros(len(kept), dtype=bool)
        there[piece[~kept]] = True
        pieces = int(there.sum())
        node = np.empty(len(kept), dtype=np.int64)
        node[~kept] = (np.cumsum(there) - 1)[piece[~kept]]
        node[own] = pieces + np.arange(len(own))
        nodes = pieces + len(own)
        rest = np.flatnonzero(at_kept)
        a, b = node.take(one.take(rest)), node.take(other.take(rest))
        key = distinct(np.minimum(a, b) * nodes + np.maximum(a, b))
        return cls(node, pieces, nodes, own, key // nodes, key % nodes)

    @cached_property
    def both_ways(self) -> tuple[IntArray, IntArray]:
        """Return the links (2 E,), (2 E,) from each of their nodes, ordered by it."""
        there, back = self.low * self.nodes + self.high, self.high * self.nodes + self.low
        key = np.sort(np.concatenate([there, back]))
        return key // self.nodes, key % self.nodes

    @cached_property
    def _begin(self) -> IntArray:
        """Where the links of each node as their first one begin."""
        return np.searchsorted(self.low, np.arange(self.nodes))

    @cached_property
    def _neighbours(self) -> tuple[IntArray, IntArray, IntArray]:
        """Nodes with a link, where the links of each begin, and to which nodes all of them lead."""
        one, other = self.both_ways
        linked, begin = np.unique(one, return_index=True)
        return linked, begin, other

    def joined(self, is_open: BoolArray, one: int, other: int) -> BoolArray:
        """Return in which of R graphs (R,) a path over open nodes joins two open ones.

        All graphs are followed at once, a bit for each: what is reached spreads by a link a round.

        Parameters
        ----------
        is_open : (R, N) bool array
        one, other : int
        """
        result = np.zeros(len(is_open), dtype=bool)
        linked, begin, neighbours = self._neighbours
        most = max(WORDS)
        for first in range(0, len(is_open) if len(linked) else 0, most):
            part = is_open[first : first + most]
            size = next(bits for bits in WORDS if bits >= len(part))
            bits = np.zeros((self.nodes, size), dtype=bool)
            bits[:, : len(part)] = part.T
            may = np.packbits(bits, axis=1).view(WORDS[size])[:, 0]
            reached = np.zeros_like(may)
            reached[one] = may[one]
            may, goal = may[linked], may[other]
            while reached[other] != goal:
                before = reached[linked]
                now = np.bitwise_or.reduceat(reached.take(neighbours), begin)
                now &= may
                now |= before
                if np.array_equal(now, before):
                    break
                reached[linked] = now
            told = np.unpackbits(reached[other : other + 1].view(np.uint8))
            result[first : first + most] = told[: len(part)]
        return result

    def side_by_side(self, is_open: BoolArray) -> IntArray:
        """Return the connected piece (R, N) of each open node of R graphs; no two rows share one.

        A node that is not open is a piece by itself; the numbers of such pieces rise along a row.

        Parameters
        ----------
        is_open : (R, N) bool array
        """
        rows, nodes = is_open.shape
        both = is_open.take(self.low, axis=1)
        both &= is_open.take(self.high, axis=1)
        row = np.arange(rows, dtype=np.int32)[:, None]
        columns = (self.high.astype(np.int32) + nodes * row)[both]
        # How many links lie before the first of each node, in all rows before it and its own.
        before = np.zeros(both.size + 1, dtype=np.int32)
        np.cumsum(both.ravel(), dtype=np.int32, out=before[1:])
        begin = np.append(before[(len(self.low) * row + self._begin).ravel()], before[-1])
        graph = sparse.csr_matrix(
            (np.ones(len(columns)), columns, begin), shape=(rows * nodes,) * 2
        )
        _, label = csgraph.connected_components(graph, directed=False)
        return np.asarray(label.reshape(rows, nodes))
