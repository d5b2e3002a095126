"""Faces as VTK counts them: polygons, strips, and cells of many types."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from veinfit.io.mesh_formats.polygons import DamagedMesh, Polygons, unrolled
from veinfit.vectors import IntArray

STRIP, PIXEL = 6, 8
FLAT = (5, 7, 9)
"""Triangle, polygon and quadrilateral (vtkCellType.h)."""
NO_FACES = (0, 1, 2, 3, 4)
"""Nothing, points and lines."""
CURVED = (22, 23, 28, 30, 34, 36, 69, 70, 76, 77)
"""Faces whose edges have places of their own."""

Cells = tuple[IntArray, IntArray]
"""How many corners each has, and the corners of all."""


def polygon_cells(sizes: IntArray, corners: IntArray) -> Cells:
    """Return polygons without those of fewer than three corners."""
    kept = sizes >= 3
    return sizes[kept], corners[np.repeat(kept, sizes)]


def strip_cells(sizes: IntArray, corners: IntArray) -> Cells:
    """Return the triangles of strips."""
    ends = np.cumsum(sizes)
    strips = [corners[b - n : b].tolist() for n, b in zip(sizes, ends, strict=True)]
    triangles = np.array(unrolled(strips), dtype=np.int64).reshape(-1, 3)
    return np.full(len(triangles), 3, dtype=np.int64), triangles.ravel()


def joined(points: npt.ArrayLike, *cells: Cells) -> Polygons:
    """Return the faces of several lists together."""
    sizes = np.concatenate([sizes for sizes, _ in cells])
    corners = np.concatenate([corners for _, corners in cells])
    with np.errstate(invalid="ignore"):
        return Polygons(np.asarray(points, dtype=np.float64).reshape(-1, 3), sizes, corners)


def cells_of_types(
    points: npt.ArrayLike, sizes: IntArray, corners: IntArray, types: IntArray
) -> Polygons:
    """Return the faces among cells of many types.

    Raises
    ------
    DamagedMesh
        There are cells with a volume, or curved ones.
    """
    if len(types) != len(sizes):
        raise DamagedMesh(f"{len(sizes)} cells have {len(types)} types")
    known = (*FLAT, *NO_FACES, *CURVED, STRIP, PIXEL)
    if not np.isin(types, known).all():
        raise DamagedMesh("it holds solid cells: export the surface alone")
    if np.isin(types, CURVED).any():
        raise DamagedMesh("it holds curved faces: export flat triangles")
    ends = np.cumsum(sizes)

    def chosen(mask: npt.NDArray[np.bool_]) -> Cells:
        return sizes[mask], corners[np.repeat(mask, sizes)]

    pixels = [corners[b - 4 : b][[0, 1, 3, 2]] for b in ends[(types == PIXEL) & (sizes == 4)]]
    return joined(
        points,
        polygon_cells(*chosen(np.isin(types, FLAT))),
        strip_cells(*chosen(types == STRIP)),
        (np.full(len(pixels), 4, dtype=np.int64), np.array(pixels, dtype=np.int64).ravel()),
    )
