"""The seal read around the clock, along the meridians of the wall about a vein's axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.frames import clock_direction, side_words
from veinfit.seating.balloon import Balloon
from veinfit.seating.kinds import Approach
from veinfit.seating.model import ClockReading
from veinfit.seating.patch import WallPatch
from veinfit.seating.seal.gap import GapField
from veinfit.surface.mesh import any_corner, edges
from veinfit.vectors import BoolArray, FloatArray, IntArray, dots

MERIDIANS = 240
"""Half planes about the axis, 1.5 degrees apart: 0.2 mm on a vein of 17 mm."""

CLOSE_MM = 3.0
"""Wall is looked at first that is no farther than this beyond contact."""

READ_EVERY = 5
"""Every fifth meridian, each quarter of an hour, becomes a reading."""


@dataclass(frozen=True, slots=True, eq=False)
class Meridians:
    """Where half planes about a vein's axis cross the wall around its ostium.

    The first half plane is at twelve o'clock; they run clockwise.

    Attributes
    ----------
    edge : (N, 2) array
        Vertices of the edge that each crossing lies on.
    share : (N,) array
        How far along the edge, 0 to 1.
    meridian : (N,) array
        The half plane of each crossing.
    segment : (S, 2) array
        Pairs of crossings that a half plane's path through a face joins.
    position : (N, 3) array
        mm.
    """

    edge: IntArray
    share: FloatArray
    meridian: IntArray
    segment: IntArray
    position: FloatArray

    def at(self, values: FloatArray) -> FloatArray:
        """Interpolate values (V,) of the vertices at the crossings (N,); inf beside an inf."""
        a, b = values[self.edge[:, 0]], values[self.edge[:, 1]]
        finite = np.isfinite(a) & np.isfinite(b)
        a, b = np.where(finite, a, np.inf), np.where(finite, b, a)
        return a + self.share * np.subtract(b, a, out=np.zeros_like(a), where=finite)


def meridian_hours() -> FloatArray:
    """Clock positions (M,) of all meridians."""
    return np.linspace(0.0, 12.0, MERIDIANS, endpoint=False)


def meridians(patch: WallPatch, among: BoolArray | None = None) -> Meridians:
    """Cut the wall around a vein's ostium along its meridians.

    Parameters
    ----------
    patch : WallPatch
    among : (F,) array, optional
        The faces to cut; all near the ostium where None.
    """
    surface = patch.surface
    twelve = clock_direction(0.0, patch.axis)
    three = clock_direction(3.0, patch.axis)
    pairs, face_edges, _ = edges(surface)
    face_edges = face_edges[patch.near if among is None else among]
    used = np.zeros(len(pairs), dtype=bool)
    used[face_edges] = True
    edge_index = np.flatnonzero(used)
    ends = pairs[edge_index]
    cut = np.zeros(len(surface.points), dtype=bool)
    cut[ends] = True
    vertices = np.flatnonzero(cut)
    offset = np.empty_like(surface.points)
    offset[vertices] = own = surface.points[vertices] - patch.centre
    step = 2.0 * np.pi / MERIDIANS
    # The next half plane from each vertex on: an edge crosses those between its ends', and
    # whatever the rounding, each half plane crosses two edges of a face or none.
    following = np.zeros(len(surface.points), dtype=np.int64)
    following[vertices] = np.ceil(np.arctan2(own @ three, own @ twelve) / step).astype(np.int64)
    begin, end = following[ends].T
    turn = np.mod(end - begin + MERIDIANS // 2, MERIDIANS) - MERIDIANS // 2
    first, number = np.minimum(begin, begin + turn), np.abs(turn)
    row = np.repeat(np.arange(len(edge_index)), number)
    before = np.repeat(np.cumsum(number) - number, number)
    plane = first[row] + np.arange(len(row)) - before
    meridian = np.mod(plane, MERIDIANS)
    across = plane * step + 0.5 * np.pi
    side = np.cos(across)[:, None] * twelve + np.sin(across)[:, None] * three
    edge = ends[row]
    a = dots(offset.take(edge[:, 0], axis=0), side)
    b = dots(offset.take(edge[:, 1], axis=0), side)
    share = np.clip(np.divide(a, a - b, out=np.zeros_like(a), where=a != b), 0.0, 1.0)
    first = surface.points.take(edge[:, 0], axis=0)
    position = first + share[:, None] * (surface.points.take(edge[:, 1], axis=0) - first)
    segment = _segments(face_edges, edge_index[row], meridian, len(pairs))
    return Meridians(edge, share, meridian, segment, position)


def _segments(
    face_edges: IntArray, crossing_edge: IntArray, meridian: IntArray, edge_count: int
) -> IntArray:
    """Pair the two crossings of each half plane with each face."""
    # Crossings are grouped by edge: those of one edge are consecutive.
    count = np.bincount(crossing_edge, minlength=edge_count)
    offset = np.cumsum(count) - count
    flat = face_edges.ravel()
    number = count[flat]
    face = np.repeat(np.arange(len(flat)) // 3, number)
    within = np.arange(int(number.sum())) - np.repeat(np.cumsum(number) - number, number)
    crossing = np.repeat(offset[flat], number) + within
    # Faces rise already: sorting what is nearly sorted is quick.
    order = np.argsort(face * MERIDIANS + meridian[crossing], kind="stable")
    face, crossing = face[order], crossing[order]
    same = (face[1:] == face[:-1]) & (meridian[crossing[1:]] == meridian[crossing[:-1]])
    index = np.flatnonzero(same)
    return np.stack([crossing[index], crossing[index + 1]], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class ClockSeal:
    """Gap, contact and sealing line on every meridian (M,); NaN where there is none.

    Attributes
    ----------
    least_gap_mm : (M,) array
        inf where a meridian meets no wall that the balloon can press.
    ring_polar_deg : (M,) array
        Polar angle from the nose where the gap is least.
    band_atrial_mm, band_distal_mm : (M,) array
        Depth of the contact band's edges along the ostial normal.
    band_width_mm : (M,) array
        Length over the wall that is in contact.
    sealing_mm : (M,) array
        Depth of the middle of the band.
    """

    least_gap_mm: FloatArray
    ring_polar_deg: FloatArray
    band_atrial_mm: FloatArray
    band_distal_mm: FloatArray
    band_width_mm: FloatArray
    sealing_mm: FloatArray


def read_clock(
    patch: WallPatch, lines: Meridians, field: GapField, tolerance_mm: float
) -> ClockSeal:
    """Read the gap along every meridian.

    The band's edges are the outermost ends of contact on a meridian; where contact
    is interrupted its width leaves out the interruption.
    """
    gap = lines.at(field.gap_mm)
    least = np.full(MERIDIANS, np.inf)
    np.minimum.at(least, lines.meridian, gap)
    ring = np.full(MERIDIANS, np.nan)
    lowest = np.flatnonzero(np.isfinite(gap) & (gap == least[lines.meridian]))
    ring[lines.meridian[lowest]] = lines.at(field.polar_deg)[lowest]

    depth = (lines.position - patch.centre) @ patch.normal
    a, b = lines.segment.T
    touching = (np.minimum(gap[a], gap[b]) <= tolerance_mm) & np.isfinite(gap[a] + gap[b])
    a, b = a[touching], b[touching]
    begin, end = _part_below(gap[a], gap[b], tolerance_mm)
    length = np.linalg.norm(lines.position[b] - lines.position[a], axis=1)
    meridian = lines.meridian[a]
    width = np.zeros(MERIDIANS)
    np.add.at(width, meridian, (end - begin) * length)
    ends = np.stack([depth[a] + t * (depth[b] - depth[a]) for t in (begin, end)])
    atrial, distal = np.full(MERIDIANS, np.inf), np.full(MERIDIANS, -np.inf)
    np.minimum.at(atrial, meridian, ends.min(axis=0))
    np.maximum.at(distal, meridian, ends.max(axis=0))
    touched = np.isfinite(atrial)
    atrial, distal = np.where(touched, atrial, np.nan), np.where(touched, distal, np.nan)
    width = np.where(touched, width, np.nan)
    return ClockSeal(least, ring, atrial, distal, width, 0.5 * (atrial + distal))


def clock_of(patch: WallPatch, field: GapField, tolerance_mm: float) -> ClockSeal:
    """Read the gap along every meridian of a patch; see :func:`read_clock`.

    Where every meridian comes near the balloon, wall far from it tells nothing more and is not
    looked at.

    Parameters
    ----------
    patch : WallPatch
    field : GapField
    tolerance_mm : float
    """
    beside = patch.near & any_corner(patch.surface.faces, field.gap_mm <= CLOSE_MM + tolerance_mm)
    seal = read_clock(patch, meridians(patch, beside), field, tolerance_mm)
    if (seal.least_gap_mm <= CLOSE_MM + tolerance_mm).all():
        return seal
    return read_clock(patch, meridians(patch), field, tolerance_mm)


def _part_below(
    first: FloatArray, second: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Where along segments a linear value is at or below a level: from and to, 0 to 1."""
    change = second - first
    where = np.divide(level - first, change, out=np.zeros_like(first), where=change != 0.0)
    begin = np.where(first <= level, 0.0, np.clip(where, 0.0, 1.0))
    end = np.where(second <= level, 1.0, np.clip(where, 0.0, 1.0))
    return begin, end


def contact_arc_deg(seal: ClockSeal, tolerance_mm: float) -> float:
    """Share of the circumference with contact, in degrees of 360.

    Between neighbouring meridians the least gap is taken as linear.
    """
    beyond = seal.least_gap_mm - tolerance_mm
    here, following = beyond, np.roll(beyond, -1)
    both = (here <= 0) & (following <= 0)
    one = (here <= 0) != (following <= 0)
    low, high = np.minimum(here, following), np.maximum(here, following)
    with np.errstate(invalid="ignore"):
        part = np.where(np.isfinite(high), -low / np.where(one, high - low, 1.0), 0.0)
    return float((both.sum() + part[one].sum()) * 360.0 / MERIDIANS)


def clock_readings(
    patch: WallPatch, seal: ClockSeal, balloon: Balloon, approach: Approach
) -> tuple[ClockReading, ...]:
    """Return the seal every quarter of an hour, twelve o'clock first."""

    def cell(value: float) -> float | None:
        return float(value) if np.isfinite(value) else None

    hours = meridian_hours()
    directions = clock_direction(hours, patch.axis)
    readings = []
    for m in range(0, MERIDIANS, READ_EVERY):
        gap = cell(seal.least_gap_mm[m])
        if gap is None:
            continue
        readings.append(
            ClockReading(
                vein=patch.vein,
                balloon=balloon.name,
                approach=approach,
                clock_h=float(hours[m]),
                side=side_words(directions[m]),
                gap_mm=gap,
                band_atrial_depth_mm=cell(seal.band_atrial_mm[m]),
                band_distal_depth_mm=cell(seal.band_distal_mm[m]),
                band_width_mm=cell(seal.band_width_mm[m]),
                sealing_depth_mm=cell(seal.sealing_mm[m]),
            )
        )
    return tuple(readings)
