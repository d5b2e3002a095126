"""Smooth curves in space: the centrelines of invented veins.

A curve runs straight, then along a quintic that starts and ends without
curvature, then straight again; its tangent and curvature have no jumps.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from veinfit.frames import FloatArray, IntArray, angle_deg, unit

SAMPLES = 96
"""Samples of a curve from which the closest point is sought."""

NEWTON_STEPS = 2
"""Newton steps from the nearest sample to the closest point: below 1e-6 mm on these curves."""

SHARPEST_NORMAL_TURN = 0.35
"""Least sine between the tangent and the reference direction of the section."""


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

    def position(self, t: FloatArray) -> FloatArray:
        """Points (N, 3) at parameters (N,)."""
        c, u = self.coefficients, np.clip(t, 0.0, 1.0)[:, None]
        point = c[0] + u * (c[1] + u * u * (c[3] + u * (c[4] + u * c[5])))
        below, above = np.minimum(t, 0.0)[:, None], np.maximum(t - 1.0, 0.0)[:, None]
        return np.asarray(
            point + self.length_mm * (below * self.direction + above * self.end_direction)
        )

    def velocity(self, t: FloatArray) -> FloatArray:
        """Return derivatives (N, 3) with respect to t."""
        c, u = self.coefficients, np.clip(t, 0.0, 1.0)[:, None]
        return np.asarray(c[1] + u * u * (3.0 * c[3] + u * (4.0 * c[4] + u * 5.0 * c[5])))

    def acceleration(self, t: FloatArray) -> FloatArray:
        """Second derivatives (N, 3) with respect to t."""
        c, u = self.coefficients, np.clip(t, 0.0, 1.0)[:, None]
        return np.asarray(u * (6.0 * c[3] + u * (12.0 * c[4] + u * 20.0 * c[5])))

    def tangent(self, t: FloatArray) -> FloatArray:
        """Return unit tangents (N, 3)."""
        return unit(self.velocity(t))

    def axes(
        self, t: FloatArray, tangent: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return unit section axes (N, 3), (N, 3): along and across the long diameter."""
        tangent = self.tangent(t) if tangent is None else tangent
        along = unit(self.reference - (tangent @ self.reference)[:, None] * tangent)
        across = np.cross(tangent, along)
        if self.twist_deg:
            angle = np.radians(self.twist_deg) * np.clip(t, 0.0, 1.0)[:, None]
            return (
                np.cos(angle) * along + np.sin(angle) * across,
                np.cos(angle) * across - np.sin(angle) * along,
            )
        return along, across

    @cached_property
    def _samples(self) -> tuple[FloatArray, cKDTree]:
        t = np.linspace(self.t_low, self.t_high, SAMPLES)
        return t, cKDTree(self.position(t))

    @property
    def low(self) -> FloatArray:
        """Lower corner (3,) of the box around the curve."""
        return np.asarray(self._samples[1].mins)

    @property
    def high(self) -> FloatArray:
        """Upper corner (3,) of the box around the curve."""
        return np.asarray(self._samples[1].maxes)

    def closest(self, points: FloatArray, within_mm: float) -> tuple[IntArray, FloatArray]:
        """Closest points of the curve to those of ``points`` (N, 3) that are near it.

        Returns
        -------
        near : (K,) array
            Indices of the points at most about ``within_mm`` from the curve.
        t : (K,) array
            Their parameters on the curve.
        """
        samples, tree = self._samples
        low, high = tree.mins - within_mm, tree.maxes + within_mm
        near = np.flatnonzero(np.all((points > low) & (points < high), axis=1))
        distance, index = tree.query(points[near], distance_upper_bound=within_mm)
        found = np.isfinite(distance)
        near, t = near[found], samples[index[found]]
        p = points[near]
        c = self.coefficients
        for _ in range(NEWTON_STEPS):
            u = np.clip(t, 0.0, 1.0)[:, None]
            straight = (t - u[:, 0])[:, None]
            u2 = u * u
            v = c[1] + u2 * (3.0 * c[3] + u * (4.0 * c[4] + u * (5.0 * c[5])))
            a = u * (6.0 * c[3] + u * (12.0 * c[4] + u * (20.0 * c[5])))
            offset = c[0] + u * (c[1] + u2 * (c[3] + u * (c[4] + u * c[5]))) + straight * v - p
            slope = np.einsum("ij,ij->i", offset, v)
            speed2 = np.einsum("ij,ij->i", v, v)
            bend = speed2 + np.einsum("ij,ij->i", offset, a)
            t = np.clip(t - slope / np.maximum(bend, 0.25 * speed2), self.t_low, self.t_high)
        return near, np.asarray(t)

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
