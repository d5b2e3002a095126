"""Triangles cut along the line where a value, linear on each, vanishes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.surface.mesh import any_corner
from veinfit.vectors import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """Triangular pieces of triangles.

    Attributes
    ----------
    face : (N,) array
        The triangle that each piece belongs to.
    corners : (N, 3, 3) array
        Barycentric coordinates, in that triangle, of the corners of each piece.
    share : (N,) array
        The piece's share of the triangle's area.
    """

    face: IntArray
    corners: FloatArray
    share: FloatArray


def parts_above(values: FloatArray) -> Parts:
    """Cut triangles with corner values (F, 3) along 0 and return what lies above."""
    inside = values > 0
    count = inside[:, 0].astype(np.int8) + inside[:, 1] + inside[:, 2]
    eye = np.eye(3)

    def crossing(rows: IntArray, above: IntArray, below: IntArray) -> tuple[FloatArray, FloatArray]:
        """Where the value vanishes between two corners, and how far along."""
        high, low = values[rows, above], values[rows, below]
        t = high / (high - low)
        return eye[above] + t[:, None] * (eye[below] - eye[above]), t

    whole = np.flatnonzero(count == 3)
    face = [whole]
    corners = [np.broadcast_to(eye, (len(whole), 3, 3))]
    share = [np.ones(len(whole))]

    one = np.flatnonzero(count == 1)
    if len(one):
        apex = np.argmax(inside[one], axis=1)
        left, t_left = crossing(one, apex, (apex + 1) % 3)
        right, t_right = crossing(one, apex, (apex + 2) % 3)
        face.append(one)
        corners.append(np.stack([eye[apex], left, right], axis=1))
        share.append(t_left * t_right)

    two = np.flatnonzero(count == 2)
    if len(two):
        lone = np.argmin(inside[two], axis=1)
        a, b = (lone + 1) % 3, (lone + 2) % 3
        from_a, t_a = crossing(two, a, lone)
        from_b, t_b = crossing(two, b, lone)
        face += [two, two]
        corners.append(np.stack([eye[a], eye[b], from_b], axis=1))
        corners.append(np.stack([eye[a], from_b, from_a], axis=1))
        share += [t_b, (1.0 - t_b) * t_a]
    return Parts(np.concatenate(face), np.concatenate(corners), np.concatenate(share))


def area_above(
    areas: FloatArray, faces: IntArray, first: FloatArray, second: FloatArray | None = None
) -> float:
    """Area, mm², where one or both of two values are above 0.

    Parameters
    ----------
    areas : (F,) array
        Of the triangles, mm².
    faces : (F, 3) array
    first, second : (V,) array
        Values of the vertices; -inf means that no triangle there counts.
    """
    corner = first[faces]
    keep = ~any_corner(faces, ~np.isfinite(first))
    parts = parts_above(corner[keep])
    area = areas[keep][parts.face] * parts.share
    if second is None:
        return float(area.sum())
    inner = np.einsum("nck,nk->nc", parts.corners, second[faces[keep]][parts.face])
    pieces = parts_above(inner)
    return float((area[pieces.face] * pieces.share).sum())
