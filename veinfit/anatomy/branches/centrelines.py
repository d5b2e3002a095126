"""The centreline of a vein from its ostium to its end, and the sections along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.branches.branch_sections import (
    BranchSections,
    arc_length,
    resample,
    section_at,
    smooth,
    tangents,
)
from veinfit.anatomy.branches.lumen import Wall
from veinfit.anatomy.branches.model import Bifurcation
from veinfit.anatomy.model import Centreline, Contour, Ostium, Section
from veinfit.surface.contours import measure_contour, passes
from veinfit.vectors import FloatArray, unit

CARINA_MARGIN_MM = 0.5
"""Sections of a trunk keep this far from the carina."""

STEP_MM = 0.5
"""Spacing of the centreline's points."""

SMOOTHING_MM = 2.0
"""Standard deviation along the curve that takes out the noise of single centroids."""

ROUNDS = 3
"""Rounds of moving the curve onto section centroids."""

WIDEST_SHARE = 1.6
"""A section this many times the ostium's area has left the vein."""

LEAST_CLEAR = 3
"""From so many sections that lie clear of the ostium on, they alone guide the curve: those that
reach through it into the flare lean the next round's over, which then lean farther."""

ALONE_MM = 0.3
"""A curve shorter than this is a point."""


BESIDE_MM = 5.0
"""The wall of a vein lies no farther from its middle than its ostium is wide and this."""


@dataclass(frozen=True, slots=True, eq=False)
class VeinCourse:
    """The curve of a vein and its sections, ostium first."""

    centreline: Centreline
    sections: tuple[Section, ...]


def wall_beside(tube: BranchSections, ostium: Ostium) -> Wall:
    """Return the part of a tube's wall that sections of the vein can hold."""
    near = np.concatenate([tube.centres, ostium.contour.points])
    return tube.wall.near(near, ostium.measures.d_max_mm + BESIDE_MM)


def follow_vein(
    wall: Wall,
    ostium: Ostium,
    centres: FloatArray,
    end: FloatArray | None,
    section_step_mm: float,
    rounds: int = ROUNDS,
) -> VeinCourse:
    """Run a curve through the section centroids from the ostium outward.

    Parameters
    ----------
    wall : Wall
        The wall near the vein.
    ostium : Ostium
    centres : (N, 3) array
        First centroids from the distal end toward the body.
    end : (3,) array or None
        The middle of the cut end, where the curve stops; None for a blind end.
    section_step_mm : float
    rounds : int
        Rounds of moving the curve onto section centroids; none where it ends in
        the middle of the lumen, as before a bifurcation, where leaning sections would
        lead it astray.
    """
    curve = _first_curve(ostium, centres, end)
    for _ in range(rounds):
        if arc_length(curve)[-1] < ALONE_MM:
            break
        stations = resample(curve, section_step_mm)
        directions = tangents(stations) if len(stations) > 1 else ostium.normal[None]
        middles, clear = [], []
        for point, tangent in zip(stations[1:], directions[1:], strict=True):
            station = section_at(wall, point, tangent)
            if station is None or station.touches_cap:
                continue
            if station.area_mm2 > WIDEST_SHARE * ostium.measures.area_mm2:
                continue
            middles.append(station.centroid)
            past = (station.contour.points - ostium.centre) @ ostium.normal
            clear.append(bool(past.min() > 0.0))
        if sum(clear) >= LEAST_CLEAR:
            middles = [m for m, is_clear in zip(middles, clear, strict=True) if is_clear]
        last = [] if end is None else [end]
        curve = _in_order(np.array([ostium.centre, *middles, *last]), ostium.normal)
        curve = smooth(resample(curve, STEP_MM), SMOOTHING_MM, STEP_MM)
    s = arc_length(curve)
    line = Centreline(curve, s)
    return VeinCourse(line, _sections(wall, ostium, line, section_step_mm))


def continue_into_branch(
    course: VeinCourse,
    wall: Wall,
    ostium: Ostium,
    centres: FloatArray,
    end: FloatArray | None,
    section_step_mm: float,
) -> VeinCourse:
    """Carry the course of a trunk on into one of its branches.

    The trunk's part stays as it is: smoothed across the bifurcation, its sections
    would lean toward the branch.

    Parameters
    ----------
    course : VeinCourse
        Of the trunk, up to where its branches part.
    wall, ostium, end, section_step_mm
        As in :func:`follow_vein`.
    centres : (N, 3) array
        Centroids of the branch beyond the bifurcation, from its distal end toward it.
    """
    trunk = course.centreline
    points = [trunk.points[-1:], centres[::-1]]
    if end is not None:
        points.append(end[None])
    branch = _in_order(np.concatenate(points), unit(trunk.points[-1] - trunk.points[-2]))
    branch = smooth(resample(branch, STEP_MM), SMOOTHING_MM, STEP_MM)
    s = trunk.s_mm[-1] + arc_length(branch)
    beyond = _sections(wall, ostium, Centreline(branch, s), section_step_mm)
    line = Centreline(
        np.concatenate([trunk.points, branch[1:]]), np.concatenate([trunk.s_mm, s[1:]])
    )
    return VeinCourse(line, (*course.sections, *beyond[1:]))


def _first_curve(ostium: Ostium, centres: FloatArray, end: FloatArray | None) -> FloatArray:
    distal = centres[(centres - ostium.centre) @ ostium.normal > STEP_MM][::-1]
    points = [ostium.centre[None], distal]
    if end is not None and (not len(distal) or np.linalg.norm(end - distal[-1]) > STEP_MM):
        points.append(end[None])
    curve = np.concatenate(points)
    if len(curve) < 2:
        return np.stack([ostium.centre, ostium.centre + ALONE_MM * 0.5 * ostium.normal])
    return resample(_in_order(curve, ostium.normal), STEP_MM)


def _in_order(points: FloatArray, forward: FloatArray) -> FloatArray:
    """Drop points that step backward along the curve."""
    kept = [points[0]]
    direction = forward
    for point in points[1:]:
        step = point - kept[-1]
        length = float(np.linalg.norm(step))
        if length > 1e-6 and step @ direction > 0:
            direction = unit(0.5 * direction + 0.5 * step / length)
            kept.append(point)
    if len(kept) == 1:
        kept.append(points[0] + ALONE_MM * 0.5 * forward)
    return np.array(kept)


def _sections(wall: Wall, ostium: Ostium, line: Centreline, step: float) -> tuple[Section, ...]:
    """Sections every ``step`` along the curve that are the vein's alone and whole."""
    first, last = float(line.s_mm[0]), float(line.s_mm[-1])
    count = max(int(np.ceil((last - first) / step)), 1) if last - first > ALONE_MM else 0
    found: list[Section] = []
    directions = tangents(line.points)
    for s in np.linspace(first, last, count + 1):
        point = np.array([np.interp(s, line.s_mm, line.points[:, k]) for k in range(3)])
        tangent = unit(np.array([np.interp(s, line.s_mm, directions[:, k]) for k in range(3)]))
        station = section_at(wall, point, tangent)
        if station is None or station.touches_cap:
            continue
        if station.area_mm2 > WIDEST_SHARE * ostium.measures.area_mm2:
            continue
        found.append(
            Section(
                float(s),
                station.centroid,
                tangent,
                Contour(station.contour.points),
                measure_contour(station.contour.points, tangent),
            )
        )
    return tuple(found)


def trunk_sections(
    wall: Wall,
    ostium: Ostium,
    bifurcation: Bifurcation,
    length_mm: float,
    paths: Sequence[FloatArray],
) -> tuple[Section, ...]:
    """Return the sections of a trunk that its axis is fitted to, all square to one line.

    Square to a curve through their centroids, sections near the bifurcation lean toward the
    wider branch, which draws the centroids farther to it, and so on; a straight line toward
    the bifurcation holds them.

    Parameters
    ----------
    wall : Wall
    ostium : Ostium
    bifurcation : Bifurcation
    length_mm : float
        Of the trunk.
    paths : sequence of (N, 3) array
        Of its branches: each section holds them all.
    """
    direction = bifurcation.direction_from(ostium.centre, ostium.normal)
    found: list[Section] = []
    for s in np.arange(0.0, length_mm - CARINA_MARGIN_MM + 1e-9, STEP_MM):
        point = ostium.centre + s * direction
        station = section_at(wall, point, direction)
        if station is None or station.touches_cap:
            continue
        contour = station.contour.points
        if all(passes(path, contour, point, direction) for path in paths):
            found.append(
                Section(
                    float(s),
                    station.centroid,
                    direction,
                    Contour(contour),
                    measure_contour(contour, direction),
                )
            )
    return tuple(found)
