"""Curves on the zero level of an implicit function: sections and profiles.

Everything here asks the implicit function alone and finds roots to
ROOT_TOLERANCE_MM; no triangle surface is involved.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from veinfit.frames import BoolArray, FloatArray, perpendicular_basis

Field = Callable[[FloatArray], FloatArray]

ROOT_TOLERANCE_MM = 1e-4
"""Zero crossings along rays are found this well."""

RAY_STEP_MM = 0.4
"""Along a ray the implicit function is first looked at in steps of this length."""

RAYS = 360
"""Rays of a section: its area comes out 0.005 % small."""


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A plane contour found by rays from a point inside it.

    Attributes
    ----------
    points : (N, 3) array
    found : (N,) bool array
        False where the ray met no wall within its reach.
    """

    points: FloatArray
    found: BoolArray


def ray_roots(
    field: Field, origins: FloatArray, directions: FloatArray, reach: FloatArray
) -> FloatArray:
    """Distance (N,) along rays to the first zero crossing from inside; NaN where there is none.

    Parameters
    ----------
    origins, directions : (N, 3) arrays
        Unit directions.
    reach : (N,) array
        How far each ray is followed, mm.
    """
    count = int(np.ceil(float(reach.max()) / RAY_STEP_MM)) + 1
    r = np.linspace(0.0, 1.0, count)[None] * reach[:, None]
    points = origins[:, None] + r[..., None] * directions[:, None]
    values = field(points.reshape(-1, 3)).reshape(r.shape)
    outside = values > 0.0
    crossing = np.argmax(outside, axis=1)
    valid = outside.any(axis=1) & (crossing > 0)
    rows = np.flatnonzero(valid)
    result = np.full(len(origins), np.nan)
    if not len(rows):
        return result
    k = crossing[rows]
    low, high = r[rows, k - 1], r[rows, k]
    f_low, f_high = values[rows, k - 1], values[rows, k]
    o, d = origins[rows], directions[rows]
    for _ in range(60):
        if float((high - low).max()) < ROOT_TOLERANCE_MM:
            break
        # A secant step kept off the ends: never worse than a slow bisection.
        share = np.clip(f_low / (f_low - f_high), 0.02, 0.98)
        middle = low + share * (high - low)
        for guess in (middle, 0.5 * (low + high)):
            inner = (guess > low) & (guess < high)
            f = field(o + guess[:, None] * d)
            inside = (f <= 0.0) & inner
            beyond = (f > 0.0) & inner
            low, f_low = np.where(inside, guess, low), np.where(inside, f, f_low)
            high, f_high = np.where(beyond, guess, high), np.where(beyond, f, f_high)
    share = np.clip(f_low / np.where(f_low == f_high, -1.0, f_low - f_high), 0.0, 1.0)
    result[rows] = low + share * (high - low)
    return result


def outline(
    field: Field, centre: FloatArray, normal: FloatArray, reach_mm: float, rays: int = RAYS
) -> Outline:
    """Contour of the zero level in a plane, seen from ``centre`` (3,), which lies inside."""
    e1, e2 = perpendicular_basis(normal)
    phi = np.linspace(0.0, 2.0 * np.pi, rays, endpoint=False)
    directions = np.cos(phi)[:, None] * e1 + np.sin(phi)[:, None] * e2
    origins = np.broadcast_to(centre, directions.shape)
    r = ray_roots(field, origins, directions, np.full(rays, reach_mm))
    found = np.isfinite(r)
    return Outline(centre + np.where(found, r, reach_mm)[:, None] * directions, found)


@dataclass(frozen=True, slots=True, eq=False)
class OutlineMeasures:
    """Size of a plane contour: centroid, area, perimeter, calipers."""

    centroid: FloatArray
    area_mm2: float
    perimeter_mm: float
    d_max_mm: float
    d_min_mm: float

    @property
    def d_area_mm(self) -> float:
        """Diameter of the circle of equal area."""
        return float(np.sqrt(4.0 * self.area_mm2 / np.pi))


def measure(points: FloatArray, normal: FloatArray) -> OutlineMeasures:
    """Measure a closed plane contour (N, 3) in order around ``normal``."""
    e1, e2 = perpendicular_basis(normal)
    middle = points.mean(axis=0)
    x, y = (points - middle) @ e1, (points - middle) @ e2
    x2, y2 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y2 - x2 * y
    area = 0.5 * float(cross.sum())
    cx = float(((x + x2) * cross).sum()) / (6.0 * area)
    cy = float(((y + y2) * cross).sum()) / (6.0 * area)
    # Calipers: widths over half a turn in steps of 0.25 degrees, refined by a parabola's top.
    angle = np.radians(np.arange(0.0, 180.0, 0.25))
    along = np.cos(angle)[:, None] * x + np.sin(angle)[:, None] * y
    widths = along.max(axis=1) - along.min(axis=1)
    best = int(np.argmax(widths))
    across = -np.sin(angle[best]) * x + np.cos(angle[best]) * y
    return OutlineMeasures(
        centroid=middle + cx * e1 + cy * e2,
        area_mm2=abs(area),
        perimeter_mm=float(np.hypot(x2 - x, y2 - y).sum()),
        d_max_mm=float(widths[best]),
        d_min_mm=float(across.max() - across.min()),
    )
