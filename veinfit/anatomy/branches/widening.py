"""Where a vein widens into the atrium, read off parallel sections from its end inward.

The sections stand square to one direction. Their diameter tells the mean turn of the wall around
the vein, so that no single direction decides: it serves where the wall turns in too few of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from veinfit.anatomy.branches.lumen import Wall
from veinfit.surface.contours import centroid_and_area, passes, section_around
from veinfit.surface.cuts import PlaneContour
from veinfit.vectors import FloatArray, unit

STEP_MM = 0.5
"""Spacing of the sections."""

REACH_MM = 35.0
"""The walk goes so far at most: past the longest stub."""

COURSE_MM = 8.0
"""The direction of the next section is that of the middles over so much of the vein."""

RAGGED_MM = 6.0
"""Over this length from its end a vein may have no section of its own: its rim is oblique."""

HALF_SPAN = 3
"""A course has at each of its points the direction from so many before it to so many after it."""

JUMP_MM = 2.0
"""Where the diameter grows by more than this from one section to the next, the section has opened
into the atrium or a neighbour ..."""

ASIDE_MM = 2.5
"""... as where its middle moves aside by more than this."""

WIDEST_SHARE = 2.2
"""A section this many times as wide as the narrow ones lies in the atrium."""

ROUNDED_SHARE = 0.8
"""Sections at a rounded end, smaller than this share of the median over ``RAGGED_MM``, are none of
the narrow ones."""

SMOOTHING_MM = 1.0
"""Standard deviation of the smoothing of the diameters."""

PARTED_DEG = 60.0
"""The mean turn of a wall that opens at once."""

LEAST_TURN_DEG = 8.0
"""Sections that widen by less than this more than the vein show no ostium."""

LEANING_WALKS = 6
LEANING_DEG = (6.0, 15.0)
LEANING_DEG_BY_WIDTH = 10.0
"""So many walks lean all around from a vein's direction at its end, as far as that is uncertain: by
the last times the vein's width over its length, between the two."""

NARROWS_AGAIN = 0.92
"""What narrows to this share of its greatest width on the way to the atrium was no ostium where it
widened before: a branch comes in there."""

BEFORE_MM = 8.0
"""The vein's own widening is the least over so much of it before the greatest."""


@dataclass(frozen=True, slots=True, eq=False)
class Widening:
    """Sections of a vein from its end toward the atrium, up to the last that is its own.

    Attributes
    ----------
    axes, centres : (N, 3) array
        Directions into the vein to which the sections are square, and their middles.
    diameters_mm : (N,) array
    contours : sequence of PlaneContour
    parted : bool
        The walk ended where the vein parts from the atrium or a neighbour, and not just because it
        had grown too wide or long.
    """

    axes: FloatArray
    centres: FloatArray
    diameters_mm: FloatArray
    contours: Sequence[PlaneContour]
    parted: bool

    @property
    def length_mm(self) -> float:
        """Length of the vein from the first section to the last."""
        return STEP_MM * (len(self.centres) - 1)

    def past(self, index: int) -> Widening:
        """Return the sections from one on, toward the atrium."""
        return Widening(
            self.axes[index:],
            self.centres[index:],
            self.diameters_mm[index:],
            self.contours[index:],
            self.parted,
        )

    def waist_index(self) -> int | None:
        """Index of the narrowest section past the last place where it was clearly wider before."""
        wide = np.maximum.accumulate(self.diameters_mm)
        again = np.flatnonzero(self.diameters_mm < NARROWS_AGAIN * wide)
        if not len(again):
            return None
        widest = int(np.argmax(self.diameters_mm[: again[-1]]))
        return widest + int(np.argmin(self.diameters_mm[widest:]))

    def gradient_index(self) -> int | None:
        """Index of the section where the widening is midway between the vein's and its greatest.

        None where it grows too little, or the vein parts before it is midway.
        """
        start = self.waist_index() or 0
        if len(self.diameters_mm) - start < 4:
            return None
        even = gaussian_filter1d(self.diameters_mm, SMOOTHING_MM / STEP_MM, mode="nearest")[start:]
        turn = np.degrees(np.arctan(0.5 * np.gradient(even, STEP_MM)))
        peak = len(turn) - 1 - int(np.argmax(turn[::-1]))
        before = max(peak - round(BEFORE_MM / STEP_MM), 0)
        own = before + int(np.argmin(turn[before : peak + 1]))
        greatest = max(float(turn[peak]), PARTED_DEG) if self.parted else float(turn[peak])
        if greatest - turn[own] < LEAST_TURN_DEG:
            return None
        wide = np.flatnonzero(turn[own : peak + 1] >= 0.5 * (turn[own] + greatest))
        return start + own + int(wide[0]) if len(wide) else None


def leaning(
    wall: Wall,
    end: FloatArray,
    axis: FloatArray,
    rivals: Sequence[FloatArray],
    course: FloatArray | None = None,
    first: Widening | None = None,
) -> list[Widening]:
    """Walk about directions that lean all around from ``axis``; parameters as of ``widening``.

    ``first`` is the walk about the axis itself where it is known already.
    """
    first = first or widening(wall, end, axis, rivals, course)
    if first is None:
        return []
    slender = first.length_mm / float(np.median(first.diameters_mm))
    lean_deg = np.clip(LEANING_DEG_BY_WIDTH / max(slender, 0.1), *LEANING_DEG)
    lean = np.tan(np.radians(lean_deg))
    e1, e2 = wall.basis_across(axis, end)
    around = 2.0 * np.pi * np.arange(LEANING_WALKS) / LEANING_WALKS
    axes = [unit(axis + lean * (np.cos(angle) * e1 + np.sin(angle) * e2)) for angle in around]
    walks = [widening(wall, end, leant, rivals, course) for leant in axes]
    return [first, *(walked for walked in walks if walked is not None)]


def widening(
    wall: Wall,
    end: FloatArray,
    axis: FloatArray,
    rivals: Sequence[FloatArray],
    course: FloatArray | None = None,
) -> Widening | None:
    """Walk from the end of a vein toward the atrium as far as its sections are its own.

    Parameters
    ----------
    wall : Wall
        The wall near the vein.
    end : (3,) array
        The middle of its end.
    axis : (3,) array
        Into the vein, at its end; farther on the sections are square to their middles' course.
    rivals : sequence of (N, 3) array
        Paths from the body out into other veins: none passes through a section of this one.
    course : (N, 3) array, optional
        Middles of a vein that bends near its end, about 1 mm apart from there inward: the direction
        turns as they do.

    Returns
    -------
    Widening or None
        None where the vein has no section of its own.
    """
    axes: list[FloatArray] = []
    centres: list[FloatArray] = []
    diameters: list[float] = []
    contours: list[PlaneContour] = []
    parted = False
    at_cap: tuple[PlaneContour, FloatArray] | None = None
    point, first = np.asarray(end), axis
    for step in range(round(REACH_MM / STEP_MM)):
        point = point - STEP_MM * axis
        contour = section_around(wall.surface, point, axis)
        if contour is None or wall.is_cap[contour.faces].any():
            if centres:
                parted = True
                break
            if contour is not None and at_cap is None:
                at_cap = contour, point
            if step * STEP_MM > RAGGED_MM:
                break
            continue
        middle, d = _middle_and_diameter(contour, axis)
        passed = any(passes(path, contour.points, point, axis) for path in rivals)
        if passed or (
            diameters and (d - diameters[-1] > JUMP_MM or np.linalg.norm(middle - point) > ASIDE_MM)
        ):
            parted = True
            break
        if diameters and d > WIDEST_SHARE * _narrowest_mm(diameters):
            break
        axes.append(axis)
        centres.append(middle)
        diameters.append(d)
        contours.append(contour)
        point = middle
        if course is not None:
            axis = _turned_along(course, middle, first)
        elif len(centres) > COURSE_MM / STEP_MM:
            axis = unit(centres[-1 - round(COURSE_MM / STEP_MM)] - middle)
    if not centres and at_cap is not None:
        # Cut so near to where it parts that no section is whole: the first one stands in.
        contour, point = at_cap
        if not any(passes(path, contour.points, point, axis) for path in rivals):
            centres, axes, contours, parted = [point], [axis], [contour], True
            diameters = [_middle_and_diameter(contour, axis)[1]]
    if not centres:
        return None
    return Widening(np.array(axes), np.array(centres), np.array(diameters), contours, parted)


def _turned_along(course: FloatArray, point: FloatArray, axis: FloatArray) -> FloatArray:
    """Return a direction at the first point of a course as it turns on the way to ``point``."""
    nearest = int(np.argmin(np.linalg.norm(course - point, axis=1)))
    here = direction_at(course, nearest)
    turn, _ = Rotation.align_vectors(here[None], direction_at(course, 0)[None])
    return turn.apply(axis)


def direction_at(course: FloatArray, index: int) -> FloatArray:
    """Return the direction (3,) of a course (N, 3) at one of its points, toward its start."""
    first = max(index - HALF_SPAN, 0)
    return unit(course[first] - course[min(first + 2 * HALF_SPAN, len(course) - 1)])


def _narrowest_mm(diameters: Sequence[float]) -> float:
    """Return the least of some diameters from the end on, but for those of a rounded end."""
    first = float(np.median(diameters[: round(RAGGED_MM / STEP_MM)]))
    return min(d for d in diameters if d >= ROUNDED_SHARE * first)


def _middle_and_diameter(contour: PlaneContour, axis: FloatArray) -> tuple[FloatArray, float]:
    middle, area_mm2 = centroid_and_area(contour.points, axis)
    return middle, float(np.sqrt(4.0 * area_mm2 / np.pi))
