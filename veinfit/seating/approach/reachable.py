"""Where before a vein a sheath can point: directions around the vein's axis, by tilt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.frames import clock_direction
from veinfit.seating.approach.line import ApproachLine
from veinfit.seating.approach.rays import distance_back_mm, free_distance_mm
from veinfit.seating.approach.sheath import CROSSING_SLACK_MM
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.surface import Surface
from veinfit.vectors import BoolArray, FloatArray, angle_deg, unit

HOURS = tuple(range(12))
"""Directions around the clock: every 30 degrees."""

STEP_WITHOUT_MAP_DEG = 10.0
"""Step of the tilts that are asked whether a sheath reaches them, where no aim map tells one."""

TURNS_BACK = 6
"""An aim out of reach is turned halfway back toward the approach at most so often."""


@dataclass(frozen=True, slots=True, eq=False)
class Directions:
    """Directions of the shaft about a vein's axis, and which of them a sheath reaches.

    Attributes
    ----------
    axis : (3,) array
    hour : (N,) array
        Where the nose points on the clock; NaN straight along the axis, the first.
    tilt_deg : (N,) array
        From the axis.
    direction : (N, 3) array
        Unit vectors.
    reached : (N,) bool array
    home : (3,) array
        The direction of the approach itself.
    """

    axis: FloatArray
    hour: FloatArray
    tilt_deg: FloatArray
    direction: FloatArray
    reached: BoolArray
    home: FloatArray

    def limit(self, aim: FloatArray) -> FloatArray:
        """Turn aims (N, 3) back toward the approach until the sheath reaches them.

        Parameters
        ----------
        aim : (N, 3) array
            Unit vectors.

        Returns
        -------
        (N, 3) array
            Unit vectors.
        """
        if self.reached.all():
            return aim
        result = aim.copy()
        for _ in range(TURNS_BACK):
            nearest = np.argmax(result @ self.direction.T, axis=1)
            far = ~self.reached[nearest]
            if not far.any():
                return result
            back = result[far] + self.home
            result[far] = back / np.linalg.norm(back, axis=1)[:, None]
        nearest = np.argmax(result @ self.direction.T, axis=1)
        result[~self.reached[nearest]] = self.home
        return result


def directions_about(
    anatomy: Anatomy,
    vein: Vein,
    line: ApproachLine,
    settings: SeatingSettings,
    margin: MarginSettings,
) -> Directions:
    """Lay out directions around a vein's axis and tell which of them the sheath reaches.

    Without a septal crossing, on the coaxial approach, all are.

    Parameters
    ----------
    anatomy : Anatomy
    vein : Vein
    line : ApproachLine
    settings : SeatingSettings
    margin : MarginSettings
        How far apart and how far from the axis directions lie.

    Returns
    -------
    Directions
    """
    step = margin.aim_tilt_step_deg or STEP_WITHOUT_MAP_DEG
    tilts = np.arange(step, margin.greatest_aim_tilt_deg + 1e-9, step)
    hour, tilt, direction = [np.nan], [0.0], [vein.axis]
    for one in tilts:
        for hours in HOURS:
            angle = np.radians(one)
            aside = clock_direction(float(hours), vein.axis)
            hour.append(float(hours))
            tilt.append(float(one))
            direction.append(unit(np.cos(angle) * vein.axis + np.sin(angle) * aside))
    directions = np.array(direction)
    reached = np.ones(len(directions), dtype=bool)
    if line.crossing is not None:
        reached = _reached(anatomy.lumen, vein, line, directions, settings)
    return Directions(
        vein.axis, np.array(hour), np.array(tilt), directions, reached, line.direction
    )


def _reached(
    lumen: Surface,
    vein: Vein,
    line: ApproachLine,
    directions: FloatArray,
    settings: SeatingSettings,
) -> BoolArray:
    """Which directions leave room for the straight end, and a course within the bend."""
    crossing = line.crossing
    assert crossing is not None
    ostium, straight = vein.ostium.centre, settings.sheath_straight_mm
    bends = ostium - straight * directions
    result = np.zeros(len(directions), dtype=bool)
    for number, (direction, bend_at) in enumerate(zip(directions, bends, strict=True)):
        if angle_deg(direction, vein.axis) > settings.greatest_misalignment_deg:
            continue
        room = distance_back_mm(lumen, ostium, direction)
        onward = bend_at - crossing.point
        length = float(np.linalg.norm(onward))
        bent = float(angle_deg(onward, direction)) if length > 0.0 else 0.0
        if room < straight or bent > settings.sheath_bend_deg:
            continue
        clear = free_distance_mm(lumen, bend_at, -onward / length) if length > 0.0 else np.inf
        result[number] = clear >= length - crossing.off_wall_mm - CROSSING_SLACK_MM
    return result
