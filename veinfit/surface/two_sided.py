"""Walls that a mesh shows from both sides: the inner sheet is the border of the blood."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from veinfit.surface.mesh import (
    Surface,
    edges,
    enclosed_volume,
    face_areas,
    face_middles,
    face_normals,
    select_faces,
)
from veinfit.vectors import BoolArray, FloatArray, IntArray, dots

THICKEST_MM = 8.0
"""No wall of an atrium is thicker; with its fat it seldom is half of that."""

HOLLOW_MM = 2.5
"""A closed surface with less volume for its area than this is a shell: a wall of 5 mm. Atria have
6 mm and more."""

LARGE_SHARE = 0.2
"""Each sheet has at least this share of the area."""

STEP_MM = 0.5
"""The other side of the wall is looked for in steps of this."""

OPPOSED = -0.3
"""... where normals look the other way: their cosine."""

NESTED_SHARE = 0.9
"""So much of an inner sheet lies within the wall's thickness of the outer one."""


def inner_of_shell(surface: Surface, closed: Surface) -> Surface | None:
    """Return the inner sheet of a wall whose two sides are joined at its rims.

    Parameters
    ----------
    surface : Surface
        One piece, wound outward: normals point out of the wall.
    closed : Surface
        The same with its openings capped.

    Returns
    -------
    Surface or None
        None where the surface is no shell.
    """
    area = face_areas(surface)
    if abs(enclosed_volume(closed)) > HOLLOW_MM * area.sum():
        return None
    backed = _has_other_side(surface)
    if area[backed].sum() < 2.0 * LARGE_SHARE * area.sum():
        return None
    label = _pieces(surface, backed)
    sizes = np.bincount(label[backed], weights=area[backed])
    large = np.flatnonzero(sizes >= LARGE_SHARE * area.sum())
    if len(large) != 2:
        return None
    inner = large[np.argmin(sizes[large])]
    return select_faces(surface, backed & (label == inner))[0]


def _has_other_side(surface: Surface) -> BoolArray:
    """Which faces have another that looks the other way within the wall's thickness behind."""
    middles, normals = face_middles(surface), face_normals(surface)
    tree = cKDTree(middles)
    pairs, _, _ = edges(surface)
    along = surface.points[pairs[:, 1]] - surface.points[pairs[:, 0]]
    edge = float(np.median(np.linalg.norm(along, axis=1)))
    found = np.zeros(len(middles), dtype=bool)
    for depth in np.arange(STEP_MM, THICKEST_MM, STEP_MM):
        rest = np.flatnonzero(~found)
        if not len(rest):
            break
        behind = middles[rest] - depth * normals[rest]
        away, near = tree.query(behind, distance_upper_bound=max(edge, STEP_MM))
        hit = np.isfinite(away)
        other = near[hit]
        opposed = dots(normals[rest[hit]], normals[other]) < OPPOSED
        found[rest[hit][opposed]] = True
    return found


def _pieces(surface: Surface, chosen: BoolArray) -> IntArray:
    """Return the number (F,) of the piece that each chosen face belongs to, joined over edges."""
    _, face_edges, counts = edges(surface)
    n = len(surface.faces)
    rows = np.repeat(np.flatnonzero(chosen), 3)
    graph = sparse.coo_matrix(
        (np.ones(len(rows), bool), (rows, n + face_edges[chosen].ravel())),
        shape=(n + len(counts),) * 2,
    )
    _, label = csgraph.connected_components(graph, directed=False)
    return np.asarray(label[:n], dtype=np.int64)


def is_inner_sheet(inner: FloatArray, outer: FloatArray) -> bool:
    """Whether one piece of a surface is the inner side of the wall whose outer side is another.

    Parameters
    ----------
    inner, outer : (N, 3) and (M, 3) arrays
        Their vertices.
    """
    low, high = outer.min(axis=0), outer.max(axis=0)
    if ((inner.min(axis=0) < low) | (inner.max(axis=0) > high)).any():
        return False
    away, _ = cKDTree(outer).query(inner, distance_upper_bound=THICKEST_MM)
    back, _ = cKDTree(inner).query(outer, distance_upper_bound=THICKEST_MM)
    return bool(min(np.isfinite(away).mean(), np.isfinite(back).mean()) >= NESTED_SHARE)
