"""Smooth curves in space: the centrelines of invented veins.

A curve runs straight, then along a quintic that starts and ends without
curvature, then straight again; its tangent and curvature have no jumps.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from veinfit.vectors import FloatArray, IntArray, angle_deg, unit

SAMPLES = 96
"""Samples of a curve from which the closest point is sought."""

NEWTON_STEPS = 2
"""Newton steps from the nearest sample to the closest point: below 1e-6 mm on these curves."""

SHARPEST_NORMAL_TURN = 0.35
"""Least sine between the tangent and the reference direction of the section."""


def dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Inner products (...) of vectors (3, ...)."""
    total = a[0] * b[0]
    total += a[1] * b[1]
    total += a[2] * b[2]
    return np.asarray(total)


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """Curves as columns of arrays, for work at many points of many curves at once.

    Vectors lie in columns, (3, P): numpy works several times faster along rows that are long
    than along rows of three. One column goes with any number of points.

    Attributes
    ----------
    coefficients : (6, 3, P) array
        Of the quintics, in ascending powers of t.
    t_low, t_high, length_mm : (P,) arrays
    reference : (3, P) array
    twist : (P,) array
        Radians.
    """

    coefficients: FloatArray
    t_low: FloatArray
    t_high: FloatArray
    length_mm: FloatArray
    reference: FloatArray
    twist: FloatArray

    def repeated(self, counts: IntArray) -> Courses:
        """Each curve as often as ``counts`` (P,) says, in order."""
        if len(counts) == 1:
            return self
        fields = (f.name for f in dataclasses.fields(self))
        return Courses(*(np.repeat(getattr(self, name), counts, axis=-1) for name in fields))

    def position(self, t: FloatArray) -> FloatArray:
        """Points (3, P) at parameters (P,)."""
        return self.motion(t)[0]

    def velocity(self, t: FloatArray) -> FloatArray:
        """Return derivatives (3, P) with respect to t."""
        # In place, as all sums here: they are asked for some million points an atrium.
        c, u = self.coefficients, np.clip(t, 0.0, 1.0)
        total = u * (5.0 * c[5])
        total += 4.0 * c[4]
        total *= u
        total += 3.0 * c[3]
        total *= u * u
        total += c[1]
        return np.asarray(total)

    def motion(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Points (3, P) at parameters (P,), and derivatives (3, P) with respect to t."""
        c, u = self.coefficients, np.clip(t, 0.0, 1.0)
        velocity = self.velocity(u)
        total = u * c[5]
        total += c[4]
        total *= u
        total += c[3]
        total *= u * u
        total += c[1]
        total *= u
        total += c[0]
        total += (t - u) * velocity
        return np.asarray(total), velocity

    def acceleration(self, t: FloatArray) -> FloatArray:
        """Second derivatives (3, P) with respect to t."""
        c, u = self.coefficients, np.clip(t, 0.0, 1.0)
        total = u * (20.0 * c[5])
        total += 12.0 * c[4]
        total *= u
        total += 6.0 * c[3]
        total *= u
        return np.asarray(total)

    def axes(self, t: FloatArray, tangent: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return unit section axes (3, P), (3, P): along and across the long diameter."""
        along = self.reference - dot(tangent, self.reference) * tangent
        along = along / np.sqrt(dot(along, along))
        across = np.stack(
            [
                tangent[1] * along[2] - tangent[2] * along[1],
                tangent[2] * along[0] - tangent[0] * along[2],
                tangent[0] * along[1] - tangent[1] * along[0],
            ]
        )
        if not self.twist.any():
            return along, across
        angle = self.twist * np.clip(t, 0.0, 1.0)
        cosine, sine = np.cos(angle), np.sin(angle)
        return cosine * along + sine * across, cosine * across - sine * along

    def nearer(self, t: FloatArray, points: FloatArray) -> FloatArray:
        """Parameters (P,) of the closest points to ``points`` (3, P), by Newton's method."""
        for _ in range(NEWTON_STEPS):
            offset, velocity = self.motion(t)
            offset -= points
            speed2 = dot(velocity, velocity)
            bend = speed2 + dot(offset, self.acceleration(t))
            step = dot(offset, velocity) / np.maximum(bend, 0.25 * speed2)
            t = np.clip(t - step, self.t_low, self.t_high)
        return np.asarray(t)


@dataclass(frozen=True, eq=False)
class Curve:
    """A curve with a section frame.

    The parameter t is 0 to 1 on the curved part and goes on below and above it
    on the straight ends, down to ``t_low`` and up to ``t_high``.

    Attributes
    ----------
    start : (3,) array
        Point at t = 0.
    direction, end_direction : (3,) array
        Unit tangents at t = 0 and t = 1.
    length_mm : float
        Nominal length between t = 0 and t = 1.
    t_low, t_high : float
    reference : (3,) array
        Direction that the first section axis follows as nearly as it can.
    twist_deg : float
        Turn of the section axes about the tangent from t = 0 to t = 1.
    """

    start: FloatArray
    direction: FloatArray
    end_direction: FloatArray
    length_mm: float
    t_low: float
    t_high: float
    reference: FloatArray
    twist_deg: float = 0.0

    @cached_property
    def coefficients(self) -> FloatArray:
        """(6, 3) coefficients of the quintic in ascending powers of t."""
        angle = np.radians(float(angle_deg(self.direction, self.end_direction)))
        half = 0.5 * angle
        # The chord of a circular arc with the same turn: the speed stays nearly even.
        share = np.sin(half) / half if half > 1e-6 else 1.0
        chord = self.length_mm * share * unit(self.direction + self.end_direction)
        v0, v1 = self.length_mm * self.direction, self.length_mm * self.end_direction
        c3 = 10.0 * chord - 6.0 * v0 - 4.0 * v1
        c4 = -15.0 * chord + 8.0 * v0 + 7.0 * v1
        c5 = 6.0 * chord - 3.0 * v0 - 3.0 * v1
        return np.stack([self.start, v0, np.zeros(3), c3, c4, c5])

    @cached_property
    def course(self) -> Courses:
        """The curve as one column."""
        return Courses(
            coefficients=self.coefficients[:, :, None],
            t_low=np.array([self.t_low]),
            t_high=np.array([self.t_high]),
            length_mm=np.array([self.length_mm]),
            reference=self.reference[:, None],
            twist=np.radians([self.twist_deg]),
        )

    def position(self, t: FloatArray) -> FloatArray:
        """Points (N, 3) at parameters (N,)."""
        return self.course.position(t).T

    def velocity(self, t: FloatArray) -> FloatArray:
        """Return derivatives (N, 3) with respect to t."""
        return self.course.velocity(t).T

    def tangent(self, t: FloatArray) -> FloatArray:
        """Return unit tangents (N, 3)."""
        return unit(self.velocity(t))

    def axes(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return unit section axes (N, 3), (N, 3): along and across the long diameter."""
        along, across = self.course.axes(t, self.tangent(t).T)
        return along.T, across.T

    @cached_property
    def _alone(self) -> CurveSet:
        return CurveSet((self,))

    @property
    def low(self) -> FloatArray:
        """Lower corner (3,) of the box around the curve."""
        return np.asarray(self._alone.low[0])

    @property
    def high(self) -> FloatArray:
        """Upper corner (3,) of the box around the curve."""
        return np.asarray(self._alone.high[0])

    def closest(self, points: FloatArray, within_mm: float) -> tuple[IntArray, FloatArray]:
        """Closest points of the curve to those of ``points`` (N, 3) that are near it.

        Returns
        -------
        near : (K,) array
            Indices of the points at most about ``within_mm`` from the curve.
        t : (K,) array
            Their parameters on the curve.
        """
        near = self._alone.closest(points, np.array([within_mm]))
        return near.index, near.t

    @cached_property
    def _lengths(self) -> tuple[FloatArray, FloatArray]:
        t = np.linspace(0.0, 1.0, 2001)
        middle = 0.5 * (t[1:] + t[:-1])
        steps = np.linalg.norm(self.velocity(middle), axis=1) * np.diff(t)
        return t, np.concatenate([[0.0], np.cumsum(steps)])

    def arc_length(self, t: FloatArray) -> FloatArray:
        """Arc lengths (N,) from t = 0, mm; negative before it."""
        grid, length = self._lengths
        inner = np.interp(t, grid, length)
        return np.asarray(inner + self.length_mm * (np.minimum(t, 0.0) + np.maximum(t - 1.0, 0.0)))

    def parameter(self, s_mm: FloatArray) -> FloatArray:
        """Parameters (N,) at arc lengths (N,) from t = 0, mm."""
        grid, length = self._lengths
        inner = np.interp(s_mm, length, grid)
        total = length[-1]
        beyond = np.minimum(s_mm, 0.0) + np.maximum(s_mm - total, 0.0)
        return np.asarray(inner + beyond / self.length_mm)

    @property
    def total_mm(self) -> float:
        """Arc length of the curved part, t = 0 to 1."""
        return float(self._lengths[1][-1])

    def frame_is_sound(self) -> bool:
        """Tell whether the reference direction keeps clear of the tangent everywhere."""
        tangent = self.tangent(np.linspace(0.0, 1.0, 25))
        sine = np.linalg.norm(np.cross(tangent, unit(self.reference)), axis=1)
        return bool(sine.min() >= SHARPEST_NORMAL_TURN)


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """Points near curves, in the order of the curves.

    Attributes
    ----------
    counts : (K,) array
        Points near each curve.
    index : (P,) array
        Which of the points.
    t : (P,) array
        Parameter of the closest point of the curve.
    """

    counts: IntArray
    index: IntArray
    t: FloatArray


class CurveSet:
    """Some curves, asked all at once.

    Attributes
    ----------
    courses : Courses
        One column a curve.
    low, high : (K, 3) arrays
        Corners of the box around each curve.
    """

    def __init__(self, curves: Sequence[Curve]) -> None:
        parts = [curve.course for curve in curves]
        fields = (f.name for f in dataclasses.fields(Courses))
        self.courses = Courses(
            *(np.concatenate([getattr(part, name) for part in parts], axis=-1) for name in fields)
        )
        self._t = [np.linspace(curve.t_low, curve.t_high, SAMPLES) for curve in curves]
        samples = [curve.position(t) for curve, t in zip(curves, self._t, strict=True)]
        self.low = np.array([points.min(axis=0) for points in samples])
        self.high = np.array([points.max(axis=0) for points in samples])
        self._centres = 0.5 * (self.low + self.high)
        self._samples = [
            _as_factor(points - centre)
            for points, centre in zip(samples, self._centres, strict=True)
        ]

    def closest(self, points: FloatArray, within_mm: FloatArray) -> Near:
        """Find what lies within about ``within_mm`` (K,) of the curves, of ``points`` (N, 3)."""
        columns = np.ascontiguousarray(points.T)
        found = [self._nearest_sample(k, columns, float(r)) for k, r in enumerate(within_mm)]
        counts = np.array([len(index) for index, _ in found], dtype=np.int64)
        index = np.concatenate([index for index, _ in found])
        t = np.concatenate([t for _, t in found])
        return Near(counts, index, self.courses.repeated(counts).nearer(t, columns[:, index]))

    def _nearest_sample(
        self, k: int, points: FloatArray, within_mm: float
    ) -> tuple[IntArray, FloatArray]:
        """Which of points (3, N) are near curve k, and the parameters of its nearest samples."""
        low, high = self.low[k] - within_mm, self.high[k] + within_mm
        inside = (points[0] > low[0]) & (points[0] < high[0])
        for axis in (1, 2):
            inside &= (points[axis] > low[axis]) & (points[axis] < high[axis])
        near = np.flatnonzero(inside)
        p = np.ones((4, len(near)))
        p[:3] = points[:, near] - self._centres[k][:, None]
        apart = p.T @ self._samples[k]
        sample = apart.argmin(axis=1)
        close = apart[np.arange(len(near)), sample] + dot(p, p) < within_mm**2
        return near[close], self._t[k][sample[close]]


def _as_factor(samples: FloatArray) -> FloatArray:
    """(4, S) array for samples (S, 3): (x, y, z, 1) times it is the squared distance to each.

    But for x² + y² + z², which does not tell samples apart.
    """
    return np.concatenate([-2.0 * samples.T, np.einsum("ij,ij->i", samples, samples)[None]])
