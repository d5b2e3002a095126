"""The mitral side where the input is closed there: a flat lid, or the far wall."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.anatomy.branches.end_cuts import EndCut
from veinfit.surface import Surface
from veinfit.surface.cleaning import face_neighbours
from veinfit.surface.mesh import face_areas, face_middles, face_normals, select_faces
from veinfit.vectors import BoolArray, FloatArray, IntArray, angle_deg, unit

EXPECTED_WITHIN_DEG = 60.0
"""A lid faces within this of where the mitral side is expected."""

FLAT_WITHIN_DEG = 12.0
"""Faces of a flat lid differ from its normal by less than this: the noise of a voxel surface."""

FLAT_WITHIN_MM = 0.35
"""And lie this near to its plane: about as far as a smoothed voxel surface strays from one. A
rounded wall of 40 mm radius stays within it over 90 mm2 only."""

LEAST_LID_MM2 = 200.0
"""A flat part smaller than a circle of 16 mm is no mitral lid."""

SEEDS = 60
"""So many faces are tried as the middle of the lid."""

LID_INSET_MM = 0.7
"""The lid is cut off this far inside its plane."""

PLACE_WITHIN_DEG = 35.0
"""Seen from the body's centre the middle of the lid lies within this of where it is expected."""

DOME_HEIGHT_MM = 5.0
"""Without a flat lid the mitral side is cut this far inside its farthest point."""

DOME_REACH_MM = 6.0
"""The farthest point is sought so far around the expected direction."""


@dataclass(frozen=True, slots=True, eq=False)
class MitralSide:
    """Where the mitral side is, how to cut it, what tells it, and how sure that is."""

    centre: FloatArray
    normal: FloatArray
    cut: EndCut
    source: Literal["opening", "lid", "estimated"]
    confidence: float


def find_mitral_side(surface: Surface, body_centre: FloatArray, expected: FloatArray) -> MitralSide:
    """Find the lid of a surface that is closed at the mitral side.

    The largest flat part that lies that way from the body's centre and faces
    within ``EXPECTED_WITHIN_DEG`` of ``expected`` (3,) is the lid. Without one
    the mitral side is where that direction leaves the blood, and confidence is low.
    """
    whole = face_middles(surface)
    # Nothing that faces another way can be part of the lid.
    turned = face_normals(surface) @ expected
    surface, _ = select_faces(
        surface, turned > np.cos(np.radians(EXPECTED_WITHIN_DEG + 2.0 * FLAT_WITHIN_DEG))
    )
    areas, normals = face_areas(surface), face_normals(surface)
    middle = face_middles(surface)
    facing = normals @ expected > np.cos(np.radians(EXPECTED_WITHIN_DEG))
    facing &= (middle - body_centre) @ expected > 0
    best: tuple[float, BoolArray] | None = None
    candidates = np.flatnonzero(facing)
    if len(candidates):
        cumulated = np.cumsum(areas[candidates])
        at = np.searchsorted(cumulated, (np.arange(SEEDS) + 0.5) / SEEDS * cumulated[-1])
        pairs = face_neighbours(surface)[0] // 3
        for seed in np.unique(candidates[np.minimum(at, len(candidates) - 1)]):
            flat = _flat_part(pairs, areas, normals, middle, int(seed))
            area = float(areas[flat].sum())
            place = np.average(middle[flat], axis=0, weights=areas[flat]) - body_centre
            if angle_deg(place, expected) > PLACE_WITHIN_DEG:
                continue
            if best is None or area > best[0]:
                best = (area, flat)
    if best is not None and best[0] >= LEAST_LID_MM2:
        flat = best[1]
        normal = unit((normals[flat] * areas[flat, None]).sum(axis=0))
        centre = np.average(middle[flat], axis=0, weights=areas[flat])
        cut = EndCut(centre - LID_INSET_MM * normal, normal)
        return MitralSide(centre, normal, cut, "lid", 0.8)
    # The appendage may hang lower than the dome: what counts is where this way leaves the blood.
    away = (whole - body_centre) @ expected
    beside = np.linalg.norm(np.cross(whole - body_centre, expected), axis=1)
    near = np.flatnonzero((away > 0) & (beside <= max(DOME_REACH_MM, float(beside.min()))))
    top = float(away[near].max()) if len(near) else float(away.max())
    centre = body_centre + top * expected
    cut = EndCut(centre - DOME_HEIGHT_MM * expected, expected)
    return MitralSide(centre, expected, cut, "estimated", 0.3)


def _flat_part(
    pairs: IntArray, areas: FloatArray, normals: FloatArray, middle: FloatArray, seed: int
) -> BoolArray:
    """Faces around a seed that lie in one plane with it; the plane is fitted twice."""
    normal, origin = normals[seed], middle[seed]
    part = np.zeros(len(areas), dtype=bool)
    for _ in range(2):
        near = normals @ normal > np.cos(np.radians(FLAT_WITHIN_DEG))
        near &= np.abs((middle - origin) @ normal) < FLAT_WITHIN_MM
        near[seed] = True
        part = _connected(pairs, near, seed)
        normal = unit((normals[part] * areas[part, None]).sum(axis=0))
        origin = np.average(middle[part], axis=0, weights=areas[part])
    return part


def _connected(pairs: IntArray, chosen: BoolArray, seed: int) -> BoolArray:
    a, b = pairs[:, 0], pairs[:, 1]
    inside = chosen[a] & chosen[b]
    a, b = a[inside], b[inside]
    n = len(chosen)
    graph = sparse.coo_matrix((np.ones(len(a), dtype=bool), (a, b)), shape=(n, n))
    _, label = csgraph.connected_components(graph, directed=False)
    return np.asarray(chosen & (label == label[seed]))
