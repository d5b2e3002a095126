"""Smooth changes of the wall's shape about an ostium that do not stretch its ring.

Bending an oval ring of wall to a rounder one costs far less than stretching it. So
the ostium and the antrum before it change shape under a balloon, and how far they do
is unknown beside the balloon's place. A mode is a finite map of the wall with one
amplitude: at every amplitude the ostial contour keeps its perimeter. Stretch of the
perimeter is left to the indentation of the wall, so that it is not counted twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from veinfit.anatomy.model import Vein
from veinfit.seating.mechanics.shape import TINY
from veinfit.surface import Surface
from veinfit.vectors import BoolArray, FloatArray, IntArray, lengths

WHOLE_DIAMETERS = 0.55
"""Wall within so many greatest diameters of the ostial centre takes part in full, ..."""

NO_DIAMETERS = 1.2
"""... and from so many on not at all."""

TABLE_POINTS = 65
"""Amplitudes at which the map that keeps the perimeter is worked out."""

LEAST_NARROWING = 0.125
"""An ostium that is pressed at the ends of its long axis may lose this share of its short
diameter at each end."""

LEAST_OVAL_MM = 0.05
"""An ostium whose amplitude up to the circle is below this is round: it has no oval mode."""


@dataclass(frozen=True, slots=True, eq=False)
class ShapeModes:
    """M modes of a wall of V points: Φ(X, a) = X + Σₘ αₘ(aₘ) Uₘ + βₘ(aₘ) Wₘ.

    Attributes
    ----------
    first, second : (M, V, 3) array
        U and W: displacements, mm, for α = 1 and β = 1.
    stretch : tuple of M CubicSpline
        α and β (2,) over the amplitude, mm.
    low_mm, high_mm : (M,) array
        Bounds of the amplitudes; ``high_mm`` is the circle.
    greatest_move_mm : float
        No point moves farther within these bounds.
    """

    first: FloatArray
    second: FloatArray
    stretch: tuple[CubicSpline, ...]
    low_mm: FloatArray
    high_mm: FloatArray
    greatest_move_mm: float = 0.0

    @property
    def count(self) -> int:
        """Return M."""
        return len(self.stretch)

    def factors(self, amplitude: FloatArray, order: int = 0) -> FloatArray:
        """Return α and β (N, M, 2) of amplitudes (N, M), mm, or their derivatives."""
        result = np.zeros((*amplitude.shape, 2))
        for m, table in enumerate(self.stretch):
            result[:, m] = table(amplitude[:, m], order)
        return result

    def displacement(self, amplitude: FloatArray) -> FloatArray:
        """Return how far the points move (V, 3), mm, at amplitudes (M,), mm."""
        if not self.count:
            return np.zeros(self.first.shape[1:])
        factor = self.factors(np.asarray(amplitude, dtype=float)[None, :])[0]
        return np.einsum("m,mvk->vk", factor[:, 0], self.first) + np.einsum(
            "m,mvk->vk", factor[:, 1], self.second
        )

    def beside(self, points: FloatArray) -> FloatArray:
        """Return points (V, 3), U and W of each mode, axis by axis: (3, 1 + 2 M, V)."""
        fields = [points]
        for m in range(self.count):
            fields += [self.first[m], self.second[m]]
        return np.ascontiguousarray(np.stack(fields).transpose(2, 0, 1))

    def of(self, kept: BoolArray | IntArray) -> ShapeModes:
        """Return the modes of some of the points (numbers or marks of V)."""
        return replace(self, first=self.first[:, kept], second=self.second[:, kept])

    def and_of(self, other: ShapeModes) -> ShapeModes:
        """Return the modes of these points and of others after them, of the same vein."""
        return replace(
            self,
            first=np.concatenate([self.first, other.first], axis=1),
            second=np.concatenate([self.second, other.second], axis=1),
            greatest_move_mm=max(self.greatest_move_mm, other.greatest_move_mm),
        )


def no_modes(count: int) -> ShapeModes:
    """Return a wall of ``count`` points that keeps its shape."""
    none = np.zeros((0, count, 3))
    return ShapeModes(none, none, (), np.zeros(0), np.zeros(0))


def modes_about(vein: Vein, points: FloatArray) -> ShapeModes:
    """Return the modes of the wall about a vein's ostium.

    The oval mode draws the wall in along the long axis of the ostial contour and out
    along its short axis, about a line through the ostial centre along the vein's
    axis. The amplitude is the displacement of the ends of the short axis, the
    greatest on the contour.

    Parameters
    ----------
    vein : Vein
    points : (V, 3) array
        Wall, mm.
    """
    long, short, wide, narrow = ostial_axes(vein)
    table, limit = _oval_table(vein, long, short, wide, narrow)
    if limit < LEAST_OVAL_MM:
        return no_modes(len(points))
    ostium = vein.ostium
    offset = points - ostium.centre
    far = lengths(offset) / ostium.measures.d_max_mm
    # Most of a wall lies too far off to take part.
    own = np.flatnonzero(far < NO_DIAMETERS)
    offset, weight = offset[own], weight_of(far[own], WHOLE_DIAMETERS, NO_DIAMETERS)
    lean = float(vein.axis @ ostium.normal)
    in_plane = offset - np.outer((offset @ ostium.normal) / lean, vein.axis)
    first, second = np.zeros_like(points), np.zeros_like(points)
    first[own] = (weight * (in_plane @ long))[:, None] * long
    second[own] = (weight * (in_plane @ short))[:, None] * short
    low = -min(limit, LEAST_NARROWING * narrow)
    ends = np.abs(table(np.array([low, limit])) if len(points) else np.zeros((2, 2))).max(axis=0)
    move = ends[0] * lengths(first[own]) + ends[1] * lengths(second[own])
    return ShapeModes(
        first[None],
        second[None],
        (table,),
        np.array([low]),
        np.array([limit]),
        float(move.max(initial=0.0)),
    )


def weight_of(distance: FloatArray, whole: float, none: float) -> FloatArray:
    """Return weights (V,) that fall smoothly from 1 at ``whole`` to 0 at ``none``."""
    ramp = np.clip((distance - whole) / (none - whole), 0.0, 1.0)
    return 0.5 * (1.0 + np.cos(np.pi * ramp))


def ostial_axes(vein: Vein) -> tuple[FloatArray, FloatArray, float, float]:
    """Long and short axis (3,), (3,) of the ostial contour, and its widths along them, mm."""
    ostium = vein.ostium
    points = ostium.contour.points - ostium.centre
    points = points - np.outer(points @ ostium.normal, ostium.normal)
    ahead = np.roll(points, -1, axis=0)
    middle, length = 0.5 * (points + ahead), np.linalg.norm(ahead - points, axis=1)
    _, axes = np.linalg.eigh((middle * length[:, None]).T @ middle)
    long, short = axes[:, 2], axes[:, 1]
    return long, short, float(np.ptp(points @ long)), float(np.ptp(points @ short))


def _oval_table(
    vein: Vein, long: FloatArray, short: FloatArray, wide: float, narrow: float
) -> tuple[CubicSpline, float]:
    """Stretch along the long and the short axis over the amplitude, and that of the circle.

    The contour itself is stretched, whatever its form, so that its own perimeter stays.
    """
    points = vein.ostium.contour.points
    step = np.roll(points, -1, axis=0) - points
    along, across = (step @ long) ** 2, (step @ short) ** 2
    half = 0.5 * narrow

    def still_oval(amplitude: float) -> float:
        factor = 1.0 + amplitude / half
        return float(_long_factors(np.array([factor]), along, across)[0]) * wide - factor * narrow

    limit = 0.0
    if wide - narrow > LEAST_OVAL_MM:
        perimeter = float(np.sqrt(along + across).sum())
        upper = max(0.5 * (perimeter / np.pi - narrow), LEAST_OVAL_MM)
        while still_oval(upper) > 0.0:
            upper *= 1.2
        limit = float(brentq(still_oval, 0.0, upper, xtol=1e-10))
    if limit < LEAST_OVAL_MM:
        return CubicSpline([0.0, 1.0], [[0.0, 0.0], [0.0, 0.0]]), limit
    # A little beyond the bounds, so that the curve has its own derivatives there.
    low = -min(limit, LEAST_NARROWING * narrow)
    amplitude = np.linspace(1.1 * low, 1.1 * limit, TABLE_POINTS)
    factor = 1.0 + amplitude / half
    factors = np.stack([_long_factors(factor, along, across), factor], axis=1)
    return CubicSpline(amplitude, factors - 1.0), limit


def _long_factors(short_factor: FloatArray, along: FloatArray, across: FloatArray) -> FloatArray:
    """Return the stretch (K,) along the long axis that keeps a contour's perimeter.

    Parameters
    ----------
    short_factor : (K,) array
        Stretch along the short axis.
    along, across : (N,) array
        Squared lengths of the contour's pieces along the long and the short axis, mm².

    Raises
    ------
    ValueError
        Stretched across alone, the contour is longer than it may be.
    """
    perimeter = np.sqrt(along + across).sum()
    short = (short_factor**2)[:, None] * across
    # The perimeter is convex in the factor: from above, Newton's steps fall until they end.
    result = np.full(len(short_factor), perimeter / np.sqrt(along).sum())
    while True:
        pieces = np.sqrt((result**2)[:, None] * along + short)
        excess = pieces.sum(axis=1) - perimeter
        slope = result * (along / np.maximum(pieces, TINY)).sum(axis=1)
        ahead = result - np.maximum(excess, 0.0) / slope
        if not (ahead > 0.0).all():
            raise ValueError("a contour cannot be stretched so far across and keep its perimeter")
        if (ahead >= result).all():
            return result
        result = ahead


def shaped_wall(wall: Surface, vein: Vein, amplitudes: Sequence[float]) -> Surface:
    """Return a wall whose shape modes about a vein have some amplitudes.

    Parameters
    ----------
    wall : Surface
    vein : Vein
    amplitudes : sequence of M float
        Amplitudes, mm; none leaves the wall as it is.

    Returns
    -------
    Surface
    """
    if not any(amplitudes):
        return wall
    moved = modes_about(vein, wall.points).displacement(np.array(amplitudes))
    return replace(wall, points=wall.points + moved)
