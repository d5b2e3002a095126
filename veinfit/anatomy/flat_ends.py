"""Where a blind branch was cut flat: the plane of its end.

A vein of a label volume, or of a closed mesh, ends where its reader cut it. The farthest cell of
such an end lies in a corner of the cut; a walk that starts there runs askew.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.anatomy.lumen import Lumen, Wall
from veinfit.anatomy.tubes import STATION_MM, Tube, walk_tube
from veinfit.anatomy.ways import Ways
from veinfit.frames import BoolArray, FloatArray, IntArray, dots, unit
from veinfit.surface.mesh import face_areas, face_middles, face_normals

INSIDE_MM = 3.0
"""The end is looked at from a centre so far inside it."""

END_REACH = 2.0
"""... and no farther past it than so many radii of the tube."""

FACING_DEG = 60.0
"""A cut more oblique to the branch than this is its side wall."""

SAME_WAY_DEG = 20.0
"""Faces of a cut look the same way to this: surfaced voxels make steps of it."""

SAME_PLANE_MM = 0.75
"""... and lie in one plane to this."""

MOST_SEEDS = 256
"""So many faces are tried for the one that most others look the same way as."""

LEAST_SHARE = 0.4
"""A cut fills so much of the tube's section, its rim rounded; half a ball has 0.12 to show."""


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
    """

    centre: FloatArray
    normal: FloatArray
    faces: BoolArray


def find_flat_end(wall: Wall, tube: Tube) -> FlatEnd | None:
    """Return the flat end of a blind branch, None where its end is rounded or torn.

    A neighbour cut by the same plane is no part of it.

    Parameters
    ----------
    wall : Wall
        Of the whole lumen.
    tube : Tube
        The branch as it was walked from its farthest cell.
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
    end = end[_piece_of(surface.faces[end], int(np.argmin(dots(aside, aside))))]
    weight, normals, away = face_areas(surface)[end], normals[end], away[end]
    like = np.cos(np.radians(SAME_WAY_DEG))
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
    return FlatEnd(centre, unit(weight[flat] @ normals[flat]), faces)


def _piece_of(faces: IntArray, seed: int) -> BoolArray:
    """Which of the faces (F, 3) hang together by their corners with the one numbered ``seed``."""
    count = len(faces)
    corners, place = np.unique(faces, return_inverse=True)
    rows = np.repeat(np.arange(count), 3)
    shape = (count + len(corners),) * 2
    graph = sparse.coo_matrix((np.ones(3 * count, bool), (rows, count + place.ravel())), shape)
    _, label = csgraph.connected_components(graph, directed=False)
    return np.asarray(label[:count] == label[seed])


def walk_from(end: FlatEnd, lumen: Lumen, ways: Ways) -> Tube | None:
    """Walk a branch anew from its flat end, which counts as a cap."""
    wall = Wall(lumen.wall.surface, lumen.wall.is_cap | end.faces)
    way = ways.to_cell(ways.nearest_cell(end.centre - ways.step_mm * end.normal))
    return walk_tube(replace(lumen, wall=wall), np.concatenate([way, end.centre[None]]), end.normal)
