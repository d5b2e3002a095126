"""The wall without what its finer copy covers: what lies behind it need not be drawn."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from veinfit.surface import Surface
from veinfit.surface.openings import rim_vertices
from veinfit.vectors import BoolArray, FloatArray

MIX = 0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9
"""Odd numbers by which the three coordinates of a place are told apart in one number."""


@lru_cache(maxsize=1)
def uncovered(wall: Surface, patch: Surface) -> Surface:
    """Return the wall without the faces that lie within a patch of it.

    Parameters
    ----------
    wall : Surface
    patch : Surface
        Some of the faces of the wall, or these divided further: their corners are vertices of
        both, to the last bit. What has none in common covers nothing.

    Returns
    -------
    Surface
        With the wall's points. What is left around the patch reaches under it by a face, so that
        no crack opens, and the normals at its vertices outside the patch stay as they are.
    """
    within = _within(wall.points, patch)
    if not within.any():
        return wall
    first, second, third = (within[corner] for corner in wall.by_corner)
    return Surface(wall.points, wall.faces[~(first & second & third)])


def _within(points: FloatArray, patch: Surface) -> BoolArray:
    """Tell which points (V, 3) are vertices of a patch, and not on its rim."""
    within = np.zeros(len(points), dtype=bool)
    if not len(patch.faces):
        return within
    low, high = patch.points.min(axis=0), patch.points.max(axis=0)
    near = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
    known = _mixed(patch.points)
    order = np.argsort(known)
    place = np.searchsorted(known, _mixed(points[near]), sorter=order)
    vertex = order[np.minimum(place, len(order) - 1)]
    same = (patch.points[vertex] == points[near]).all(axis=1)
    within[near[same]] = _inside(patch)[vertex[same]]
    return within


def _inside(patch: Surface) -> BoolArray:
    """Tell which vertices faces use that are not on the rim."""
    used = np.zeros(len(patch.points), dtype=bool)
    used[patch.faces] = True
    return np.asarray(used & ~rim_vertices(patch))


def _mixed(points: FloatArray) -> np.ndarray:
    """Return a number for each point (V, 3), of all its bits; few points share one."""
    # Without the sign of zero.
    bits = np.ascontiguousarray(points + 0.0).view(np.uint64)
    total = np.zeros(len(points), dtype=np.uint64)
    for column, factor in zip(bits.T, MIX, strict=True):
        total = (total ^ column) * np.uint64(factor)
        total ^= total >> np.uint64(29)
    return total
