"""Walking a branch from its end toward the body: sections and their centroids."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from veinfit.anatomy.branches.lumen import Lumen, Wall
from veinfit.surface.contours import centroid_and_area, section_around
from veinfit.surface.cuts import PlaneContour
from veinfit.vectors import FloatArray, lengths, unit

STATION_MM = 1.0
"""Distance between stations of the first walk along a branch."""

PATH_SMOOTHING_MM = 3.0
"""Standard deviation along the path that takes out the steps of the grid."""

WALL_REACH_MM = 32.0
"""Only wall within this distance of the path is cut: wider than any antrum."""

BLIND_END_SHARE = 0.7
"""A rounded end counts as tube from the section with this share of the typical area."""

ROUNDED_END_MM = 8.0
"""No end is rounded over more than this: narrower sections over a greater length are a branch's."""

SETTLED_GROWTH = 1.35
"""Sections have settled when they grow by less than this over two stations."""

WIDENING = 2.0
"""A section this many times larger than the tube's typical one belongs to the body."""

FUNNEL_AREA = 2.5
"""A funnel has entered the body when it is this many times its narrowest section ..."""

FUNNEL_SLOPE = 0.5
"""... and its diameter grows by this much a millimetre; veins taper far less."""

GOES_ON_MM = 10.0
WIDER_NO_MORE = 1.05
WIDEST_TUBE_MM2 = np.pi / 4.0 * 24.0**2
"""... unless over the second half of so much of its path its area grows by less than this: then it
was the swelling of a vein, which is no wider than the last where it swells."""

STAYS_SHARE = 1.3
VEIN_MM2 = np.pi / 4.0 * 16.0**2
"""Or unless farther on its area does not grow to so many times over as much of its path: what is
then no wider than the second is a vein, however thin the branch that came into it."""

LARGEST_STEP_MM = 5.0
"""Centroids of neighbouring stations of one tube lie closer than this."""

SQUARE_START_MM = 6.0
"""Over this length the walk turns from square to an opening into the path's own course."""

SQUARE_WITHIN_DEG = 35.0
"""... unless the opening is more oblique to it than this: its normal then tells nothing."""

OBLIQUE_END_MM = 10.0
"""The rim of an oblique end reaches no farther along the vein than this."""

END_OFFSET_MM = 0.3
"""The first section lies this far inside an opening."""

STRAIGHT_MM = 12.0
"""A stub is also walked straight in from its end over this length."""

NEARER_MM = 1.0
"""That walk counts where its first section lies this much nearer to the end."""

CENTRING_ROUNDS = 3
"""Rounds of moving the path onto section centroids; the change is then below 0.1 mm."""


@dataclass(frozen=True, slots=True, eq=False)
class Station:
    """A section at one point of a branch's path."""

    point: FloatArray
    tangent: FloatArray
    contour: PlaneContour
    centroid: FloatArray
    area_mm2: float
    touches_cap: bool


@dataclass(frozen=True, slots=True, eq=False)
class BranchSections:
    """The tubular part of a branch, from its distal end toward the body.

    Attributes
    ----------
    centres : (N, 3) array
        Section centroids from the distal end to the last section before the
        lumen widens into the body, smoothed, about ``STATION_MM`` apart.
    areas_mm2 : (N,) array
    length_mm : float
    wall : Wall
        The wall near the branch.
    path : (M, 3) array
        The whole path from the distal end to the body, smoothed.
    """

    centres: FloatArray
    areas_mm2: FloatArray
    length_mm: float
    wall: Wall
    path: FloatArray

    @property
    def is_longer_than_wide(self) -> bool:
        """Whether it is no stub: then its middles tell its direction."""
        return self.length_mm > float(np.sqrt(4.0 / np.pi * np.median(self.areas_mm2)))


def resample(points: FloatArray, step: float) -> FloatArray:
    """Return points ``step`` mm apart along a polyline, both ends kept."""
    s = arc_length(points)
    if s[-1] <= 0:
        return points[:1]
    count = max(int(np.ceil(s[-1] / step)), 1)
    at = np.linspace(0.0, s[-1], count + 1)
    return np.stack([np.interp(at, s, points[:, k]) for k in range(3)], axis=1)


def arc_length(points: FloatArray) -> FloatArray:
    """Return (N,) arc length from the first point of a polyline, mm."""
    s = np.zeros(len(points))
    np.cumsum(lengths(np.diff(points, axis=0)), out=s[1:])
    return s


def smooth(points: FloatArray, sigma_mm: float, step: float) -> FloatArray:
    """Smooth an evenly spaced polyline; its ends keep their place and direction."""
    if len(points) < 3:
        return points
    line = np.linspace(0, 1, len(points))[:, None] * (points[-1] - points[0]) + points[0]
    # What is left after taking off the chord is zero at both ends: odd reflection keeps it so.
    rest = points - line
    padded = np.concatenate([-rest[:0:-1], rest, -rest[-2::-1]])
    blurred = gaussian_filter1d(padded, sigma_mm / step, axis=0, mode="nearest")
    n = len(points)
    return line + blurred[n - 1 : 2 * n - 1]


def tangents(points: FloatArray) -> FloatArray:
    """Return (N, 3) unit tangents of a polyline by central differences."""
    return unit(np.gradient(points, axis=0))


def section_at(wall: Wall, point: FloatArray, tangent: FloatArray) -> Station | None:
    """Return the section around ``point`` perpendicular to ``tangent``, or None."""
    contour = section_around(wall.surface, point, tangent)
    if contour is None:
        return None
    centroid, area_mm2 = centroid_and_area(contour.points, tangent)
    return Station(
        point=point,
        tangent=tangent,
        contour=contour,
        centroid=centroid,
        area_mm2=area_mm2,
        touches_cap=bool(wall.is_cap[contour.faces].any()),
    )


def walk_tube(
    lumen: Lumen,
    path: FloatArray,
    end_normal: FloatArray | None = None,
    rounds: int = CENTRING_ROUNDS,
) -> BranchSections | None:
    """Walk a branch from its distal end toward the body.

    Parameters
    ----------
    lumen : Lumen
    path : (N, 3) array
        From the body's centre to the branch's end.
    end_normal : (3,) array, optional
        Outward normal of the opening at the end: the walk starts square to it, unless the
        opening is oblique to the path.
    rounds : int
        Rounds of moving the path onto section centroids. Where it ends in the
        middle of the lumen, as before a bifurcation, more than one would drift: a
        section that leans moves its centroid, and so leans more. So it does in a
        flare, and a tube wider than long is hardly more than that: walked from
        an end it gets one.

    Returns
    -------
    BranchSections or None
        None where no section of its own surrounds the path.
    """
    path = smooth(resample(path[::-1], STATION_MM), PATH_SMOOTHING_MM, STATION_MM)
    if end_normal is not None and _is_square(path, end_normal):
        path = _square_to_end(path, end_normal)
    wall = lumen.wall.near(path, WALL_REACH_MM)
    tube: BranchSections | None = None
    for _ in range(rounds):
        stations = _walk(wall, path)
        if len(stations) < 2:
            return tube
        centres = np.array([s.centroid for s in stations])
        centres = smooth(centres, PATH_SMOOTHING_MM, STATION_MM)
        areas = np.array([s.area_mm2 for s in stations])
        rest = path[_first_after(path, centres[-1]) :]
        path = np.concatenate([centres, rest])
        path = resample(path, STATION_MM)
        length = float(arc_length(centres)[-1])
        tube = BranchSections(centres, areas, length, wall, path)
        if end_normal is not None and not tube.is_longer_than_wide:
            break
    return tube


def walk_from_end(lumen: Lumen, path: FloatArray, end_normal: FloatArray) -> BranchSections | None:
    """Walk a branch from an opening or a flat end, whose middle is the last point of its path.

    Across a stub wider than long the path from the body runs aslant, and sections square to it
    touch the end until they lie in the atrium: such a stub is walked straight in too.

    Parameters
    ----------
    lumen : Lumen
    path : (N, 3) array
        From the body's centre to the middle of the end.
    end_normal : (3,) array
        Out of the lumen.

    Returns
    -------
    BranchSections or None
        None where no section of its own surrounds either path.
    """
    tube = walk_tube(lumen, path, end_normal)
    end = path[-1]
    if tube is not None and (tube.is_longer_than_wide or _away_mm(tube, end) < NEARER_MM):
        return tube
    in_mm = np.arange(STRAIGHT_MM, -0.5 * STATION_MM, -STATION_MM)[:, None]
    behind = path[lengths(path - end) > STRAIGHT_MM + STATION_MM]
    straight = walk_tube(lumen, np.concatenate([behind, end - in_mm * end_normal]), end_normal)
    if straight is None or tube is None:
        return straight or tube
    nearer = _away_mm(straight, end) < _away_mm(tube, end) - NEARER_MM
    return straight if nearer else tube


def _away_mm(tube: BranchSections, end: FloatArray) -> float:
    return float(np.linalg.norm(tube.centres[0] - end))


def _is_square(path: FloatArray, end_normal: FloatArray) -> bool:
    """Whether an opening is square enough to what a path runs along behind it."""
    behind = path[min(round(SQUARE_START_MM / STATION_MM), len(path) - 1)]
    return bool(unit(path[0] - behind) @ end_normal > np.cos(np.radians(SQUARE_WITHIN_DEG)))


def _square_to_end(path: FloatArray, end_normal: FloatArray) -> FloatArray:
    """Let a path leave an opening square to it, and blend into its own course."""
    s = arc_length(path)
    share = np.clip(1.0 - s / SQUARE_START_MM, 0.0, 1.0)[:, None]
    square = path[0] - s[:, None] * end_normal
    bent = share * square + (1.0 - share) * path
    first = path[0] - END_OFFSET_MM * end_normal
    return np.concatenate([first[None], bent[s > END_OFFSET_MM + 0.5]])


def _first_after(path: FloatArray, point: FloatArray) -> int:
    nearest = int(np.argmin(np.linalg.norm(path - point, axis=1)))
    return min(nearest + 3, len(path) - 1)


def _walk(wall: Wall, path: FloatArray) -> list[Station]:
    """Return stations from the distal end until the lumen widens into the body.

    A blind end grows from nothing: widening counts only once the sections have
    settled.
    """
    directions = tangents(path)
    stations: list[Station] = []
    before_cap: list[Station] = []
    settled: int | None = None
    for index, (point, tangent) in enumerate(zip(path, directions, strict=True)):
        station = section_at(wall, point, tangent)
        if station is None or station.touches_cap:
            oblique = station is not None and index * STATION_MM <= OBLIQUE_END_MM
            if settled is not None and not oblique:
                break
            # Of an oblique end the sections square to it lie before its rim's last corner.
            before_cap = max(before_cap, stations, key=len)
            stations, settled = [], None
            continue
        area = station.area_mm2
        if settled is not None:
            if np.linalg.norm(station.centroid - stations[-1].centroid) > LARGEST_STEP_MM:
                break
            if _enters_body(area, [s.area_mm2 for s in stations[settled:]]) and not _goes_on(
                wall, path[index:], directions[index:], area
            ):
                break
        stations.append(station)
        if settled is None and len(stations) >= 3 and area < SETTLED_GROWTH * stations[-3].area_mm2:
            settled = len(stations) - 1
    return _without_blind_end(max(stations, before_cap, key=len))


def _enters_body(area: float, before: list[float]) -> bool:
    """Whether a section is too wide, or widens too fast, to be the tube's."""
    if area > WIDENING * float(np.median(before[-8:])):
        return True
    if len(before) < 3 or area < FUNNEL_AREA * min(before):
        return False
    growth = 2.0 * (np.sqrt(area) - np.sqrt(before[-3])) / np.sqrt(np.pi)
    return bool(growth > FUNNEL_SLOPE * 3.0 * STATION_MM)


def _goes_on(wall: Wall, path: FloatArray, directions: FloatArray, area: float) -> bool:
    """Whether a tube that widens at the start of a path goes on from there as wide as it then is.

    So does a vein past an elbow, or past where a branch comes in; the atrium widens on.
    """
    steps = round(GOES_ON_MM / STATION_MM)
    if area > WIDEST_TUBE_MM2:
        return False
    areas: list[float] = []
    for point, tangent in zip(path[1 : 2 * steps + 1], directions[1:], strict=False):
        station = section_at(wall, point, tangent)
        if station is None or station.touches_cap:
            return False
        areas.append(station.area_mm2)
        if max(areas) > max(WIDENING * area, VEIN_MM2):
            return False
        last = areas[-steps:]
        if len(last) < steps:
            continue
        if max(last) < min(STAYS_SHARE * min(last), VEIN_MM2):
            return True
        swells = len(areas) == steps and max(areas) <= WIDENING * area
        if swells and areas[-1] < WIDER_NO_MORE * max(areas[: steps // 2]):
            return True
    return False


def _without_blind_end(stations: list[Station]) -> list[Station]:
    """Drop the first sections of a rounded end, which are still growing."""
    if len(stations) < 4:
        return stations
    areas = np.array([s.area_mm2 for s in stations])
    full = np.flatnonzero(areas >= BLIND_END_SHARE * np.median(areas))
    longest = round(ROUNDED_END_MM / STATION_MM)
    if full[0] > longest:
        full = np.flatnonzero(areas >= BLIND_END_SHARE * np.median(areas[:longest]))
    return stations[int(full[0]) :] if len(stations) - full[0] >= 2 else stations
