"""Where a blind branch was cut flat: the plane of its end.

A vein of a label volume, or of a closed mesh, ends where its reader cut it. The farthest cell of
such an end lies in a corner of the cut; a walk that starts there runs askew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.anatomy.branches.branch_sections import STATION_MM, BranchSections, walk_from_end
from veinfit.anatomy.branches.lumen import Lumen, Wall
from veinfit.anatomy.branches.paths import PathTree
from veinfit.surface.mesh import face_areas, face_middles, face_normals
from veinfit.vectors import BoolArray, FloatArray, IntArray, basis_toward, dots, unit

INSIDE_MM = 3.0
"""The end is looked at from a centre so far inside it."""

END_REACH = 2.0
"""... and no farther past it than so many radii of the tube."""

FACING_DEG = 60.0
"""A cut more oblique to the branch than this is its side wall."""

SAME_DIRECTION_DEG = 20.0
"""Faces of a cut look the same way to this: surfaced voxels make steps of it."""

SAME_PLANE_MM = 0.75
"""... and lie in one plane to this."""

MOST_SEEDS = 256
"""So many faces are tried for the one that most others look the same way as."""

LEAST_SHARE = 0.4
"""A cut fills so much of the tube's section, its rim rounded; half a ball has 0.12 to show."""


TIP_MM = 6.0
CUT_REACH_MM = 32.0
"""The cut of a short or wide stub holds a face so near to its tip, and reaches so far, however the
stub runs ..."""

LEAST_CUT_MM2 = 20.0
"""... and is no smaller than this: 5 mm across ..."""

MOST_OBLONG = 1.7
"""... nor more oblong: twice the mean square distance from its middle over that of a disc. An oval
three times as long as wide has 1.67; a strip of a tube's side has more ..."""

MOST_PLANES = 6
"""So many flat pieces beside a tip are looked at, the largest first."""

MOST_ASIDE = 1.25
"""The tip lies no more than so many radii of its cut, and ``TIP_MM``, from the cut's middle."""

EDGE_MM = 3.0
EDGE_DEG = 40.0
EDGE_SHARE = 0.75
"""... and past its edge, to this distance, the wall turns away by this angle in so many of the
directions around it."""


@dataclass(frozen=True, slots=True, eq=False)
class FlatEnd:
    """The flat end of a blind branch.

    Attributes
    ----------
    centre : (3,) array
        The middle of the cut.
    normal : (3,) array
        Out of the lumen.
    faces : (F,) bool array
        The faces of the cut but for its rounded rim.
    area_mm2 : float
        Of those.
    """

    centre: FloatArray
    normal: FloatArray
    faces: BoolArray
    area_mm2: float


def find_flat_end(wall: Wall, tube: BranchSections, tip: FloatArray) -> FlatEnd | None:
    """Return the flat end of a blind branch, None where its end is rounded or torn.

    A neighbour cut by the same plane is no part of it.

    Parameters
    ----------
    wall : Wall
        Of the whole lumen.
    tube : BranchSections
        The branch as it was walked from its farthest cell.
    tip : (3,) array
        That cell: a flat piece of wall far from it is no end of this branch.
    """
    centres, surface = tube.centres, wall.surface
    if len(centres) < 3:
        return None
    inside = centres[min(round(INSIDE_MM / STATION_MM), len(centres) - 1)]
    outward = unit(centres[0] - inside)
    area = float(np.median(tube.areas_mm2))
    away = face_middles(surface) - inside
    radius = float(np.sqrt(area / np.pi))
    reach = END_REACH * radius + float(np.linalg.norm(centres[0] - inside))
    normals = face_normals(surface)
    end = np.flatnonzero(
        (normals @ outward > np.cos(np.radians(FACING_DEG)))
        & (away @ outward > -radius)
        & (dots(away, away) < reach**2)
        & (dots(away, normals) > 0.0)
        & ~wall.is_cap
    )
    if not len(end):
        return None
    aside = away[end] - (away[end] @ outward)[:, None] * outward
    end = end[piece_of(surface.faces[end], int(np.argmin(dots(aside, aside))))]
    weight, normals, away = face_areas(surface)[end], normals[end], away[end]
    like = np.cos(np.radians(SAME_DIRECTION_DEG))
    some = normals[:: len(end) // MOST_SEEDS + 1]
    alike = some @ normals.T > like
    flat = alike[int(np.argmax(alike @ weight))]
    flat = normals @ unit(weight[flat] @ normals[flat]) > like
    if not flat.any():
        return None
    normal = unit(weight[flat] @ normals[flat])
    depth = away @ normal
    level = np.median(depth[flat])
    flat &= np.abs(depth - level) < SAME_PLANE_MM
    if weight[flat].sum() < LEAST_SHARE * area:
        return None
    faces = np.zeros(len(surface.faces), dtype=bool)
    faces[end[flat]] = True
    centre = inside + weight[flat] @ away[flat] / weight[flat].sum()
    if not _holds(tip, centre, away[flat] + inside, float(weight[flat].sum())):
        return None
    return FlatEnd(centre, unit(weight[flat] @ normals[flat]), faces, float(weight[flat].sum()))


def flat_end_at(wall: Wall, tip: FloatArray) -> FlatEnd | None:
    """Return the cut of a stub too short to be followed, by its shape alone: a disc with an edge.

    Parameters
    ----------
    wall : Wall
        Of the whole lumen.
    tip : (3,) array
        The farthest cell of the branch.
    """
    surface = wall.surface
    away = face_middles(surface) - tip
    near = np.flatnonzero((dots(away, away) < CUT_REACH_MM**2) & ~wall.is_cap)
    normals, weight, away = face_normals(surface)[near], face_areas(surface)[near], away[near]
    like = np.cos(np.radians(SAME_DIRECTION_DEG))
    seeds = np.flatnonzero(dots(away, away) < TIP_MM**2)
    if not len(seeds):
        return None
    seeds = seeds[:: len(seeds) // MOST_SEEDS + 1]
    normal_level = dots(normals[seeds], away[seeds])[:, None]
    level = np.einsum("ij,kj->ik", normals[seeds], away) - normal_level
    alike = (normals[seeds] @ normals.T > like) & (np.abs(level) < SAME_PLANE_MM)
    size = alike @ weight
    for _ in range(MOST_PLANES):
        seed = int(np.argmax(size))
        if size[seed] < LEAST_CUT_MM2:
            break
        flat = np.flatnonzero(alike[seed])
        normal = unit(weight[flat] @ normals[flat])
        level = (away - away[seeds[seed]]) @ normal
        flat = np.flatnonzero((normals @ normal > like) & (np.abs(level) < SAME_PLANE_MM))
        if len(flat):
            nearest = int(np.argmin(dots(away[flat], away[flat])))
            flat = flat[piece_of(surface.faces[near[flat]], nearest)]
            if is_disc(away, normals, weight, normal, flat):
                faces = np.zeros(len(surface.faces), dtype=bool)
                faces[near[flat]] = True
                centre = weight[flat] @ away[flat] / weight[flat].sum()
                return FlatEnd(tip + centre, normal, faces, float(weight[flat].sum()))
        # Beside a short stub the wall of the atrium is the larger flat piece: go on without it.
        size[np.isin(seeds, flat) | alike[:, seeds[seed]]] = 0.0
    return None


def _holds(tip: FloatArray, centre: FloatArray, flat: FloatArray, area_mm2: float) -> bool:
    """Whether a flat piece, the middles of its faces (N, 3), can be the cut that a tip lies at."""
    away = flat - tip
    reach = MOST_ASIDE * np.sqrt(area_mm2 / np.pi) + TIP_MM
    near = float(dots(away, away).min()) < TIP_MM**2
    return near and float(np.linalg.norm(centre - tip)) < reach


def is_disc(
    away: FloatArray,
    normals: FloatArray,
    weight: FloatArray,
    normal: FloatArray,
    flat: IntArray,
    least_mm2: float = LEAST_CUT_MM2,
) -> bool:
    """Whether the faces numbered ``flat`` are large, round, and end in an edge.

    Parameters
    ----------
    away, normals : (N, 3) array
        Middles and normals of the faces of the wall near a place.
    weight : (N,) array
        Their areas, mm2.
    normal : (3,) array
        Of the flat piece.
    flat : (M,) array of int
    least_mm2 : float
    """
    area = float(weight[flat].sum())
    if area < least_mm2:
        return False
    aside = away - weight[flat] @ away[flat] / area
    depth = aside @ normal
    aside = aside - depth[:, None] * normal
    square = dots(aside, aside)
    if 2.0 * np.pi * float(weight[flat] @ square[flat]) / area**2 > MOST_OBLONG:
        return False
    return _has_edge(aside, depth, normals, normal, flat)


def _has_edge(
    aside: FloatArray, depth: FloatArray, normals: FloatArray, normal: FloatArray, flat: IntArray
) -> bool:
    """Whether the wall turns away from a flat piece past its edge in most directions around it."""
    e1, e2 = basis_toward(normal, aside.mean(axis=0))
    sector = np.floor(np.degrees(np.arctan2(aside @ e2, aside @ e1)) / 30.0).astype(int) % 12
    radius = np.sqrt(dots(aside, aside))
    inside = np.zeros(len(aside), dtype=bool)
    inside[flat] = True
    turned = []
    for k in range(12):
        own = flat[sector[flat] == k]
        edge = float(radius[own].max()) if len(own) else 0.0
        past = (
            (sector == k) & ~inside & (np.abs(radius - edge) < EDGE_MM) & (np.abs(depth) < EDGE_MM)
        )
        if past.any():
            turned.append(float(np.median(normals[past] @ normal)) < np.cos(np.radians(EDGE_DEG)))
    return bool(turned) and float(np.mean(turned)) >= EDGE_SHARE


def piece_of(faces: IntArray, seed: int) -> BoolArray:
    """Which of the faces (F, 3) hang together by their corners with the one numbered ``seed``."""
    count = len(faces)
    corners, place = np.unique(faces, return_inverse=True)
    rows = np.repeat(np.arange(count), 3)
    shape = (count + len(corners),) * 2
    graph = sparse.coo_matrix((np.ones(3 * count, bool), (rows, count + place.ravel())), shape)
    _, label = csgraph.connected_components(graph, directed=False)
    return np.asarray(label[:count] == label[seed])


def walk_from(end: FlatEnd, lumen: Lumen, paths: PathTree) -> BranchSections | None:
    """Walk a branch anew from its flat end, which counts as a cap."""
    wall = Wall(lumen.wall.surface, lumen.wall.is_cap | end.faces)
    path = paths.to_cell(paths.nearest_cell(end.centre - paths.step_mm * end.normal))
    return walk_from_end(
        replace(lumen, wall=wall), np.concatenate([path, end.centre[None]]), end.normal
    )
