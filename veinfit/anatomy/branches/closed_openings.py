"""Openings that somebody closed flat: discs with an edge on a closed surface.

Where a closed mesh or a label volume cuts a vein near to its ostium, the stub may reach too little
past the atrium's wall to stand out as a part of the lumen. Its cut tells of it all the same: a flat
disc around which the wall turns away. As an open end it is the tip of a branch, however short.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from veinfit.anatomy.branches.finding import Branch, Branches
from veinfit.anatomy.branches.flat_ends import (
    EDGE_MM,
    SAME_DIRECTION_DEG,
    SAME_PLANE_MM,
    FlatEnd,
    is_disc,
    piece_of,
)
from veinfit.anatomy.branches.lumen import Wall
from veinfit.surface.cleaning import face_neighbours
from veinfit.surface.mesh import face_areas, face_middles, face_normals
from veinfit.vectors import BoolArray, FloatArray, IntArray, dots, unit

RINGS = 2
"""The flatness of the wall at a face is judged over so many rings of faces around it."""

LEAST_FLATNESS = 0.99
"""Length of the mean normal there: in the middle of a cut it is 1 but for steps of voxels."""

LEVEL_DEG = 8.0
LEAST_LEVEL_SHARE = 0.5
"""So much of a cut faces its way to this angle; of a strip along a tube's side, or a patch of the
atrium's wall, as flat to a larger angle, less does."""

LEAST_AREA_MM2 = 10.0
"""A cut is no smaller than this but for its rounded rim: some 4 mm across."""

WIDEST_MM = 32.0
"""A wider one closes the mitral side, or is a flat of the atrium's wall."""

FIRST_LOOK_MM = 8.0
SEEDS_APART_MM = 3.0
"""Flat pieces are looked for from faces so far apart, within the first distance at first."""

REFITS = 2
"""The plane through a face is fitted anew to what lies in it, so many times."""

MOST_OPEN = 1
"""The mitral side may be open where veins are closed."""

MOST_LEVELS = 2
ONE_LEVEL_MM = 2.0
"""Cuts that face one way lie in one plane, or in two planes farther apart than this: those of two
neighbours. More are the steps of slices."""

TIP_ASIDE_MM = 2.0
TIP_DEPTH_MM = 4.0
"""A branch whose tip lies no farther than this past a disc's rim and from its plane ends at it."""


def with_closed_openings(branches: Branches, wall: Wall) -> Branches:
    """Return the branches, those at a flat cut ending in its middle, with one for each other cut.

    Where veins are cut open, as two openings and more tell, none is closed.

    Parameters
    ----------
    branches : Branches
    wall : Wall
        Of the whole lumen.
    """
    if sum(branch.opening is not None for branch in branches.branches) > MOST_OPEN:
        return branches
    found = list(branches.branches)
    blind = [k for k, branch in enumerate(found) if branch.opening is None]
    added = []
    for end in closed_openings(wall):
        own = [k for k in blind if _ends_at(end, found[k].tip)]
        if not own:
            added.append(_branch(branches, end))
            continue
        k = min(own, key=lambda k: float(np.linalg.norm(found[k].tip - end.centre)))
        blind.remove(k)
        found[k] = replace(found[k], tip=end.centre, path=_path(branches, end))
    return replace(branches, branches=tuple(found)).with_more(added)


@dataclass(frozen=True, slots=True, eq=False)
class _Faces:
    """Faces of a wall, with their middles in a tree; ``may_be`` are those that can be a cut's."""

    corners: IntArray
    normals: FloatArray
    areas: FloatArray
    middles: FloatArray
    may_be: BoolArray
    tree: cKDTree

    @classmethod
    def of(cls, wall: Wall) -> _Faces:
        surface = wall.surface
        middles = face_middles(surface)
        normals, areas = face_normals(surface), face_areas(surface)
        return cls(surface.faces, normals, areas, middles, ~wall.is_cap, cKDTree(middles))

    def in_plane(self, place: FloatArray, normal: FloatArray, reach_mm: float) -> IntArray:
        """Return which faces lie in a plane within a distance of ``place`` (3,)."""
        near = np.array(self.tree.query_ball_point(place, reach_mm, return_sorted=True), dtype=int)
        level = np.abs((self.middles[near] - place) @ normal) < SAME_PLANE_MM
        alike = self.normals[near] @ normal > np.cos(np.radians(SAME_DIRECTION_DEG))
        return near[level & alike & self.may_be[near]]

    def plane_of(self, flat: IntArray) -> tuple[FloatArray, FloatArray] | None:
        """Return the middle (3,) and the normal (3,) of a flat piece, None where it is curved."""
        weight = self.areas[flat]
        if weight.sum() < LEAST_AREA_MM2:
            return None
        normal = unit(weight @ self.normals[flat])
        level = self.normals[flat] @ normal > np.cos(np.radians(LEVEL_DEG))
        if weight[level].sum() < LEAST_LEVEL_SHARE * weight.sum():
            return None
        return weight @ self.middles[flat] / weight.sum(), normal

    def piece_at(self, place: FloatArray, normal: FloatArray) -> IntArray:
        """Return the faces in a plane that hang together with the one nearest to ``place`` (3,)."""
        flat = self.in_plane(place, normal, 0.5 * WIDEST_MM + EDGE_MM)
        if not len(flat):
            return flat
        away = self.middles[flat] - place
        return flat[piece_of(self.corners[flat], int(np.argmin(dots(away, away))))]


def closed_openings(wall: Wall) -> tuple[FlatEnd, ...]:
    """Return the flat cuts of a closed surface: discs with an edge, no wider than a vein."""
    faces = _Faces.of(wall)
    direction, flatness = _flatness(wall, faces)
    seeds = np.flatnonzero((flatness >= LEAST_FLATNESS) & faces.may_be)
    left = np.ones(len(flatness), dtype=bool)
    ends: list[FlatEnd] = []
    for seed in seeds[np.argsort(-flatness[seeds], kind="stable")].tolist():
        if not left[seed]:
            continue
        place, normal = faces.middles[seed], direction[seed]
        flat = faces.in_plane(place, normal, FIRST_LOOK_MM)
        left[flat[np.linalg.norm(faces.middles[flat] - place, axis=1) < SEEDS_APART_MM]] = False
        plane = faces.plane_of(flat)
        for _ in range(REFITS):
            if plane is None:
                break
            flat = faces.piece_at(*plane)
            plane = faces.plane_of(flat)
        if plane is None:
            continue
        left[flat] = False
        end = _disc(faces, flat, *plane)
        if end is not None and not any((end.faces & other.faces).any() for other in ends):
            ends.append(end)
    return _without_terraces(ends)


def _flatness(wall: Wall, faces: _Faces) -> tuple[FloatArray, FloatArray]:
    """Return the mean normals (F, 3) of the faces around each, and their lengths (F,)."""
    pairs, _, _ = face_neighbours(wall.surface)
    a, b, count = pairs[:, 0] // 3, pairs[:, 1] // 3, len(faces.areas)
    beside = sparse.csr_matrix((np.ones(len(a)), (a, b)), shape=(count, count))
    ring = beside + beside.T + sparse.identity(count, format="csr")
    mean, weight = faces.normals * faces.areas[:, None], faces.areas
    for _ in range(RINGS):
        mean, weight = ring @ mean, ring @ weight
    return unit(mean), np.sqrt(dots(mean, mean)) / weight


def _disc(faces: _Faces, flat: IntArray, place: FloatArray, normal: FloatArray) -> FlatEnd | None:
    """Return a flat piece as a cut if it is one: a disc with an edge, no wider than a vein."""
    if faces.areas[flat].sum() > 0.25 * np.pi * WIDEST_MM**2:
        return None
    reach = float(np.linalg.norm(faces.middles[flat] - place, axis=1).max())
    if reach > 0.5 * WIDEST_MM:
        return None  # it goes on
    near = np.array(faces.tree.query_ball_point(place, reach + EDGE_MM, return_sorted=True))
    near = near[faces.may_be[near]]
    own = np.searchsorted(near, flat)
    if not is_disc(
        faces.middles[near] - place,
        faces.normals[near],
        faces.areas[near],
        normal,
        own,
        LEAST_AREA_MM2,
    ):
        return None
    chosen = np.zeros(len(faces.areas), dtype=bool)
    chosen[flat] = True
    return FlatEnd(place, normal, chosen, float(faces.areas[flat].sum()))


def _without_terraces(ends: Sequence[FlatEnd]) -> tuple[FlatEnd, ...]:
    """Drop the steps of a surface made of slices: parallel flat pieces, one above the other."""
    like = np.cos(np.radians(LEVEL_DEG))

    def levels(end: FlatEnd) -> int:
        heights = sorted(
            float(other.centre @ end.normal) for other in ends if other.normal @ end.normal > like
        )
        return 1 + sum(b - a > ONE_LEVEL_MM for a, b in itertools.pairwise(heights))

    return tuple(end for end in ends if levels(end) <= MOST_LEVELS)


def _ends_at(end: FlatEnd, tip: FloatArray) -> bool:
    """Whether a ``tip`` (3,) lies at a cut."""
    away = tip - end.centre
    depth = float(away @ end.normal)
    aside = float(np.linalg.norm(away - depth * end.normal))
    return aside < np.sqrt(end.area_mm2 / np.pi) + TIP_ASIDE_MM and abs(depth) < TIP_DEPTH_MM


def _path(branches: Branches, end: FlatEnd) -> FloatArray:
    """Return the path (N, 3) from the body's centre to the middle of a cut."""
    paths = branches.paths
    cell = paths.nearest_cell(end.centre - paths.step_mm * end.normal)
    return np.concatenate([paths.to_cell(cell), end.centre[None]])


def _branch(branches: Branches, end: FlatEnd) -> Branch:
    path = _path(branches, end)
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    return Branch(end.centre, path, 0.0, length, length, None, None)
