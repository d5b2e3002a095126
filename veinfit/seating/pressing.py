"""Which wall a ball can press from the blood's side, on its way along the guide into a vein."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from veinfit.surface.mesh import face_corners
from veinfit.vectors import BoolArray, FloatArray, IntArray, cross, dots, lengths

if TYPE_CHECKING:
    from veinfit.seating.patch import WallPatch

SAMPLE_STEP_MM = 1.0
"""Distance between the places on the guide at which a ball is looked at."""

PLACES_AT_ONCE = 8
"""So many places in a row are looked at together before each by itself."""

ROUNDING_MM = 1e-6
"""More than rounding can make of a distance."""


def can_press(patch: WallPatch, radius_mm: float, back_mm: float) -> BoolArray:
    """Tell which faces of the patch a ball can press from the blood's side.

    A thin wall between two lumens, such as a carina, has two sides; a ball in one
    lumen presses the near side, and what of the far side lies inside the ball is
    the neighbour's wall that gives way along with it, not a second wall. A face
    counts as pressed from the blood where the ball, carried along the guide from
    ``back_mm`` before the ostium into the vein, meets it first with its centre on
    the blood's side of the face's plane. Faces that the ball never meets on its
    path are judged from the start. The choice is fixed for a vein and a balloon,
    so that the energy stays smooth.

    Parameters
    ----------
    patch : WallPatch
    radius_mm : float
        Of the ball.
    back_mm : float
        How far before the ostium it starts, along the vein's axis.

    Returns
    -------
    (F,) array
    """
    first, second, third = face_corners(patch.surface)
    middle, across = (first + second + third) / 3.0, cross(second - first, third - first)
    start = patch.centre - back_mm * patch.axis
    path = patch.guide.sampled(start, 3.0 * radius_mm, SAMPLE_STEP_MM)
    met = first_within(middle, path, radius_mm)
    offset = middle - start
    ever = np.flatnonzero(met >= 0)
    offset[ever] = middle[ever] - path[met[ever]]
    return np.asarray(dots(offset, across) > 0.0)


def rest_can_press(patch: WallPatch, back_mm: float) -> BoolArray:
    """Tell which faces (F,) of the rest face the blood ``back_mm`` before the ostium.

    No ball on the guide meets them: they are judged from the start, as :func:`can_press` does.
    """
    start = patch.centre - back_mm * patch.axis
    first, second, third = face_corners(patch.rest)
    across = cross(second - first, third - first)
    return np.asarray(dots((first + second + third) / 3.0 - start, across) > 0.0)


def first_within(points: FloatArray, path: FloatArray, radius_mm: float) -> IntArray:
    """Return the first place of a path that is within a radius of each point.

    Parameters
    ----------
    points : (N, 3) array
    path : (K, 3) array
    radius_mm : float

    Returns
    -------
    (N,) array
        Its number; -1 for none.
    """
    first = np.full(len(points), -1, dtype=np.int64)
    # Axis by axis: rows of three take several times as long.
    columns = [np.ascontiguousarray(column) for column in points.T]
    for begin in range(0, len(path), PLACES_AT_ONCE):
        places = path[begin : begin + PLACES_AT_ONCE]
        # Most points are near none of some places in a row: one ball about these tells that.
        middle = places.mean(axis=0)
        reach = radius_mm + float(lengths(places - middle).max()) + ROUNDING_MM
        waiting = np.flatnonzero((_squares_from(columns, middle) < reach**2) & (first < 0))
        own = [column[waiting] for column in columns]
        for number, place in enumerate(places, start=begin):
            within = _squares_from(own, place) < radius_mm**2
            if within.any():
                first[waiting[within]] = number
                waiting = waiting[~within]
                own = [column[~within] for column in own]
    return first


def _squares_from(columns: Sequence[FloatArray], place: FloatArray) -> FloatArray:
    """Squared distances (N,) of points, given axis by axis, from a place (3,)."""
    square = (columns[0] - place[0]) ** 2
    for axis in (1, 2):
        square += (columns[axis] - place[axis]) ** 2
    return np.asarray(square)
