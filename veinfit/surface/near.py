"""The faces that may be near a plane or in a box: a quick first look, by a ball around each."""

from __future__ import annotations

import numpy as np

from veinfit.surface.mesh import Surface
from veinfit.vectors import FloatArray, IntArray


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
    zero, middles, reach = surface.balls
    away = normal.astype(np.float32) @ middles
    away -= np.float32((origin - zero) @ normal)
    return np.flatnonzero(np.abs(away, out=away) <= reach)


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
    zero, middles, reach = surface.balls
    room = float(reach.max(initial=0.0))
    low, high = low - zero - room, high - zero + room
    inside = np.ones(middles.shape[1], dtype=bool)
    for column, first, last in zip(middles, low, high, strict=True):
        inside &= (column >= first) & (column <= last)
    return np.flatnonzero(inside)
