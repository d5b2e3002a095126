"""Surfaces of other libraries, taken as :class:`Surface`."""

from __future__ import annotations

from typing import Any

import numpy as np

from veinfit.surface.mesh import Surface

EXPECTED = (
    "a Surface, a mesh of trimesh (vertices, faces), a triangle mesh of pyvista (points, "
    "regular_faces), or a pair of arrays: points (V, 3) in mm and faces (F, 3)"
)
"""What :func:`as_surface` takes, for messages."""


def as_surface(mesh: Any, name: str = "surface") -> Surface:
    """Return somebody's triangles as a surface; the numbers are taken as they are.

    Parameters
    ----------
    mesh : Surface, trimesh.Trimesh, pyvista.PolyData, or pair of arrays
        Points (V, 3) in LPS mm and faces (F, 3).
    name : str
        What the mesh is, for messages.

    Returns
    -------
    Surface

    Raises
    ------
    TypeError
        ``mesh`` is none of these; the message says what was expected.
    ValueError
        Arrays of another shape, faces that refer to vertices which are not there, or
        coordinates that are not finite.

    Examples
    --------
    >>> import trimesh
    >>> as_surface(trimesh.creation.box((2, 3, 4)))
    Surface(8 points, 12 faces, 2.0 x 3.0 x 4.0 mm)
    >>> as_surface(([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]]))
    Surface(3 points, 1 face, 1.0 x 1.0 x 0.0 mm)
    >>> as_surface("atrium.stl")
    Traceback (most recent call last):
    ...
    TypeError: surface: expected a Surface, a mesh of trimesh (vertices, faces), a triangle mesh \
of pyvista (points, regular_faces), or a pair of arrays: points (V, 3) in mm and faces (F, 3); \
got a str. A file is read with read_surface
    """
    if isinstance(mesh, Surface):
        return mesh
    if hasattr(mesh, "vertices") and hasattr(mesh, "faces"):
        points, faces = mesh.vertices, mesh.faces
    elif hasattr(mesh, "points") and hasattr(mesh, "regular_faces"):
        if not getattr(mesh, "is_all_triangles", True):
            raise ValueError(f"{name}: not all faces are triangles; call triangulate() first")
        points, faces = mesh.points, mesh.regular_faces
    elif isinstance(mesh, (tuple, list)) and len(mesh) == 2:
        points, faces = mesh
    else:
        hint = ". A file is read with read_surface" if isinstance(mesh, str) else ""
        raise TypeError(f"{name}: expected {EXPECTED}; got a {type(mesh).__name__}{hint}")
    surface = Surface(np.array(points, dtype=float), np.array(faces, dtype=np.int64))
    if not np.isfinite(surface.points).all():
        bad = int(np.flatnonzero(~np.isfinite(surface.points).all(axis=1))[0])
        raise ValueError(f"{name}: vertex {bad} is not finite")
    return surface
