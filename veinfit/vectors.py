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

LEAST_ASIDE = 1e-6
"""A direction whose share across an axis is less than this shows none across it."""


def unit(vector: npt.ArrayLike) -> FloatArray:
    """Return ``vector`` (..., 3) scaled to length one; a zero vector stays zero.

    Parameters
    ----------
    vector : (..., 3) array_like

    Returns
    -------
    (..., 3) array
    """
    v = np.asarray(vector, dtype=float)
    length = lengths(v)
    return v / np.where(length > 0, length, 1.0)[..., None]


def lengths(vectors: FloatArray) -> FloatArray:
    """Return the (...) lengths of vectors (..., 3).

    Parameters
    ----------
    vectors : (..., 3) array

    Returns
    -------
    (...) array
        In the unit of the vectors.
    """
    # Column by column: over rows of three a norm takes six times as long.
    return np.sqrt(dots(vectors, vectors))


def dots(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the (...) inner products of vectors (..., 3).

    Parameters
    ----------
    a, b : (..., 3) array

    Returns
    -------
    (...) array
    """
    return a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2]


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the (..., 3) products of vectors (..., 3), five times as fast as a general one.

    Parameters
    ----------
    a, b : (..., 3) array

    Returns
    -------
    (..., 3) array
        a × b, row by row.
    """
    product = np.empty(np.broadcast_shapes(a.shape, b.shape))
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        product[..., k] = a[..., i] * b[..., j] - a[..., j] * b[..., i]
    return product


def distinct(values: IntArray) -> IntArray:
    """Return the distinct ones of whole numbers (N,), rising, faster than ``np.unique``.

    Parameters
    ----------
    values : (N,) array

    Returns
    -------
    (M,) array
    """
    ordered = np.sort(values)
    new = np.ones(len(ordered), dtype=bool)
    np.not_equal(ordered[1:], ordered[:-1], out=new[1:])
    return ordered[new]


def distinct_pairs(pairs: IntArray) -> IntArray:
    """Return the distinct ones of pairs (N, 2) of numbers from 0 on, in their order.

    Parameters
    ----------
    pairs : (N, 2) array

    Returns
    -------
    (M, 2) array
    """
    if not len(pairs):
        return pairs
    size = np.int64(pairs[:, 1].max()) + 1
    return np.stack(np.divmod(distinct(pairs[:, 0] * size + pairs[:, 1]), size), axis=1)


def row_keys(rows: IntArray) -> IntArray:
    """Return numbers (N,) that order rows (N, K) of numbers from 0 on, the same for the same.

    Parameters
    ----------
    rows : (N, K) array

    Returns
    -------
    (N,) array
    """
    key = rows[:, 0]
    for column in rows.T[1:]:
        size = int(column.max(initial=0)) + 1
        if int(key.max(initial=0)) >= 2**62 // size:
            key = np.unique(key, return_inverse=True)[1].ravel()
        key = key * size + column
    return key


def angle_deg(a: npt.ArrayLike, b: npt.ArrayLike) -> FloatArray:
    """Angle between vectors (..., 3) in degrees, 0 to 180; exact near 0 and 180.

    Parameters
    ----------
    a, b : (..., 3) array_like

    Returns
    -------
    (...) array
    """
    ua, ub = unit(a), unit(b)
    sine = np.linalg.norm(cross(ua, ub), axis=-1)
    cosine = np.sum(ua * ub, axis=-1)
    return np.degrees(np.arctan2(sine, cosine))


def basis_toward(axis: FloatArray, toward: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors that with ``axis`` form a right-handed frame, the first ``toward`` a place.

    So sectors around an axis begin at the same place of a body however that lies in space.

    Parameters
    ----------
    axis : (3,) array
        Of unit length.
    toward : (3,) array
        Of any length; along the axis it leaves the choice to :func:`perpendicular_basis`.

    Returns
    -------
    first, second : (3,) array
        The frame is (first, second, axis).
    """
    first = toward - (toward @ axis) * axis
    length = float(np.linalg.norm(first))
    if length <= LEAST_ASIDE * float(np.linalg.norm(toward)):
        return perpendicular_basis(axis)
    first = first / length
    return first, np.cross(axis, first)


def perpendicular_basis(axis: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors (3,) that with ``axis`` (3,) form a right-handed frame.

    The choice depends on the axis alone and is continuous except where the
    axis passes a coordinate axis: use it where only the plane matters.

    Parameters
    ----------
    axis : (3,) array_like
        Of any length.

    Returns
    -------
    first, second : (3,) array
        The frame is (first, second, axis).
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
    """Map ``points`` (..., 3) by a (4, 4) affine.

    Parameters
    ----------
    affine : (4, 4) array
    points : (..., 3) array_like

    Returns
    -------
    (..., 3) array
    """
    p = np.asarray(points, dtype=float)
    return p @ affine[:3, :3].T + affine[:3, 3]
