"""Fewer triangles for surfaces that are looked at: their rims stay where they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from veinfit.surface.mesh import Surface, any_corner, edges, renumbered, vertex_normals
from veinfit.surface.openings import rim_edges, rim_vertices
from veinfit.surface.resample import thinned_arrays
from veinfit.vectors import FloatArray, IntArray, dots

SKIRT_MM = 2.0
"""Height of what is hung on rims: more than a face's edge, so that it does not fold over."""


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places on a surface, each within one of its faces.

    Attributes
    ----------
    corners : (N, 3) int array
        Vertices of the face.
    shares : (N, 3) array
        How much of each makes up the place: not negative, of sum one.
    """

    corners: IntArray
    shares: FloatArray

    def of(self, values: FloatArray) -> FloatArray:
        """Return values of the surface's vertices at the places.

        Parameters
        ----------
        values : (V,) or (V, 3) array
            Finite.

        Returns
        -------
        (N,) or (N, 3) array
        """
        mine = values[self.corners]
        shares = self.shares if values.ndim == 1 else self.shares[..., None]
        return np.asarray((shares * mine).sum(axis=1))


def with_fewer_faces_and_rims(
    surfaces: Sequence[Surface], faces: Sequence[int]
) -> list[Surface | None]:
    """Return the same shapes with about so many faces, their rims where they were.

    The library that thins knows a rim only by the faces that end there: what they are cut to
    across the surface costs it nothing. So a skirt is hung on each rim, upright on the surface,
    which makes the rim an edge like any other, and is taken off afterwards. Of walls of 51,000 to
    222,000 faces brought to 24,000 and 60,000, all vertices lie within 0.014 mm of the new surface
    and all of the rim within 0.06 mm of the new rim; without skirts that is 0.6 mm.

    Parameters
    ----------
    surfaces : sequence of Surface
        Clean: one fan of faces a vertex, wound alike. They may have openings.
    faces : sequence of int
        About so many are left of each; more than it has leave a surface as it is.

    Returns
    -------
    list of Surface or None
        None where a surface would no longer be clean or have other openings.
    """
    result: list[Surface | None] = list(surfaces)
    large = [k for k, one in enumerate(surfaces) if len(one.faces) > faces[k]]
    thinned = thinned_arrays(
        [surfaces[k] for k in large], [faces[k] for k in large], prepared=_with_skirts
    )
    for k, (points, corners) in zip(large, thinned, strict=True):
        result[k] = _without_skirts(points, corners, _openings(surfaces[k]))
        surfaces[k].drop_tables()  # it has as many faces as ever, and is not looked up again soon
    return result


def _with_skirts(surface: Surface) -> Surface:
    """Hang a strip of faces on each rim, along the normals there."""
    runs = rim_edges(surface)
    if not len(runs):
        return surface
    rim, place = np.unique(runs, return_inverse=True)
    on_rim = np.zeros(len(surface.points), dtype=bool)
    on_rim[rim] = True
    # Of the few faces there alone.
    around = Surface(surface.points, surface.faces[any_corner(surface.faces, on_rim)])
    hung = surface.points[rim] + SKIRT_MM * vertex_normals(around)[rim]
    start, end = runs.T
    below, beside = len(surface.points) + place.reshape(-1, 2).T
    strip = np.concatenate(
        [np.stack([end, start, below], axis=1), np.stack([end, below, beside], axis=1)]
    )
    return Surface(np.concatenate([surface.points, hung]), np.concatenate([surface.faces, strip]))


def _without_skirts(points: FloatArray, corners: IntArray, openings: int) -> Surface | None:
    """Take the skirts off; None where that leaves no sound surface with so many openings.

    Their free edge is never joined with what is no rim: so just their faces have a corner there.
    """
    if openings:
        free = rim_vertices(Surface(points, corners))
        corners = corners[~free[corners].any(axis=1)]
    vertices, corners = renumbered(corners, len(points))
    fewer = Surface(points[vertices], corners)
    if not len(corners) or edges(fewer)[2].max() > 2:
        return None
    return fewer if _openings(fewer) == openings else None


def _openings(surface: Surface) -> int:
    """Count the rims."""
    runs = rim_edges(surface)
    rim, place = np.unique(runs, return_inverse=True)
    start, end = place.reshape(-1, 2).T
    graph = sparse.coo_matrix((np.ones(len(runs)), (start, end)), shape=(len(rim), len(rim)))
    return int(connected_components(graph, directed=False)[0])


def places_on(surface: Surface, points: FloatArray) -> Places:
    """Return where points lie on a surface that passes near them.

    Parameters
    ----------
    surface : Surface
    points : (N, 3) array
        Much nearer to the surface than its edges are long, mm.

    Returns
    -------
    Places
        In the nearest of the faces around the nearest vertex.
    """
    used = np.zeros(len(surface.points), dtype=bool)
    used[surface.faces] = True
    known = np.flatnonzero(used)
    # Unbalanced, a tree is there in half the time.
    tree = cKDTree(surface.points[known], balanced_tree=False, compact_nodes=False)
    vertex = known[tree.query(points)[1]]
    first, around = _faces_around(surface)
    # One row for each point and each face around its vertex.
    count = first[vertex + 1] - first[vertex]
    row = np.repeat(np.arange(len(points)), count)
    rank = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    corners = surface.faces[around[first[vertex[row]] + rank]]
    shares = _shares(surface.points, corners, points[row])
    away = points[row] - np.einsum("nk,nkd->nd", shares, surface.points[corners])
    nearest = np.lexsort((dots(away, away), row))[np.cumsum(count) - count]
    return Places(corners[nearest], shares[nearest])


def _faces_around(surface: Surface) -> tuple[IntArray, IntArray]:
    """Return the faces around all vertices, one after the other, and where each begins (V + 1,)."""
    count = len(surface.faces)
    shape = (count, len(surface.points))
    corners = surface.faces.ravel().astype(np.int32)
    starts = np.arange(0, 3 * count + 1, 3, dtype=np.int32)
    by_vertex = sparse.csr_matrix((np.ones(3 * count), corners, starts), shape=shape).tocsc()
    return by_vertex.indptr, by_vertex.indices


def _shares(points: FloatArray, corners: IntArray, at: FloatArray) -> FloatArray:
    """Return the shares (N, 3) of a face's corners (N, 3) in the place on it below a point."""
    first, second, third = (points[corners[:, k]] for k in range(3))
    one, two, to = second - first, third - first, at - first
    a, b, c = dots(one, one), dots(one, two), dots(two, two)
    d, e = dots(to, one), dots(to, two)
    area = np.maximum(a * c - b * b, np.finfo(float).tiny)
    u, v = (c * d - b * e) / area, (a * e - b * d) / area
    shares = np.clip(np.stack([1.0 - u - v, u, v], axis=1), 0.0, 1.0)
    return np.asarray(shares / shares.sum(axis=1, keepdims=True))
