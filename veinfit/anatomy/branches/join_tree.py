"""What leaves the atrial body, and where it joins what else does.

The distance through the lumen from the body's core grows along every branch. Where the far part of
the lumen falls into separate pieces there are separate branches; the tree of how those pieces join,
nearer and nearer to the core, is the tree of the branches (a join tree of the distance).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.branches.inscribed import InscribedSpheres, distances_from
from veinfit.vectors import FloatArray

CORE_SHARE = 0.85
"""Cells whose sphere has this share of the largest radius are the body's core."""

BAND_MM = 1.0
"""Width of a distance band: joins are known to about this."""

FAR_OUT_MM = 30.0
"""What parts so far past the largest sphere, or farther, parts from a vein, not from the body."""


@dataclass(frozen=True, slots=True, eq=False)
class JoinTree:
    """What leaves the body, the least of it too, and where it joins.

    Attributes
    ----------
    spheres : InscribedSpheres
    depth_mm : (N,) array
        Distance of every cell from the body's core, through the lumen.
    tips : tuple of L int
        The farthest cell of each part.
    reach_mm, join_mm : (L,) array
        How far it reaches past its join, and how far that is from the core.
    joins : tuple of L (int or None)
        The part that each joins.
    """

    spheres: InscribedSpheres
    depth_mm: FloatArray
    tips: tuple[int, ...]
    reach_mm: FloatArray
    join_mm: FloatArray
    joins: tuple[int | None, ...]

    def places(self, least_reach_mm: float) -> FloatArray:
        """Return the tips (N, 3) of parts that reach so far past their join, farthest first, mm."""
        order = np.argsort(-self.reach_mm, kind="stable")
        reaching = order[self.reach_mm[order] >= least_reach_mm]
        return np.asarray(self.spheres.points[np.array(self.tips)[reaching]])


def join_tree(spheres: InscribedSpheres) -> JoinTree:
    """Find what leaves the body, however short it is."""
    core = np.flatnonzero(spheres.radius_mm >= CORE_SHARE * float(spheres.radius_mm.max()))
    depth = distances_from(spheres.graph(spheres.length_mm), core)[0]
    tips, reach, join, joins = _join_tree(spheres, depth)
    return JoinTree(spheres, depth, tuple(tips), reach, join, tuple(joins))


def _join_tree(
    spheres: InscribedSpheres, depth: FloatArray
) -> tuple[list[int], FloatArray, FloatArray, list[int | None]]:
    """Leaves of the join tree of ``depth``: tip cell, reach, join depth, branch joined."""
    band = np.floor(depth / BAND_MM).astype(np.int32)
    i, j = spheres.cells(), spheres.neighbours
    before, after = band[i], band[j]
    count, piece = spheres.pieces(before == after)
    outward = before < after
    across = np.unique(piece[i[outward]] * np.int64(count) + piece[j[outward]])
    across = np.stack([across // count, across % count], axis=1)
    piece_band = np.zeros(count, dtype=np.int64)
    piece_band[piece] = band
    order = np.lexsort((-depth, piece))
    first = np.r_[True, np.diff(piece[order]) != 0]
    far_cell = order[first]
    neighbours: list[list[int]] = [[] for _ in range(count)]
    for a, b in across.tolist():
        neighbours[a].append(b)
        neighbours[b].append(a)
    sweep = np.lexsort((far_cell, -piece_band))
    root: dict[int, int] = {}
    leaf_of: dict[int, int] = {}
    tips: list[int] = []
    join: list[float] = []
    joins: list[int | None] = []

    def find(p: int) -> int:
        while root[p] != p:
            root[p] = root[root[p]]
            p = root[p]
        return p

    for p in sweep.tolist():
        root[p] = p
        groups = {find(q) for q in neighbours[p] if q in root and q != p}
        groups = {g for g in groups if g != p}
        if not groups:
            leaf_of[p] = len(tips)
            tips.append(int(far_cell[p]))
            join.append(0.0)
            joins.append(None)
            continue
        ranked = sorted(groups, key=lambda g: (-depth[tips[leaf_of[g]]], leaf_of[g]))
        senior = ranked[0]
        for g in ranked[1:]:
            join[leaf_of[g]] = float((piece_band[p] + 1) * BAND_MM)
            joins[leaf_of[g]] = leaf_of[senior]
            root[g] = senior
        root[p] = senior
    join_array = np.array(join)
    reach = depth[np.array(tips)] - join_array
    return tips, reach, join_array, joins
