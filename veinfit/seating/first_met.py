"""Where a ball that is carried along a path first meets points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from veinfit.vectors import FloatArray, IntArray, lengths

SAMPLE_STEP_MM = 1.0
"""Distance between the places on the guide at which a ball is looked at."""

PLACES_AT_ONCE = 8
"""So many places in a row are looked at together before each by itself."""

ROUNDING_MM = 1e-6
"""More than rounding can make of a distance."""


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
