"""Boundary loops of a surface, and the caps that close them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from veinfit.surface.mesh import Surface, edges
from veinfit.vectors import BoolArray, FloatArray, IntArray, unit


def boundary_loops(surface: Surface) -> list[IntArray]:
    """Return the closed loops of boundary edges, longest first.

    Each is an array of vertex indices in the order in which the faces run along
    the boundary. The surface must be consistently wound with one fan of faces a
    vertex (see :mod:`veinfit.surface.cleaning`). Chains of fewer than three
    vertices are no openings and are left out.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    list of (N,) array
    """
    f = surface.faces
    _, face_edges, counts = edges(surface)
    free = np.flatnonzero((counts == 1).take(face_edges.ravel()))
    face, corner = np.divmod(free, 3)
    begin, end = f[face, corner], f[face, (corner + 1) % 3]
    following = dict(zip(begin.tolist(), end.tolist(), strict=True))
    loops: list[IntArray] = []
    while following:
        first, vertex = following.popitem()
        loop = [first]
        while vertex != first and vertex in following:
            loop.append(vertex)
            vertex = following.pop(vertex)
        loops.append(np.array(loop, dtype=np.int64))
    loops = [loop for loop in loops if len(loop) >= 3]
    # Start each loop at its smallest index: the order of a dict must not show in results.
    loops = [np.roll(loop, -int(np.argmin(loop))) for loop in loops]
    return sorted(loops, key=lambda loop: (-loop_length(surface, loop), int(loop[0])))


def rim_vertices(surface: Surface) -> BoolArray:
    """Tell which vertices (V,) lie on a rim, without a table of edges.

    Inside, each neighbour comes once before and once after another as one goes around a vertex,
    face by face; at a rim one comes only before, and one only after.

    Parameters
    ----------
    surface : Surface
        Clean, as for :func:`boundary_loops`.

    Returns
    -------
    (V,) bool array
        False for vertices that no face uses.
    """
    faces = surface.by_corner
    left = sum(
        np.bincount(faces[k], weights=faces[k - 2] - faces[k - 1], minlength=len(surface.points))
        for k in range(3)
    )
    return np.asarray(left != 0)


def rim_edges(surface: Surface) -> IntArray:
    """Return the edges (R, 2) of rims as their faces run along them, without a table of edges.

    Parameters
    ----------
    surface : Surface
        Clean, as for :func:`boundary_loops`.

    Returns
    -------
    (R, 2) array
        Vertex indices.
    """
    on_rim = rim_vertices(surface)
    first, second, third = (on_rim[corner] for corner in surface.by_corner)
    near = surface.faces[first.astype(np.int8) + second + third >= 2]
    runs = near[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    runs = runs[on_rim[runs].all(axis=1)]
    count = len(surface.points)
    there, back = runs @ [count, 1], runs @ [1, count]
    return np.asarray(runs[~np.isin(there, back)])


def loop_length(surface: Surface, loop: IntArray) -> float:
    """Length of a closed loop of vertices, mm."""
    p = surface.points[loop]
    return float(np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1).sum())


def loop_diameter(surface: Surface, loop: IntArray) -> float:
    """Diameter of the circle as long as the loop, mm.

    Parameters
    ----------
    surface : Surface
    loop : (N,) array
        Vertex indices.

    Returns
    -------
    float
    """
    return loop_length(surface, loop) / float(np.pi)


def loop_plane(points: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Centroid, unit normal and area of a closed polygon of (N, 3) points.

    The normal is that of the polygon's vector area, right-handed about the
    order of the points; the area is the length of that vector, mm².

    Parameters
    ----------
    points : (N, 3) array

    Returns
    -------
    centroid : (3,) array
    normal : (3,) array
    area : float
    """
    following = np.roll(points, -1, axis=0)
    length = np.linalg.norm(following - points, axis=1)
    total = float(length.sum())
    centre = (0.5 * (points + following) * length[:, None]).sum(axis=0) / total
    vector = 0.5 * np.cross(points - centre, following - centre).sum(axis=0)
    return centre, unit(vector), float(np.linalg.norm(vector))


def cap_loops(surface: Surface, loops: Sequence[IntArray]) -> tuple[Surface, IntArray]:
    """Close loops by fans around their centroids.

    Parameters
    ----------
    surface : Surface
    loops : sequence of (N,) array
        As of :func:`boundary_loops`.

    Returns
    -------
    closed : Surface
        The vertices and faces of ``surface`` come first, unchanged.
    cap : (F,) array
        For each face the index of the loop it caps, -1 for the faces of ``surface``.
    """
    points = [surface.points]
    faces = [surface.faces]
    cap = [np.full(len(surface.faces), -1, dtype=np.int64)]
    n = len(surface.points)
    for index, loop in enumerate(loops):
        if len(loop) == 3:
            fan = loop[None, ::-1]
        else:
            centre, _, _ = loop_plane(surface.points[loop])
            points.append(centre[None])
            hub = np.full(len(loop), n, dtype=np.int64)
            fan = np.stack([np.roll(loop, -1), loop, hub], axis=1)
            n += 1
        faces.append(fan)
        cap.append(np.full(len(fan), index, dtype=np.int64))
    return Surface(np.concatenate(points), np.concatenate(faces)), np.concatenate(cap)
