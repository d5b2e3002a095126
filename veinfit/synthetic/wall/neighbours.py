"""The neighbours of an invented atrium: phrenic nerve, oesophagus, septum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.spatial import cKDTree

from veinfit.synthetic.shape.shape import NeighbourShape, Vector
from veinfit.synthetic.wall.fields import Implicit
from veinfit.synthetic.wall.implicit_tubes import FAR_MM, ImplicitTube
from veinfit.synthetic.wall.levels import ray_roots
from veinfit.vectors import BoolArray, FloatArray, unit

GREATEST_GAP_MM = FAR_MM - 0.5
"""Gaps are placed by the implicit function, which ends at FAR_MM."""

PHRENIC_RADIUS_MM = 0.8
"""Radius with which the nerve is drawn into a label volume."""

PHRENIC_MM_RANGE = (55.0, 30.0)
"""The nerve runs this far below and above where it passes the right superior vein."""

PHRENIC_PASSES = ("RSPV", "RCPV")
"""The vein that the nerve passes: the first of these that there is."""

OESOPHAGUS_REACH_MM = 45.0
"""The oesophagus runs this far below and above the body's centre."""

OESOPHAGUS_START_MM = 90.0
"""Its place is sought from this far behind the body's centre."""

LINE_STEP_MM = 2.0
"""Spacing of the points of nerve and oesophagus."""

SMOOTHING_POINTS = 4.0
"""Standard deviation, in points, of the smoothing along a line."""

SMOOTHING_REACH = 6
"""The smoothing reaches over so many points on either side."""

PUSHES = 60
"""Rounds of pushing the nerve clear of the blood."""


@dataclass(frozen=True, slots=True, eq=False)
class Tubular:
    """A neighbour that runs along a line.

    Attributes
    ----------
    name : str
    points : (N, 3) array
        From below upward, mm.
    radius_mm : float
    """

    name: str
    points: FloatArray
    radius_mm: float

    def holds(self, points: FloatArray) -> BoolArray:
        """Tell which points (M, 3) lie within the radius of the line."""
        fine = _resampled(self.points, 0.25)
        low, high = fine.min(axis=0) - self.radius_mm, fine.max(axis=0) + self.radius_mm
        result = np.zeros(len(points), dtype=bool)
        near = np.flatnonzero(np.all((points > low) & (points < high), axis=1))
        result[near] = cKDTree(fine).query(points[near])[0] <= self.radius_mm
        return result


@dataclass(frozen=True, slots=True, eq=False)
class Neighbours:
    """All neighbours of one atrium.

    Attributes
    ----------
    phrenic_nerve : Tubular or None
        None where no right superior vein or trunk is there to pass.
    oesophagus : Tubular
    septal_crossing : (3,) array
        A point of the wall on the septum.
    septum_radius_mm, septum_thickness_mm : float
        The septum is the wall within this radius of the crossing point.
    """

    phrenic_nerve: Tubular | None
    oesophagus: Tubular
    septal_crossing: FloatArray
    septum_radius_mm: float
    septum_thickness_mm: float

    @property
    def tubular(self) -> tuple[Tubular, ...]:
        """The neighbours that run along a line."""
        nerve = () if self.phrenic_nerve is None else (self.phrenic_nerve,)
        return (self.oesophagus, *nerve)


def find_neighbours(shape: NeighbourShape, field: Implicit) -> Neighbours:
    """Place the neighbours beside the atrium."""
    passed = [tube for name in PHRENIC_PASSES for tube in field.tubes if tube.name == name]
    return Neighbours(
        phrenic_nerve=_phrenic(shape, field, passed[0]) if passed else None,
        oesophagus=_oesophagus(shape, field),
        septal_crossing=_crossing(shape.septal_crossing, field),
        septum_radius_mm=shape.septum_radius_mm,
        septum_thickness_mm=shape.septum_thickness_mm,
    )


def _resampled(points: FloatArray, step: float) -> FloatArray:
    length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    s = np.linspace(0.0, length[-1], max(int(length[-1] / step), 1) + 1)
    return np.stack([np.interp(s, length, points[:, k]) for k in range(3)], axis=1)


def _lifted(offsets: FloatArray) -> FloatArray:
    """Smooth a row of offsets (N,) without letting any become smaller."""
    # The Gaussian reaches no farther than the window of the maximum, so that
    # every mean is over values of at least the offset.
    upper = maximum_filter1d(offsets, 2 * SMOOTHING_REACH + 1, mode="nearest")
    sigma, truncate = SMOOTHING_POINTS, SMOOTHING_REACH / SMOOTHING_POINTS
    return np.asarray(gaussian_filter1d(upper, sigma, mode="nearest", truncate=truncate))


def _phrenic(shape: NeighbourShape, field: Implicit, tube: ImplicitTube) -> Tubular:
    at = tube.curve.parameter(np.array([shape.phrenic_along_mm]))
    place, along = tube.curve.position(at)[0], tube.curve.tangent(at)[0]
    # In front of the vein, square to it and level.
    level = unit(np.array([along[0], along[1], 0.0]))
    out = np.array([level[1], -level[0], 0.0])
    out *= -np.sign(out[1])
    below, above = PHRENIC_MM_RANGE
    z = np.arange(-below, above + 0.1, LINE_STEP_MM)
    # Down from the upper mediastinum, then a little toward the middle on the diaphragm.
    line = np.stack([0.003 * np.minimum(z, 0.0) ** 2, 0.10 * z, z], axis=1) + place
    gap = min(shape.phrenic_gap_mm, GREATEST_GAP_MM)
    offset = np.zeros(len(z))
    for _ in range(PUSHES):
        short = gap - field.value(line + offset[:, None] * out)
        offset += np.maximum(short, 0.0)
        if (short < 0.02).all():
            break
    line = line + _lifted(offset)[:, None] * out
    # Moved as a whole until its nearest point has the gap asked for.
    low, high = -15.0, 15.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        free = field.value(line + middle * out).min() >= gap
        low, high = (low, middle) if free else (middle, high)
    return Tubular("right_phrenic_nerve", line + high * out, PHRENIC_RADIUS_MM)


def _oesophagus(shape: NeighbourShape, field: Implicit) -> Tubular:
    centre = field.body.centre
    z = np.arange(-OESOPHAGUS_REACH_MM, OESOPHAGUS_REACH_MM + 0.1, LINE_STEP_MM)
    x = shape.oesophagus_x_mm + 2.0 * np.sin(z / 25.0)
    gap = min(shape.oesophagus_radius_mm + shape.oesophagus_gap_mm, GREATEST_GAP_MM)
    start = np.stack([x, np.full_like(z, OESOPHAGUS_START_MM), z], axis=1) + centre

    def inside_out(points: FloatArray) -> FloatArray:
        return gap - field.value(points)

    forward = np.broadcast_to([0.0, -1.0, 0.0], start.shape)
    reach = np.full(len(z), OESOPHAGUS_START_MM + 5.0)
    depth = OESOPHAGUS_START_MM - ray_roots(inside_out, start, forward, reach)
    found = np.isfinite(depth)
    y = _lifted(np.interp(z, z[found], depth[found]))
    return Tubular("oesophagus", np.stack([x, y, z], axis=1) + centre, shape.oesophagus_radius_mm)


def _crossing(direction: Vector, field: Implicit) -> FloatArray:
    centre, out = field.body.centre, unit(direction)
    reach = np.array([3.0 * float(field.body.semi_axes.max())])
    r = ray_roots(field.value, centre[None], out[None], reach)
    return np.asarray(centre + r[0] * out)
