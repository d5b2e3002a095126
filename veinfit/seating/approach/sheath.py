"""The sheath from the septum to a vein: how nearly it can point along the vein's axis.

The sheath is two straight pieces with one bend: from the septal crossing to the
bend, and from the bend to the ostial centre, of which the last part, of a stated
length, is the straight one that the balloon needs.

Sheath and shaft are elastic: bent, they strive back toward the direction that they
would have without bending, and the more they are bent the farther they stay from the
vein's axis. That relaxed direction follows from a straight rod that the caval vein and
the septum hold in the direction in which it comes, and whose end is pushed to the
ostium: by small deflections of a beam held at one end its end then turns one and a half
times as far as the line from the septum to its end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.anatomy.model import Vein
from veinfit.seating.approach.rays import distance_back_mm, free_distance_mm
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, angle_deg, unit

STEP_DEG = 2.0
"""Misalignments are tried in steps of this, ..."""

FINE_DEG = 0.05
"""... and the least possible one is then found to this."""

END_TURN = 1.5
"""Turn of the end of a beam that is held at its other end and pushed aside at this one, over
that of the line between them: F L²/2EI against F L²/3EI."""

TESTS = ("room", "bend", "wall")
"""What a course is tested for, in this order."""

ROUNDING_DEG = 1e-6
"""An angle that exceeds its limit by this is rounded."""

CROSSING_SLACK_MM = 4.0
"""Wall this near to the crossing point, beyond the point's own distance from it, is the septum."""


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """One course of the sheath.

    Attributes
    ----------
    direction : (3,) array
        Of its straight end, toward the vein.
    misalignment_deg : float
        Angle between that and the vein's axis.
    bend_deg : float
        How far it has to bend.
    obstacle : {'', 'room', 'bend', 'wall'}
        What keeps the sheath from it.
    room_mm : float
        How far the blood reaches back from the ostium along the straight end.
    """

    direction: FloatArray
    misalignment_deg: float
    bend_deg: float
    obstacle: str
    room_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """The course nearest to the vein's axis, and what stands in the way of a nearer one.

    Attributes
    ----------
    course : Course
        Where nothing is possible, the one that fails last.
    reason : str
        Why no course is possible; empty where one is.
    limited_by : str
        What keeps it from the vein's axis: ``bend``, ``room``, ``wall``, ``spring``
        where the sheath springs back, or empty.
    """

    course: Course
    reason: str
    limited_by: str


def reach_of(
    lumen: Surface, vein: Vein, crossing: SeptalCrossing, settings: SeatingSettings
) -> Reach:
    """Find how nearly a sheath can point along a vein's axis.

    From where the sheath springs back to, courses are tried that lean more and more
    toward the relaxed direction, which needs no bend at all; the first that the
    sheath can take is the answer.

    Parameters
    ----------
    lumen : Surface
        Closed surface of the blood.
    vein : Vein
    crossing : SeptalCrossing
    settings : SeatingSettings
    """
    relaxed = relaxed_direction(vein, crossing)
    whole = float(angle_deg(vein.axis, relaxed))
    most = min(whole, settings.greatest_misalignment_deg)
    least = min(settings.sheath_springback * whole, most)

    def course(lean_deg: float) -> Course:
        share = lean_deg / whole if whole > 0.0 else 0.0
        return _course(lumen, vein, crossing, settings, _between(vein.axis, relaxed, share))

    leans = np.linspace(least, most, 1 + int(np.ceil((most - least) / STEP_DEG)))
    tried: list[Course] = []
    for lean in leans:
        tried.append(course(float(lean)))
        if not tried[-1].obstacle:
            break
    found = tried[-1]
    if found.obstacle:
        # What fails last says most: a course that only the wall stops has room and bends enough.
        late = max(tried, key=lambda course: TESTS.index(course.obstacle))
        return Reach(late, _why(late, tried, settings, whole), late.obstacle)
    if len(tried) == 1:
        return Reach(found, "", "spring" if least > 0.0 else "")
    fails, works = float(leans[len(tried) - 2]), float(leans[len(tried) - 1])
    limit = tried[-2].obstacle
    while works - fails > FINE_DEG:
        middle = course(0.5 * (fails + works))
        if middle.obstacle:
            fails, limit = 0.5 * (fails + works), middle.obstacle
        else:
            works, found = 0.5 * (fails + works), middle
    return Reach(found, "", limit)


def relaxed_direction(vein: Vein, crossing: SeptalCrossing) -> FloatArray:
    """Return the direction (3,) of the end of a sheath that is not bent to the vein."""
    chord = unit(vein.ostium.centre - crossing.point)
    return chord if crossing.entry is None else _between(crossing.entry, chord, END_TURN)


def _between(begin: FloatArray, end: FloatArray, share: float) -> FloatArray:
    """Turn from one direction by a share of the angle toward another, about both."""
    across = end - (end @ begin) * begin
    length = float(np.linalg.norm(across))
    if length == 0.0:
        return begin
    angle = share * np.radians(float(angle_deg(begin, end)))
    return np.asarray(np.cos(angle) * begin + np.sin(angle) * across / length)


def _course(
    lumen: Surface,
    vein: Vein,
    crossing: SeptalCrossing,
    settings: SeatingSettings,
    direction: FloatArray,
) -> Course:
    ostium = vein.ostium.centre
    bend_at = ostium - settings.sheath_straight_mm * direction
    course = bend_at - crossing.point
    length = float(np.linalg.norm(course))
    bend = float(angle_deg(course, direction)) if length > 0.0 else 0.0
    obstacle = ""
    room = distance_back_mm(lumen, ostium, direction)
    if room < settings.sheath_straight_mm:
        obstacle = "room"
    elif bend > settings.sheath_bend_deg + ROUNDING_DEG:
        obstacle = "bend"
    elif length > 0.0:
        clear = free_distance_mm(lumen, bend_at, -course / length)
        if clear < length - crossing.off_wall_mm - CROSSING_SLACK_MM:
            obstacle = "wall"
    return Course(direction, float(angle_deg(direction, vein.axis)), bend, obstacle, float(room))


def _why(late: Course, tried: list[Course], settings: SeatingSettings, whole_deg: float) -> str:
    if late.obstacle == "bend":
        least = min(course.bend_deg for course in tried)
        leaning = min(whole_deg, settings.greatest_misalignment_deg)
        return (
            f"bend: to point within {leaning:.0f} degrees of the vein's axis the sheath would "
            f"have to bend {least:.0f} degrees; it bends {settings.sheath_bend_deg:g} at most"
        )
    if late.obstacle == "room":
        most = max(course.room_mm for course in tried if course.obstacle == "room")
        return (
            f"room: the straight end of the sheath needs {settings.sheath_straight_mm:g} mm before "
            f"the ostium, and the atrium has {most:.0f} mm there"
        )
    return "wall in the way: every course from the septum to the ostium runs into the wall"
