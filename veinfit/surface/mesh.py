"""The triangle surface and what can be read off it directly."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse

from veinfit.vectors import BoolArray, FloatArray, IntArray, cross, lengths, unit

TABLES = ("by_corner", "balls", "edge_table")
"""What is looked up of the faces and takes much memory."""


@dataclass(frozen=True, eq=False)
class Surface:
    """Triangles in space, LPS mm.

    Attributes
    ----------
    points : (V, 3) array
        Vertex positions, mm, LPS.
    faces : (F, 3) array
        Vertex indices; counter-clockwise seen from outside the lumen, so that
        normals point out of the blood and into the wall.

    Raises
    ------
    ValueError
        The arrays have other shapes, or faces refer to vertices that are not there.

    Examples
    --------
    >>> Surface([[0, 0, 0], [10, 0, 0], [0, 20, 0]], [[0, 1, 2]])
    Surface(3 points, 1 face, 10.0 x 20.0 x 0.0 mm)
    """

    points: FloatArray
    faces: IntArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", np.ascontiguousarray(self.points, dtype=np.float64))
        object.__setattr__(self, "faces", np.ascontiguousarray(self.faces, dtype=np.int64))
        if self.points.ndim != 2 or self.points.shape[1] != 3:
            raise ValueError(f"points must have shape (V, 3), not {self.points.shape}")
        if self.faces.ndim != 2 or self.faces.shape[1] != 3:
            raise ValueError(f"faces must have shape (F, 3), not {self.faces.shape}")
        if len(self.faces) and int(self.faces.max()) >= len(self.points):
            raise ValueError(
                f"faces refer to vertex {int(self.faces.max())} but there are {len(self.points)}"
            )
        self.points.setflags(write=False)
        self.faces.setflags(write=False)

    def __repr__(self) -> str:
        points, faces = len(self.points), len(self.faces)
        extent = np.ptp(self.points, axis=0) if points else np.zeros(3)
        size = " x ".join(f"{length:.1f}" for length in extent)
        face_word = "face" if faces == 1 else "faces"
        return f"Surface({points} points, {faces} {face_word}, {size} mm)"

    def moved_to(self, points: FloatArray) -> Surface:
        """Return the same faces between other places of the vertices.

        What is known of the faces by themselves is shared.

        Parameters
        ----------
        points : (V, 3) array
            mm.

        Returns
        -------
        Surface
        """
        result = Surface(points, self.faces)
        for name in ("by_corner", "edge_table"):
            if (table := self.kept(name)) is not None:
                result.keep(name, table)
        return result

    def keep(self, name: str, value: object) -> None:
        """Keep what is known of this surface: it is not worked out again.

        Parameters
        ----------
        name : str
            Of a cached property, which then has this value, or of one of ``TABLES``.
        value : object
        """
        self.__dict__[name] = value

    def kept(self, name: str) -> Any:
        """Return what is kept of this surface.

        Parameters
        ----------
        name : str
            Under which it was put there.

        Returns
        -------
        object or None
            None where nothing is kept under that name.
        """
        return self.__dict__.get(name)

    def drop_tables(self) -> None:
        """Forget what was looked up of the faces, to free memory: who asks for it finds it anew."""
        for name in TABLES:
            self.__dict__.pop(name, None)

    @cached_property
    def by_corner(self) -> IntArray:
        """The faces as (3, F): looking things up corner by corner is far quicker so."""
        columns = np.ascontiguousarray(self.faces.T)
        columns.setflags(write=False)
        return columns

    @cached_property
    def area_mm2(self) -> float:
        """Area of the whole surface."""
        return float(face_areas(self).sum())

    @cached_property
    def area_centroid(self) -> FloatArray:
        """Middle (3,) of the area; that of the points if there is none."""
        areas = face_areas(self)
        if not areas.sum():
            return np.asarray(self.points.mean(axis=0))
        return np.asarray(areas @ face_middles(self) / areas.sum())

    @cached_property
    def edge_table(self) -> tuple[IntArray, IntArray, IntArray]:
        """What :func:`edges` returns: found once, as every stage asks for it anew."""
        start = self.faces.astype(np.int32)  # half the memory; no surface has more vertices
        stop = start[:, [1, 2, 0]]
        low, high = np.minimum(start, stop).ravel(), np.maximum(start, stop).ravel()
        del start, stop
        # Short integers are sorted by their digits, four times as fast as by comparison.
        parts = [high, low] if len(self.points) <= 2**16 else [high, high >> 16, low, low >> 16]
        order = np.lexsort([part.astype(np.uint16) for part in parts])
        a, b = low[order], high[order]
        differs = np.ones(len(order), dtype=bool)
        differs[1:] = (a[1:] != a[:-1]) | (b[1:] != b[:-1])
        first = np.flatnonzero(differs)
        face_edges = np.empty(len(order), dtype=np.int64)
        face_edges[order] = np.cumsum(differs) - 1
        counts = np.diff(np.r_[first, len(order)])
        pairs = np.stack([a[first], b[first]], axis=1).astype(np.int64)
        table = pairs, face_edges.reshape(-1, 3), counts
        for part in table:
            part.setflags(write=False)
        return table


def face_corners(
    surface: Surface, which: IntArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the three corners of the faces, (F, 3) each.

    Parameters
    ----------
    surface : Surface
    which : (F,) int array, optional
        Of these faces alone.

    Returns
    -------
    first, second, third : (F, 3) array
    """
    columns = surface.by_corner if which is None else surface.by_corner.take(which, axis=1)
    a, b, c = (surface.points.take(column, axis=0) for column in columns)
    return a, b, c


def face_middles(surface: Surface, which: IntArray | None = None) -> FloatArray:
    """Return the (F, 3) centroids of the faces.

    Parameters
    ----------
    surface : Surface
    which : (F,) int array, optional
        Of these faces alone.

    Returns
    -------
    (F, 3) array
    """
    a, b, c = face_corners(surface, which)
    return (a + b + c) / 3.0


def any_corner(faces: IntArray, marked: BoolArray) -> BoolArray:
    """Tell which faces (F, 3) have a marked vertex, ``marked`` being (V,).

    Parameters
    ----------
    faces : (F, 3) array
    marked : (V,) array

    Returns
    -------
    (F,) array
    """
    # Column by column: a sixth of the time of looking along rows of three.
    return marked[faces[:, 0]] | marked[faces[:, 1]] | marked[faces[:, 2]]


def face_vectors(surface: Surface, which: IntArray | None = None) -> FloatArray:
    """Return (F, 3) face normals whose length is twice the face's area, mm².

    Parameters
    ----------
    surface : Surface
    which : (F,) int array, optional
        Of these faces alone.

    Returns
    -------
    (F, 3) array
    """
    a, b, c = face_corners(surface, which)
    return cross(b - a, c - a)


def face_areas(surface: Surface, which: IntArray | None = None) -> FloatArray:
    """Return the (F,) areas of the faces, mm².

    Parameters
    ----------
    surface : Surface
    which : (F,) int array, optional
        Of these faces alone.

    Returns
    -------
    (F,) array
    """
    return 0.5 * lengths(face_vectors(surface, which))


def face_normals(surface: Surface) -> FloatArray:
    """Return (F, 3) unit face normals; zero for a degenerate face.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    (F, 3) array
    """
    return unit(face_vectors(surface))


def vertex_areas(surface: Surface) -> FloatArray:
    """Return (V,) areas, mm²: a third of the faces around each vertex.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    (V,) array
    """
    areas = np.repeat(face_areas(surface) / 3.0, 3)
    sums = np.bincount(surface.faces.ravel(), weights=areas, minlength=len(surface.points))
    return np.asarray(sums, dtype=np.float64)


def vertex_normals(surface: Surface) -> FloatArray:
    """Return (V, 3) unit normals, the area-weighted mean of the faces around each vertex.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    (V, 3) array
    """
    index, n = surface.faces.ravel(), len(surface.points)
    # Column by column: of a fine mesh all corners at once take much memory.
    columns = (np.repeat(column, 3) for column in face_vectors(surface).T)
    total = np.stack([np.bincount(index, weights=one, minlength=n) for one in columns], axis=1)
    return unit(total)


def total_area(surface: Surface) -> float:
    """Area of the whole surface, mm².

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    float
        mm².
    """
    return surface.area_mm2


def enclosed_volume(surface: Surface) -> float:
    """Signed volume, mm³, of a closed surface: positive where normals point outward.

    Parameters
    ----------
    surface : Surface
        Closed, consistently wound.

    Returns
    -------
    float
    """
    a, b, c = face_corners(surface)
    origin = surface.points.mean(axis=0) if len(surface.points) else np.zeros(3)
    return float(np.einsum("ij,ij->", a - origin, cross(b - origin, c - origin)) / 6.0)


def edges(surface: Surface) -> tuple[IntArray, IntArray, IntArray]:
    """Return the undirected edges of a surface; the arrays are shared and read-only.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    pairs : (E, 2) array
        Vertex indices, smaller first, in lexicographic order.
    face_edges : (F, 3) array
        For each face the index of its edges 0-1, 1-2, 2-0.
    counts : (E,) array
        How many faces use each edge: 1 on a boundary, 2 inside, more where
        the surface is not a manifold.
    """
    return surface.edge_table


def edge_graph(surface: Surface) -> sparse.csr_matrix:
    """Return the (V, V) symmetric graph of edge lengths, mm.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    (V, V) sparse array
    """
    pairs, _, _ = edges(surface)
    length = lengths(surface.points[pairs[:, 0]] - surface.points[pairs[:, 1]])
    rows, cols = np.r_[pairs[:, 0], pairs[:, 1]], np.r_[pairs[:, 1], pairs[:, 0]]
    shape = (len(surface.points), len(surface.points))
    return sparse.csr_matrix((np.r_[length, length], (rows, cols)), shape=shape)


def select_faces(surface: Surface, keep: np.ndarray) -> tuple[Surface, IntArray]:
    """Keep some faces and the vertices they use.

    Parameters
    ----------
    surface : Surface
    keep : (F,) bool array or (K,) int array
        The faces to keep.

    Returns
    -------
    part : Surface
    vertices : (V',) array
        For each vertex of ``part`` its index in ``surface``.
    """
    vertices, faces = renumbered(surface.faces[keep], len(surface.points))
    return Surface(surface.points[vertices], faces), vertices


def renumbered(faces: IntArray, count: int) -> tuple[IntArray, IntArray]:
    """Return the vertices, of ``count``, that faces (F, 3) use, and the faces by their place."""
    used = np.zeros(count, dtype=bool)
    used[faces] = True
    number = np.cumsum(used) - 1
    return np.flatnonzero(used), number[faces]
