"""Array types, and the small algebra of vectors and points.

It knows nothing of a patient: that is :mod:`veinfit.frames`.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def unit(vector: npt.ArrayLike) -> FloatArray:
    """Return ``vector`` (..., 3) scaled to length one; a zero vector stays zero."""
    v = np.asarray(vector, dtype=float)
    length = lengths(v)
    return v / np.where(length > 0, length, 1.0)[..., None]


def lengths(vectors: FloatArray) -> FloatArray:
    """Return the (...) lengths of vectors (..., 3)."""
    # Column by column: over rows of three a norm takes six times as long.
    return np.sqrt(dots(vectors, vectors))


def dots(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the (...) inner products of vectors (..., 3)."""
    return a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2]


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the (N, 3) products of vectors (N, 3), five times as fast as a general one."""
    product = np.empty(np.broadcast_shapes(a.shape, b.shape))
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        product[..., k] = a[..., i] * b[..., j] - a[..., j] * b[..., i]
    return product


def angle_deg(a: npt.ArrayLike, b: npt.ArrayLike) -> FloatArray:
    """Angle between vectors (..., 3) in degrees, 0 to 180; exact near 0 and 180."""
    ua, ub = unit(a), unit(b)
    sine = np.linalg.norm(np.cross(ua, ub), axis=-1)
    cosine = np.sum(ua * ub, axis=-1)
    return np.degrees(np.arctan2(sine, cosine))


def perpendicular_basis(axis: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors (3,) that with ``axis`` (3,) form a right-handed frame.

    The choice depends on the axis alone and is continuous except where the
    axis passes a coordinate axis: use it where only the plane matters.
    """
    # In plain numbers: for three of them array functions cost thirty times what they do, and
    # sections ask for this some ten thousand times a case.
    x, y, z = (float(v) for v in np.asarray(axis))
    length = math.sqrt(x * x + y * y + z * z) or 1.0
    x, y, z = x / length, y / length, z / length
    # The coordinate axis farthest from it, times the axis.
    a, b, c = min(
        (abs(x), (0.0, -z, y)), (abs(y), (z, 0.0, -x)), (abs(z), (-y, x, 0.0)), key=lambda v: v[0]
    )[1]
    length = math.sqrt(a * a + b * b + c * c) or 1.0
    a, b, c = a / length, b / length, c / length
    return np.array([a, b, c]), np.array([y * c - z * b, z * a - x * c, x * b - y * a])


def apply_affine(affine: FloatArray, points: npt.ArrayLike) -> FloatArray:
    """Map ``points`` (..., 3) by a (4, 4) affine."""
    p = np.asarray(points, dtype=float)
    return p @ affine[:3, :3].T + affine[:3, 3]
