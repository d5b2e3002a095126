"""Faces as a file has them, and as triangles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from veinfit.vectors import FloatArray, IntArray


class DamagedMesh(Exception):
    """The content is no mesh of its format; the message says why."""


@dataclass(frozen=True, slots=True, eq=False)
class Polygons:
    """Faces of any number of corners.

    Attributes
    ----------
    points : (V, 3) array
    sizes : (P,) array
        Number of corners of each polygon.
    corners : (sum of sizes,) array
        Vertex indices, polygon after polygon.
    """

    points: FloatArray
    sizes: IntArray
    corners: IntArray

    @classmethod
    def from_lists(cls, points: npt.ArrayLike, faces: list[list[int]]) -> Polygons:
        """Join faces given one by one; those of fewer than three corners are no faces."""
        kept = [face for face in faces if len(face) >= 3]
        try:
            corners = np.array([v for face in kept for v in face], dtype=np.int64)
        except OverflowError as error:
            raise DamagedMesh("a face refers to a vertex that no mesh has") from error
        sizes = np.array([len(face) for face in kept], dtype=np.int64)
        return cls(np.asarray(points, dtype=np.float64).reshape(-1, 3), sizes, corners)

    @classmethod
    def from_triangles(cls, points: npt.ArrayLike, triangles: npt.ArrayLike) -> Polygons:
        """Take (F, 3) vertex indices."""
        corners = np.asarray(triangles, dtype=np.int64).ravel()
        sizes = np.full(len(corners) // 3, 3, dtype=np.int64)
        # Not-a-number of some bit patterns makes the conversion itself complain.
        with np.errstate(invalid="ignore"):
            vertices = np.asarray(points, dtype=np.float64).reshape(-1, 3)
        return cls(vertices, sizes, corners)


def unrolled(strips: list[list[int]]) -> list[list[int]]:
    """Turn triangle strips, parted by -1, into triangles of one winding."""
    faces = []
    for joined in strips:
        strip: list[int] = []
        for v in [*joined, -1]:
            if v >= 0:
                strip.append(v)
                continue
            for k in range(len(strip) - 2):
                a, b, c = strip[k : k + 3]
                if len({a, b, c}) == 3:
                    faces.append([a, b, c] if k % 2 == 0 else [b, a, c])
            strip = []
    return faces
