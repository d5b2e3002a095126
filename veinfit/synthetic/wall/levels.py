"""Curves on the zero level of an implicit function: sections and profiles.

Everything here asks the implicit function alone and finds roots to
VALUE_TOLERANCE; no triangle surface is involved.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from veinfit.vectors import BoolArray, FloatArray, perpendicular_basis

Field = Callable[[FloatArray], FloatArray]

VALUE_TOLERANCE = 1e-5
"""A root is found where the implicit function, about a distance in mm, is below this."""

LONGEST_SEARCH = 30
"""Evaluations in the search for a root; about eight are usual."""

RAY_STEP_MM = 0.8
"""Along a ray the implicit function is first looked at in steps of this length."""

RAY_STEPS = 16
"""So many steps are looked at at a time, and only of rays that have met no wall before."""

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
    values = np.full(r.shape, np.nan)
    met = np.zeros(len(r), dtype=bool)
    for start in range(0, count, RAY_STEPS):
        block, rows = slice(start, start + RAY_STEPS), np.flatnonzero(~met)
        far = r[rows, block]
        points = origins[rows, None] + far[..., None] * directions[rows, None]
        values[rows, block] = field(points.reshape(-1, 3)).reshape(far.shape)
        met[rows] = (values[rows, block] > 0.0).any(axis=1)
        if met.all():
            break
    crossing = np.argmax(values > 0.0, axis=1)
    rows = np.flatnonzero(met & (crossing > 0))
    result = np.full(len(origins), np.nan)
    if not len(rows):
        return result
    k = crossing[rows]
    low, high = r[rows, k - 1], r[rows, k]
    f_low, f_high = values[rows, k - 1], values[rows, k]
    result[rows] = _illinois(field, origins[rows], directions[rows], (low, f_low), (high, f_high))
    return result


def _illinois(
    field: Field,
    origins: FloatArray,
    directions: FloatArray,
    inside: tuple[FloatArray, FloatArray],
    outside: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Bracketed roots (N,) along rays by the Illinois form of the false position."""
    (low, f_low), (high, f_high) = inside, outside
    kept = np.zeros(len(low), dtype=int)
    guess = low
    for _ in range(LONGEST_SEARCH):
        guess = low + f_low / np.where(f_low == f_high, -1.0, f_low - f_high) * (high - low)
        f = field(origins + guess[:, None] * directions)
        if float(np.abs(f).max()) < VALUE_TOLERANCE:
            break
        below = f <= 0.0
        # An end that stays twice loses half of its weight, so that both ends close in.
        f_high = np.where(below & (kept == 1), 0.5 * f_high, f_high)
        f_low = np.where(~below & (kept == -1), 0.5 * f_low, f_low)
        low, f_low = np.where(below, guess, low), np.where(below, f, f_low)
        high, f_high = np.where(below, high, guess), np.where(below, f_high, f)
        kept = np.where(below, 1, -1)
    return np.asarray(guess)


def outline(field: Field, centre: FloatArray, normal: FloatArray, reach_mm: float) -> Outline:
    """Contour of the zero level in a plane, seen from ``centre`` (3,), which lies inside."""
    return outlines(field, centre[None], normal[None], reach_mm, RAYS)[0]


def outlines(
    field: Field, centres: FloatArray, normals: FloatArray, reach_mm: float, rays: int
) -> list[Outline]:
    """Contours in several planes at once: centres (N, 3), unit normals (N, 3)."""
    phi = np.linspace(0.0, 2.0 * np.pi, rays, endpoint=False)
    bases = [perpendicular_basis(normal) for normal in normals]
    directions = np.stack(
        [np.cos(phi)[:, None] * e1 + np.sin(phi)[:, None] * e2 for e1, e2 in bases]
    ).reshape(-1, 3)
    origins = np.repeat(centres, rays, axis=0)
    r = ray_roots(field, origins, directions, np.full(len(origins), reach_mm))
    found = np.isfinite(r)
    points = origins + np.where(found, r, reach_mm)[:, None] * directions
    shape = (len(centres), rays)
    return [
        Outline(p, f) for p, f in zip(points.reshape(*shape, 3), found.reshape(shape), strict=True)
    ]


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
