"""Straight paths through the blood: how far until the first wall."""

from __future__ import annotations

import math

import numpy as np

from veinfit.surface import Surface
from veinfit.surface.mesh import face_corners
from veinfit.surface.near import faces_near_ray
from veinfit.vectors import FloatArray, cross, dots

NEAR_MM = 0.5
"""Ways back are followed from this far before the ostium, clear of its own plane."""


def distance_back_mm(lumen: Surface, ostium: FloatArray, direction: FloatArray) -> float:
    """How far the blood reaches back from an ostium along a shaft's direction, mm."""
    return free_distance_mm(lumen, ostium - NEAR_MM * direction, -direction) + NEAR_MM


def free_distance_mm(surface: Surface, origin: FloatArray, direction: FloatArray) -> float:
    """Distance, mm, from a point along a unit direction (3,) to the first face; inf where none.

    Moller T, Trumbore B, Fast, minimum storage ray-triangle intersection, J Graph
    Tools 1997;2:21-28.

    Parameters
    ----------
    surface : Surface
    origin : (3,) array
    direction : (3,) array

    Returns
    -------
    float
    """
    a, b, c = face_corners(surface, faces_near_ray(surface, origin, direction))
    first, second = b - a, c - a
    across = cross(direction[None], second)
    determinant = dots(first, across)
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = origin - a
        u = dots(offset, across) / determinant
        q = cross(offset, first)
        v = q @ direction / determinant
        distance = dots(second, q) / determinant
        hit = (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0) & (distance > 0.0)
    return float(distance[hit].min()) if hit.any() else math.inf
