"""Where a balloon starts: before the ostium, clear of the wall where it can be."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from veinfit.frames import FloatArray
from veinfit.seating.approach import ApproachLine
from veinfit.seating.foundation import Foundation
from veinfit.surface import Surface

FARTHEST_MM = 40.0
"""A balloon is not backed off farther than this: about an atrium's depth."""

SEARCH_STEP_MM = 0.25
"""Step in which a place that presses least is sought where none is clear."""


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """The first place of a balloon.

    Attributes
    ----------
    centre : (3,) array
    backed_off_mm : float
        How far behind the nominal start, nose on the ostial plane.
    pressed_mm : float
        How deep the wall lies inside the balloon there; 0 where it is clear.
    """

    centre: FloatArray
    backed_off_mm: float
    pressed_mm: float


def find_start(foundation: Foundation, line: ApproachLine, lumen: Surface) -> Start:
    """Place a balloon with its nose on the ostial plane and back it off until it is clear.

    It is backed off along the shaft, no farther than the blood reaches. Where no
    place on the way is clear, it starts where it presses least.
    """
    radius = foundation.radius_mm
    nominal = line.origin - radius * line.direction
    blocked = _blocked(foundation, nominal, line.direction)
    first = _first_clear(blocked)
    if first == 0.0:
        return Start(nominal, 0.0, 0.0)
    room = min(FARTHEST_MM, _free_way(lumen, nominal, -line.direction))
    if first <= room:
        return Start(nominal - first * line.direction, first, 0.0)
    ways = np.arange(0.0, room + 0.5 * SEARCH_STEP_MM, SEARCH_STEP_MM)
    depths = [-foundation.least_gap(nominal - way * line.direction) for way in ways]
    best = int(np.argmin(depths))
    return Start(nominal - ways[best] * line.direction, float(ways[best]), float(depths[best]))


def _blocked(foundation: Foundation, centre: FloatArray, direction: FloatArray) -> FloatArray:
    """Ways back (N, 2), from and to, on which each vertex would lie inside the ball."""
    offset = foundation.points - centre
    along = offset @ direction
    across = np.einsum("ij,ij->i", offset, offset) - along**2
    half = foundation.radius_mm**2 - across
    inside = half > 0.0
    reach = np.sqrt(half[inside])
    return np.stack([-along[inside] - reach, -along[inside] + reach], axis=1)


def _first_clear(blocked: FloatArray) -> float:
    """Return the least way back, 0 or more, that no open interval contains."""
    way = 0.0
    for begin, end in blocked[np.argsort(blocked[:, 0])].tolist():
        if begin >= way:
            break
        way = max(way, end)
    return way


def _free_way(surface: Surface, origin: FloatArray, direction: FloatArray) -> float:
    """Distance, mm, from a point along a direction (3,) to the first face; inf where none.

    Moller T, Trumbore B, Fast, minimum storage ray-triangle intersection, J Graph
    Tools 1997;2:21-28.
    """
    a = surface.points[surface.faces[:, 0]]
    first = surface.points[surface.faces[:, 1]] - a
    second = surface.points[surface.faces[:, 2]] - a
    across = np.cross(direction, second)
    determinant = np.einsum("ij,ij->i", first, across)
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = origin - a
        u = np.einsum("ij,ij->i", offset, across) / determinant
        q = np.cross(offset, first)
        v = q @ direction / determinant
        way = np.einsum("ij,ij->i", second, q) / determinant
        hit = (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0) & (way > 0.0)
    return float(way[hit].min()) if hit.any() else math.inf
