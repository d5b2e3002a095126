"""Where a balloon starts: before the ostium, clear of the wall where it can be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.frames import FloatArray
from veinfit.seating.approach import ApproachLine
from veinfit.seating.equilibrium import Energy, descend
from veinfit.seating.foundation import Foundation
from veinfit.seating.guide import straight
from veinfit.seating.rays import way_back_mm
from veinfit.surface import Surface

FARTHEST_MM = 40.0
"""A balloon is not backed off farther than this: about an atrium's depth."""

SEARCH_STEP_MM = 0.5
"""Step in which a place that presses least is sought where none is clear."""

CLEAR_MM = 0.05
"""A balloon that the walls have pushed off counts as clear when they press it less deep."""


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """The first place of a balloon.

    Attributes
    ----------
    centre : (3,) array
    backed_off_mm : float
        How far behind the nominal start along the shaft.
    beside_mm : float
        How far from the shaft line the walls have pushed it.
    pressed_mm : float
        How deep the wall lies inside the balloon there; 0 where it is clear.
    """

    centre: FloatArray
    backed_off_mm: float
    beside_mm: float
    pressed_mm: float


def shaft_way_mm(lumen: Surface, line: ApproachLine) -> float:
    """How far the blood reaches back from the ostium along a shaft, mm; inf if without end."""
    return way_back_mm(lumen, line.origin, line.direction)


def nominal_back_mm(way_mm: float, nose_mm: float) -> float:
    """How far before the ostium a balloon's centre is to start, mm.

    As far as its nose: the nose on the ostial plane. Where the shaft meets a wall before
    that, the middle of the way to it, so that the centre is in the blood.
    """
    return min(nose_mm, 0.5 * way_mm)


def find_start(foundation: Foundation, line: ApproachLine, way_mm: float) -> Start:
    """Place a balloon before the ostium and back it off until it is clear of the wall.

    It is backed off along the shaft, no farther than the blood reaches. Where no
    place on the way is clear the walls push it, from the nominal start or else
    from where it presses least, to where they press it least.

    Parameters
    ----------
    foundation : Foundation
    line : ApproachLine
    way_mm : float
        How far the blood reaches back from the ostium along the shaft.
    """
    back_mm = nominal_back_mm(way_mm, foundation.nose_mm)
    nominal = line.origin - back_mm * line.direction
    room = min(FARTHEST_MM, way_mm - back_mm)
    way = _first_clear(foundation.blocked(nominal, -line.direction))
    if way <= room:
        return Start(nominal - way * line.direction, way, 0.0, 0.0)
    near = _pushed_off(foundation, nominal)
    start = _start_at(foundation, line, near, back_mm)
    if start.pressed_mm == 0.0:
        return start
    ways = np.arange(0.0, room + 0.5 * SEARCH_STEP_MM, SEARCH_STEP_MM)
    gaps = [foundation.least_gap(nominal - way * line.direction) for way in ways]
    far = _pushed_off(foundation, nominal - ways[int(np.argmax(gaps))] * line.direction)
    other = _start_at(foundation, line, far, back_mm)
    return min(start, other, key=lambda place: place.pressed_mm)


def _start_at(
    foundation: Foundation, line: ApproachLine, centre: FloatArray, back_mm: float
) -> Start:
    pressed = -foundation.least_gap(centre)
    offset = centre - line.origin
    along = float(offset @ line.direction)
    beside = float(np.linalg.norm(offset - along * line.direction))
    return Start(centre, -along - back_mm, beside, pressed if pressed > CLEAR_MM else 0.0)


def _pushed_off(foundation: Foundation, centre: FloatArray) -> FloatArray:
    """Follow a balloon that only the walls push until it is clear or they balance."""
    none = straight(centre, np.array([0.0, 0.0, 1.0]))
    walls = Energy(foundation, 0.0, np.zeros(3), centre, none, 0.0, none, 0.0)

    def clear(place: FloatArray) -> bool:
        return foundation.least_gap(place) >= -CLEAR_MM

    return descend(walls, centre, clear).centre


def _first_clear(blocked: FloatArray) -> float:
    """Return the least way, 0 or more, that no open interval (N, 2) contains."""
    begin, end = blocked[np.argsort(blocked[:, 0])].T
    reached = np.maximum.accumulate(np.r_[0.0, end])
    clear = np.flatnonzero(np.r_[begin, np.inf] >= reached)
    return float(reached[clear[0]])
