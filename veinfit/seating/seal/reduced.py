"""A wall reduced to what balloons near one place can close.

Whatever lies far from every one of many seats is open in all of them. Each
connected piece of it becomes one node, so that a widest path is found in a
fraction of the time; paths narrower than the distance that counts as far are
the same as on the whole wall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.seating.patch import WallPatch
from veinfit.seating.pieces import components
from veinfit.seating.seal.missing_wall import MissingWall
from veinfit.seating.seal.paths import WidestPath, of_nodes, widest_path, widest_widths
from veinfit.vectors import BoolArray, FloatArray, IntArray, distinct_pairs


@dataclass(frozen=True, slots=True, eq=False)
class ReducedWall:
    """The part of a patch that can be closed, with the rest folded into nodes.

    Attributes
    ----------
    kept : (K,) array
        The vertices of the patch that are nodes of their own, the first K nodes.
    links : (E, 2) array
        Pairs of neighbouring nodes, each pair once.
    node_count : int
    vein_nodes, atrium_nodes : (N,) array
    missing : tuple of MissingWall
        Of the patch, in these nodes.
    """

    kept: IntArray
    links: IntArray
    node_count: int
    vein_nodes: IntArray
    atrium_nodes: IntArray
    missing: tuple[MissingWall, ...]

    def widest(self, clearance: FloatArray) -> tuple[float, int]:
        """Width of the widest path for clearances (K,), and the patch vertex where it is narrow.

        The vertex is -1 where the path keeps clear of all kept ones; without any
        path the width is -inf.
        """
        path: WidestPath = widest_path(
            self.links, of_nodes(clearance, self.node_count), self.vein_nodes, self.atrium_nodes
        )
        on_patch = 0 <= path.narrowest < len(self.kept)
        return path.width, int(self.kept[path.narrowest]) if on_patch else -1

    def widths(
        self, clearance: FloatArray, levels: Sequence[float] = ()
    ) -> tuple[FloatArray, IntArray]:
        """Return the same for clearances (N, K) of many balloons: (N,), (N,).

        ``levels`` save time, see :func:`veinfit.seating.seal.paths.widest_widths`.
        """
        whole = of_nodes(clearance, self.node_count)
        width, node = widest_widths(self.links, whole, self.vein_nodes, self.atrium_nodes, levels)
        own = (node >= 0) & (node < len(self.kept))
        return width, np.where(own, self.kept[np.where(own, node, 0)], -1)


def reduce_wall(patch: WallPatch, near: BoolArray) -> ReducedWall:
    """Keep the vertices ``near`` (V,) of a patch and fold the rest of its nodes."""
    own = np.zeros(patch.node_count, dtype=bool)
    own[: len(near)] = near
    a, b = patch.links.T
    n = patch.node_count
    _, label = components(patch.links[~(own[a] | own[b])], n)
    kept = np.flatnonzero(own)
    pieces, piece = np.unique(label[~own], return_inverse=True)
    node = np.empty(n, dtype=np.int64)
    node[kept] = np.arange(len(kept))
    node[~own] = len(kept) + piece
    a, b = node[a], node[b]
    links = np.stack([np.minimum(a, b), np.maximum(a, b)], axis=1)
    links = distinct_pairs(links[a != b])
    return ReducedWall(
        kept=kept,
        links=links,
        node_count=len(kept) + len(pieces),
        vein_nodes=np.unique(node[patch.vein_nodes]),
        atrium_nodes=np.unique(node[patch.atrium_nodes]),
        missing=tuple(
            replace(
                wall,
                rim=node[wall.rim[own[wall.rim]]],
                nodes=np.unique(node[wall.nodes]),
            )
            for wall in patch.missing
        ),
    )
