"""Openings of the surface as ends of branches: whose each of them is."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.branches.inscribed import InscribedSpheres
from veinfit.anatomy.branches.join_tree import FAR_OUT_MM, JoinTree
from veinfit.anatomy.branches.model import Opening
from veinfit.vectors import FloatArray

CAP_CELLS = 2.5
"""A tip within this many cells of a cap ends there."""

OWN_MM = 16.0
"""Nearer to the body than ``FAR_OUT_MM`` an opening is the end of a branch of a vein, and no vein
of its own, where that vein is its own for so long up to there."""


def leaves_at_openings(
    spheres: InscribedSpheres,
    tips: Sequence[int],
    reach: FloatArray,
    openings: Sequence[Opening],
) -> dict[int, int]:
    """Which leaf ends at which opening: the farthest-reaching one whose tip lies at its cap."""
    owner: dict[int, int] = {}
    tree = cKDTree(spheres.points[np.array(tips)])
    for index, opening in enumerate(openings):
        near = np.unique(
            np.concatenate(tree.query_ball_point(opening.cap_points, CAP_CELLS * spheres.step_mm))
        )
        free = [leaf for leaf in near.astype(int).tolist() if leaf not in owner]
        if free:
            owner[max(free, key=lambda leaf: reach[leaf])] = index
    return owner


def branch_cut_at(tree: JoinTree, cell: int, kept: Collection[int]) -> int | None:
    """Return the part on which an opening that is no part's own lies: a branch of it is cut open.

    None where it lies near to the body, as a vein that was cut short beside another does.

    Parameters
    ----------
    tree : JoinTree
    cell : int
        Of the grid, at the opening.
    kept : collection of int
        The parts that are branches.
    """
    depth, greatest = tree.depth_mm, float(tree.spheres.radius_mm.max())
    piece = tree.spheres.pieces_of(depth >= depth[cell])
    beyond = [leaf for leaf, tip in enumerate(tree.tips) if piece[tip] == piece[cell]]
    leaf = max(beyond, key=lambda leaf: depth[tree.tips[leaf]], default=None)
    while leaf is not None and leaf not in kept:
        leaf = tree.joins[leaf]
    if leaf is None or depth[cell] >= greatest + FAR_OUT_MM:
        return leaf
    juniors = (tree.join_mm[k] for k in kept if tree.joins[k] == leaf)
    begin = max([greatest, tree.join_mm[leaf], *(at for at in juniors if at < depth[cell])])
    return leaf if depth[cell] - begin >= OWN_MM else None
