"""The patient frame: LPS and RAS, affines, projections and clock positions.

Every point in the library is in DICOM patient coordinates, LPS, in millimetres:
+x to the patient's left, +y posterior, +z superior (DICOM PS3.3 C.7.6.2.1.1).
NIfTI world coordinates are RAS+, which differs by the sign of x and y.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from veinfit.vectors import FloatArray, angle_deg, unit

Frame = Literal["lps", "ras"]
FRAMES: tuple[Frame, ...] = ("lps", "ras")

LEFT: FloatArray = np.array([1.0, 0.0, 0.0])
POSTERIOR: FloatArray = np.array([0.0, 1.0, 0.0])
SUPERIOR: FloatArray = np.array([0.0, 0.0, 1.0])

RAS_TO_LPS: FloatArray = np.diag([-1.0, -1.0, 1.0])
"""Turns RAS coordinates into LPS and back: the map is its own inverse."""

CRANIAL_AXIS_LIMIT_DEG = 20.0
"""Within this angle of cranial a vein's twelve o'clock is anterior instead."""


def to_lps(points: npt.ArrayLike, frame: Frame) -> FloatArray:
    """Return ``points`` (..., 3), given in ``frame``, in LPS.

    Parameters
    ----------
    points : (..., 3) array_like
    frame : {'lps', 'ras'}

    Returns
    -------
    (..., 3) array
        A copy.
    """
    p = np.asarray(points, dtype=float)
    return p @ RAS_TO_LPS if frame == "ras" else p.copy()


def ras_affine_to_lps(affine: npt.ArrayLike) -> FloatArray:
    """Return a (4, 4) index-to-RAS affine as an index-to-LPS affine.

    Parameters
    ----------
    affine : (4, 4) array_like

    Returns
    -------
    (4, 4) array
    """
    flip = np.eye(4)
    flip[:3, :3] = RAS_TO_LPS
    return flip @ np.asarray(affine, dtype=float)


def frontal_angle_deg(direction: npt.ArrayLike) -> float:
    """Angle in the frontal plane, atan2(z, |x|) in degrees: positive superior.

    Parameters
    ----------
    direction : (3,) array_like
        LPS, of any length.

    Returns
    -------
    float
        -90 to 90.
    """
    x, _, z = np.asarray(direction, dtype=float)
    return float(np.degrees(np.arctan2(z, abs(x))))


def transverse_angle_deg(direction: npt.ArrayLike) -> float:
    """Angle in the transverse plane, atan2(−y, |x|) in degrees: positive anterior.

    Parameters
    ----------
    direction : (3,) array_like
        LPS, of any length.

    Returns
    -------
    float
        -90 to 90.
    """
    x, y, _ = np.asarray(direction, dtype=float)
    return float(np.degrees(np.arctan2(-y, abs(x))))


def clock_basis(axis: npt.ArrayLike) -> tuple[FloatArray, FloatArray, bool]:
    """Return the directions of twelve and three o'clock about a vein's axis.

    The viewer stands in the atrium and looks into the vein along ``axis`` (3,).

    Parameters
    ----------
    axis : (3,) array_like
        From the atrium into the vein; of any length.

    Returns
    -------
    twelve, three : (3,) array
        Unit vectors perpendicular to the axis: cranial projected, and the
        direction a quarter turn clockwise from it for that viewer.
    anterior_is_twelve : bool
        True where the axis lies within 20 degrees of cranial or caudal, so that
        anterior stands in for cranial.
    """
    n = unit(axis)
    off_cranial = float(angle_deg(n, SUPERIOR))
    anterior = min(off_cranial, 180.0 - off_cranial) <= CRANIAL_AXIS_LIMIT_DEG
    up = -POSTERIOR if anterior else SUPERIOR
    twelve = unit(up - (up @ n) * n)
    return twelve, np.cross(n, twelve), anterior


def clock_hours(offsets: npt.ArrayLike, axis: npt.ArrayLike) -> FloatArray:
    """Clock position, 0 to 12, of ``offsets`` (..., 3) from a vein's centre about its axis.

    Parameters
    ----------
    offsets : (..., 3) array_like
    axis : (3,) array_like
        From the atrium into the vein.

    Returns
    -------
    (...) array
        0 to 12, 12 left out.
    """
    twelve, three, _ = clock_basis(axis)
    d = np.asarray(offsets, dtype=float)
    hours = np.degrees(np.arctan2(d @ three, d @ twelve)) / 30.0
    return np.asarray(np.mod(hours, 12.0))


def clock_direction(hours: npt.ArrayLike, axis: npt.ArrayLike) -> FloatArray:
    """Return unit vectors (..., 3) of clock positions ``hours`` (...) about a vein's axis.

    Parameters
    ----------
    hours : (...) array_like
        0 to 12.
    axis : (3,) array_like
        From the atrium into the vein.

    Returns
    -------
    (..., 3) array
    """
    twelve, three, _ = clock_basis(axis)
    angle = np.radians(np.asarray(hours, dtype=float) * 30.0)[..., None]
    return np.cos(angle) * twelve + np.sin(angle) * three


SIDE_NAMES: tuple[tuple[int, str, str], ...] = (
    (2, "superior", "inferior"),
    (1, "posterior", "anterior"),
    (0, "left", "right"),
)
"""Axis of LPS, name of its positive and of its negative direction, in naming order."""

SIDE_PAIR_RATIO = np.tan(np.radians(22.5))
"""A second word is added where its share of the direction exceeds this: eight equal sectors."""


def side_words(direction: npt.ArrayLike) -> str:
    """Name a direction (3,) from a closed list of words.

    One of superior, inferior, anterior, posterior, left, right, or two of them
    joined (``anterior-inferior``) with the anterior or posterior word first.

    Parameters
    ----------
    direction : (3,) array_like
        LPS, of any length.

    Returns
    -------
    str
    """
    d = unit(direction)
    order = np.argsort(-np.abs(d))
    words = {axis: (plus if d[axis] > 0 else minus) for axis, plus, minus in SIDE_NAMES}
    first, second = int(order[0]), int(order[1])
    if abs(d[second]) <= SIDE_PAIR_RATIO * abs(d[first]):
        return words[first]
    rank = {1: 0, 0: 1, 2: 2}
    a, b = sorted((first, second), key=rank.__getitem__)
    return f"{words[a]}-{words[b]}"


def clock_words(clock_h: float) -> str:
    """Return a clock position as it is spoken of, to the nearest hour: ``10 o'clock``.

    Parameters
    ----------
    clock_h : float

    Returns
    -------
    str
    """
    # Halves go up: to the even hour, two places an hour apart would be told two hours apart.
    return f"{_named(math.floor(clock_h + 0.5))}\u00a0o'clock"


def clock_words_apart(clocks_h: Sequence[float]) -> tuple[str, ...]:
    """Return clock positions as they are spoken of; to the half hour where one would be told twice.

    Parameters
    ----------
    clocks_h : sequence of float

    Returns
    -------
    tuple of str
        Such as ``10 o'clock``, or ``between 10 and 11 o'clock``.
    """
    told = [clock_words(hour) for hour in clocks_h]
    return tuple(
        _to_half_hour(hour) if told.count(words) > 1 else words
        for hour, words in zip(clocks_h, told, strict=True)
    )


def _to_half_hour(clock_h: float) -> str:
    halves = math.floor(2.0 * clock_h + 0.5)
    if halves % 2 == 0:
        return clock_words(0.5 * halves)
    return f"between {_named(halves // 2)} and {_named(halves // 2 + 1)}\u00a0o'clock"


def _named(hour: int) -> int:
    return hour % 12 or 12
