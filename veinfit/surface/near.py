"""The faces that may meet a plane, a ray or a box: a quick first look, by a ball around each."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from veinfit.surface.mesh import Surface, face_corners, face_middles
from veinfit.vectors import FloatArray, IntArray, lengths, perpendicular_basis

ShortArray = npt.NDArray[np.float32]
"""Short numbers, which are read twice as fast."""

SHORT_ROUNDING = 1e-6
"""More than sums of three short numbers lose, in proportion."""

BALLS = "balls"
"""Under which they are kept with a surface."""


def balls(surface: Surface) -> tuple[FloatArray, ShortArray, ShortArray]:
    """Return a ball around each face, kept with the surface until its tables are dropped.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    origin : (3,) array
    middles : (3, F) array
        From the origin.
    radii : (F,) array
        With room for the rounding of short numbers.
    """
    known: tuple[FloatArray, ShortArray, ShortArray] | None = surface.kept(BALLS)
    if known is None:
        origin = face_middles(surface).mean(axis=0) if len(surface.faces) else np.zeros(3)
        known = origin, *_balls_from(surface, origin)
        surface.keep(BALLS, known)
    return known


def keep_balls(split: Surface, surface: Surface, whole: IntArray) -> None:
    """Keep the balls of a surface's faces ``whole`` (K,) with another, whose first faces they are.

    Parameters
    ----------
    split : Surface
    surface : Surface
        Where it has no balls, nothing is kept.
    whole : (K,) array
    """
    if surface.kept(BALLS) is None:
        return
    origin, middles, radii = balls(surface)
    made = _balls_from(split, origin, np.arange(len(whole), len(split.faces)))
    joined = np.concatenate([middles.take(whole, axis=1), made[0]], axis=1)
    split.keep(BALLS, (origin, joined, np.concatenate([radii.take(whole), made[1]])))


def _balls_from(
    surface: Surface, origin: FloatArray, which: IntArray | None = None
) -> tuple[ShortArray, ShortArray]:
    """Return middles (3, F) from an origin and radii (F,), of some faces or all."""
    corners = face_corners(surface, which)
    middles = (corners[0] + corners[1] + corners[2]) / 3.0
    far = [lengths(corner - middles) for corner in corners]
    radii = np.maximum(np.maximum(far[0], far[1]), far[2])
    columns = np.ascontiguousarray((middles - origin).T, dtype=np.float32)
    reach = (radii + SHORT_ROUNDING * np.abs(columns).max(initial=1.0)).astype(np.float32)
    return columns, reach


def faces_near_plane(surface: Surface, origin: FloatArray, normal: FloatArray) -> IntArray:
    """Return the faces that a plane may cross: some more than it does.

    Parameters
    ----------
    surface : Surface
    origin, normal : (3,) array
        The normal of length one.

    Returns
    -------
    (K,) array
        Rising.
    """
    # A face whose middle lies farther off than its corners from there does not cross.
    zero, middles, reach = balls(surface)
    away = normal.astype(np.float32) @ middles
    away -= np.float32((origin - zero) @ normal)
    return np.flatnonzero(np.abs(away, out=away) <= reach)


def faces_near_ray(surface: Surface, origin: FloatArray, direction: FloatArray) -> IntArray:
    """Return the faces that a ray may meet: some more than it does.

    Parameters
    ----------
    surface : Surface
    origin, direction : (3,) array
        The direction of length one.

    Returns
    -------
    (K,) array
        Rising.
    """
    zero, middles, reach = balls(surface)
    frame = np.stack([*perpendicular_basis(direction), direction])
    first, second, along = frame.astype(np.float32) @ middles
    start = (frame @ (origin - zero)).astype(np.float32)
    first -= start[0]
    second -= start[1]
    aside = first * first
    aside += second * second
    return np.flatnonzero((aside <= reach * reach) & (along >= start[2] - reach))


def faces_in_box(surface: Surface, low: FloatArray, high: FloatArray) -> IntArray:
    """Return the faces whose middle lies in a box, and some beside it.

    Parameters
    ----------
    surface : Surface
    low, high : (3,) array
        Corners of the box.

    Returns
    -------
    (K,) array
        Rising.
    """
    zero, middles, reach = balls(surface)
    room = float(reach.max(initial=0.0))
    low, high = low - zero - room, high - zero + room
    inside = np.ones(middles.shape[1], dtype=bool)
    for column, first, last in zip(middles, low, high, strict=True):
        inside &= (column >= first) & (column <= last)
    return np.flatnonzero(inside)
