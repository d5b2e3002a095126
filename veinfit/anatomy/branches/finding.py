"""Branches of the lumen: everything that leaves the atrial body, as a tree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.branches.inscribed import InscribedSpheres
from veinfit.anatomy.branches.join_tree import BAND_MM, FAR_OUT_MM, JoinTree, join_tree
from veinfit.anatomy.branches.model import Bifurcation, Branch, Branches, Opening, SharedPart
from veinfit.anatomy.branches.open_ends import branch_cut_at, leaves_at_openings
from veinfit.anatomy.branches.paths import paths_from
from veinfit.vectors import BoolArray, FloatArray, dots

CENTRE_SHARE = 0.7
"""The body's centre is the mean of the cells whose sphere has this share of the largest."""

LEAST_REACH_MM = 4.0
"""A part that reaches less far than this past its join is a bulge of the wall."""

LEAST_BULGE_MM = 1.5
"""One that reaches less far than this is none either."""

BEYOND_BIFURCATION_MM = 6.0
"""The path through a shared part goes on so far between its branches."""

LEAD_MM = 10.0
"""It enters the body in the direction that it has over this length."""

CARINA_BANDS = 3
"""So many bands before and beyond a bifurcation hold the carina."""

CARINA_CELLS = 0.25
"""Cells that lie as near to both branches as the nearest one, to this share of a cell, are the
carina."""

LEAST_SHARED_MM = 1.0
"""Branches whose common part persists for less than this, one band, leave the body side by side."""


def find_branches(tree: JoinTree, openings: Sequence[Opening]) -> Branches:
    """Find every part of the lumen that leaves the body.

    Each opening is the tip of a branch of its own, however short; blind parts
    are branches from ``LEAST_REACH_MM`` on.
    """
    spheres, depth = tree.spheres, tree.depth_mm
    tips, reach, join, joins = tree.tips, tree.reach_mm, tree.join_mm, tree.joins
    greatest = float(spheres.radius_mm.max())
    centre = spheres.points[spheres.radius_mm >= CENTRE_SHARE * greatest].mean(axis=0)
    paths = paths_from(spheres, centre)
    opening_cells = [
        paths.nearest_cell(o.centre - o.normal * 0.5 * spheres.step_mm) for o in openings
    ]
    owner = leaves_at_openings(spheres, tips, reach, openings)
    blind = [k for k in range(len(tips)) if k not in owner and reach[k] >= LEAST_REACH_MM]
    twigs = _twigs(blind, join, joins, greatest + FAR_OUT_MM)
    found: list[Branch] = []
    number: dict[int, int] = {}
    for leaf in range(len(tips)):
        opening = owner.get(leaf)
        if opening is None and (reach[leaf] < LEAST_REACH_MM or leaf in twigs):
            continue
        cell = tips[leaf] if opening is None else opening_cells[opening]
        number[leaf] = len(found)
        found.append(
            Branch(
                tip=spheres.points[cell] if opening is None else openings[opening].centre,
                path=paths.to_cell(cell),
                reach_mm=float(reach[leaf]),
                join_mm=float(join[leaf]),
                depth_mm=float(depth[cell]),
                opening=opening,
                joins=joins[leaf],
            )
        )
    taken = set(owner.values())
    for index, opening_found in enumerate(openings):
        if index in taken:
            continue
        cell = opening_cells[index]
        found.append(
            Branch(
                tip=opening_found.centre,
                path=paths.to_cell(cell),
                reach_mm=0.0,
                join_mm=float(depth[cell]),
                depth_mm=float(depth[cell]),
                opening=index,
                joins=branch_cut_at(tree, cell, number),
            )
        )
    branches = tuple(replace(b, joins=_surviving(b.joins, joins, number)) for b in found)
    shared = tuple(_shared_part(spheres, depth, branches, group) for group in _groups(branches))
    return Branches(centre, greatest, branches, shared, paths)


def _twigs(
    blind: Sequence[int], join: FloatArray, joins: Sequence[int | None], far_mm: float
) -> set[int]:
    """Return the blind leaves that part far out from a vein that has branched there before.

    They tell of no ostium; a tree of branches took minutes.
    """

    def parts_far_out(leaf: int) -> bool:
        return joins[leaf] is not None and join[leaf] >= far_mm

    branched: set[int] = set()
    twigs: set[int] = set()
    for leaf in sorted(filter(parts_far_out, blind), key=lambda k: (join[k], k)):
        vein: int = leaf
        while parts_far_out(vein):
            vein = joins[vein]  # type: ignore[assignment]
        if vein in branched:
            twigs.add(leaf)
        branched.add(vein)
    return twigs


def find_bulges(spheres: InscribedSpheres, branches: Branches) -> Branches:
    """Return the branches with the bulges of the wall too, which share no part with any.

    A stub that was cut off short and smoothed is one.
    """
    tree = join_tree(spheres)
    tips, reach, join, depth = tree.tips, tree.reach_mm, tree.join_mm, tree.depth_mm
    paths = branches.paths
    return branches.with_more(
        [
            Branch(
                tip=spheres.points[tips[leaf]],
                path=paths.to_cell(tips[leaf]),
                reach_mm=float(reach[leaf]),
                join_mm=float(join[leaf]),
                depth_mm=float(depth[tips[leaf]]),
                opening=None,
                joins=None,
            )
            for leaf in np.flatnonzero((reach >= LEAST_BULGE_MM) & (reach < LEAST_REACH_MM))
        ]
    )


@dataclass(frozen=True, slots=True)
class _Group:
    """Branches beyond one join: where their common part starts and ends, from the core, mm.

    ``junior`` is the member that parts from the first one there.
    """

    members: tuple[int, ...]
    junior: int
    start_mm: float
    bifurcation_mm: float


def _groups(branches: Sequence[Branch]) -> list[_Group]:
    """Return groups of branches with a part in common.

    A group is the branches beyond one join whose common part goes on for at
    least ``LEAST_SHARED_MM`` before the next join or the body.
    """
    groups: list[_Group] = []
    joined: dict[int, list[int]] = {k: [] for k in range(len(branches))}
    for k, branch in enumerate(branches):
        if branch.joins is not None:
            joined[branch.joins].append(k)
    for senior, juniors in joined.items():
        ordered = sorted(juniors, key=lambda k: -branches[k].join_mm)
        for place, junior in enumerate(ordered):
            join = branches[junior].join_mm
            following = [branches[k].join_mm for k in ordered[place + 1 : place + 2]]
            end = max([*following, branches[senior].join_mm, 0.0])
            if join - end < LEAST_SHARED_MM:
                continue
            members = [senior]
            for k in ordered[: place + 1]:
                members += _descendants(k, joined)
            groups.append(_Group(tuple(members), junior, end, join))
    return groups


def _descendants(branch: int, joined: dict[int, list[int]]) -> list[int]:
    members = [branch]
    for k in joined[branch]:
        members += _descendants(k, joined)
    return members


def _shared_part(
    spheres: InscribedSpheres, depth: FloatArray, branches: Sequence[Branch], group: _Group
) -> SharedPart:
    """Lay the path through the middles of the fronts of equal distance from the core.

    The branches' own paths would hug one side of what they share; the fronts fill
    it. It goes on a little beyond the bifurcation, between the branches, and goes
    straight on into the body, where the fronts no longer belong to the part.
    """
    start, bifurcation = group.start_mm, group.bifurcation_mm
    senior, junior = (branches[m].path for m in (group.members[0], group.junior))
    piece = spheres.pieces_of(depth >= start)
    part = np.flatnonzero(piece == piece[_nearest(spheres, piece > 0, senior[-1])])
    band = np.floor(depth[part] / BAND_MM).astype(np.int64)
    fronts = np.array(
        [
            spheres.points[part[band == b]].mean(axis=0)
            for b in range(
                int(start / BAND_MM), int((bifurcation + BEYOND_BIFURCATION_MM) / BAND_MM)
            )
            if np.any(band == b)
        ]
    )
    lead = fronts[: max(int(LEAD_MM / BAND_MM), 3)]
    direction = np.linalg.svd(lead - lead.mean(axis=0))[2][0]
    direction *= np.sign(direction @ (lead[-1] - lead[0]))
    inward = fronts[0] - np.arange(int(LEAD_MM / BAND_MM), 0, -1)[:, None] * BAND_MM * direction
    path = np.concatenate([senior[:1], inward, fronts])
    carina = _carina(spheres, depth, bifurcation, (senior[-1], junior[-1]))
    # The wall of the carina lies half a cell beyond the middle of the last cell before it.
    carina += 0.5 * spheres.step_mm * direction
    middle = fronts[min(int((bifurcation - start) / BAND_MM), len(fronts)) - 1]
    return SharedPart(group.members, bifurcation - start, path, Bifurcation(carina, middle))


def _carina(
    spheres: InscribedSpheres,
    depth: FloatArray,
    bifurcation: float,
    ends: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Return the middle (3,) of the cells before a bifurcation that both branches are nearest to.

    ``ends`` are the branches' own; beyond ``bifurcation`` they lie in pieces of their own.
    """
    piece = spheres.pieces_of(depth >= bifurcation)
    before = np.flatnonzero((depth < bifurcation) & (depth >= bifurcation - CARINA_BANDS * BAND_MM))
    near = depth < bifurcation + CARINA_BANDS * BAND_MM
    away = np.zeros(len(before))
    for end in ends:
        own = piece == piece[_nearest(spheres, piece > 0, end)]
        to_branch, _ = cKDTree(spheres.points[own & near]).query(spheres.points[before])
        away = np.maximum(away, to_branch)
    return np.asarray(
        spheres.points[before[away <= away.min() + CARINA_CELLS * spheres.step_mm]].mean(axis=0)
    )


def _nearest(spheres: InscribedSpheres, chosen: BoolArray, point: FloatArray) -> int:
    """Return the chosen cell nearest to a point."""
    cells = np.flatnonzero(chosen)
    offset = spheres.points[cells] - point
    return int(cells[np.argmin(dots(offset, offset))])


def _surviving(leaf: int | None, joins: Sequence[int | None], number: dict[int, int]) -> int | None:
    """Index among the kept branches of the one that a leaf's chain of joins ends in."""
    while leaf is not None and leaf not in number:
        leaf = joins[leaf]
    return None if leaf is None else number[leaf]
