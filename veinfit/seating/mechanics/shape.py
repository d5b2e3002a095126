"""The shape of a balloon: how far its surface is from its centre in every direction.

A balloon is a surface of revolution about its shaft, seen from its centre: R(u) at
the cosine u of the polar angle from the nose. Depth and gap are measured along
this ray: a wall point at x lies inside by R(u) − |x − c|. For a sphere that is
the distance to its surface; for another shape it is the distance along the ray.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from scipy.interpolate import CubicSpline

from veinfit.vectors import FloatArray, dots, lengths

TINY = float(np.finfo(float).tiny)
"""Stands in for a distance of zero."""

FINE = np.linspace(-1.0, 1.0, 721)
"""Cosines at which a table's greatest ray and width are looked for."""


class Shape(Protocol):
    """What the seating needs to know of a balloon's shape."""

    @property
    def reach_mm(self) -> float:
        """Return the longest ray."""
        ...

    @property
    def nose_mm(self) -> float:
        """Return the ray to the nose."""
        ...

    def rays(self, cosine: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return R (...), mm, and its first and second derivative by the cosine (...)."""
        ...


@dataclass(frozen=True, slots=True)
class Sphere:
    """R is the same in every direction."""

    radius_mm: float

    @property
    def reach_mm(self) -> float:
        """Return the radius."""
        return self.radius_mm

    @property
    def nose_mm(self) -> float:
        """Return the radius."""
        return self.radius_mm

    def rays(self, cosine: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the radius and no derivatives."""
        none = np.zeros_like(cosine)
        return np.full_like(cosine, self.radius_mm), none, none


@dataclass(frozen=True, slots=True)
class Spheroid:
    """R = (u²/b² + (1 − u²)/a²)^−½, with half axes a across the shaft and b along it.

    ``more_mm`` is added to every ray.
    """

    across_mm: float
    along_mm: float
    more_mm: float = 0.0

    @property
    def reach_mm(self) -> float:
        """Return the longer half axis."""
        return max(self.across_mm, self.along_mm) + self.more_mm

    @property
    def nose_mm(self) -> float:
        """Return the half axis along the shaft."""
        return self.along_mm + self.more_mm

    def rays(self, cosine: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return R and its derivatives in closed form."""
        bend = self.along_mm**-2 - self.across_mm**-2
        ray = (self.across_mm**-2 + bend * cosine**2) ** -0.5
        slope = -bend * cosine * ray**3
        curve = -bend * ray**3 + 3.0 * (bend * cosine) ** 2 * ray**5
        return ray + self.more_mm, slope, curve


@dataclass(frozen=True, slots=True)
class Turned:
    """A half section given as a table, turned about the shaft; a smooth curve between its rows.

    ``rows`` are (axial position, radius) in mm, the position from the equator
    toward the nose, from the rear pole to the nose. ``more_mm`` is added to every
    ray.
    """

    rows: tuple[tuple[float, float], ...]
    more_mm: float = 0.0
    _curve: CubicSpline = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Lay a curve with a steady curvature through the rays to the rows."""
        along, across = np.array(self.rows).T
        rays = np.hypot(along, across)
        object.__setattr__(self, "_curve", CubicSpline(along / rays, rays, bc_type="natural"))

    @property
    def reach_mm(self) -> float:
        """Return the longest ray."""
        return float(self._curve(FINE).max()) + self.more_mm

    @property
    def nose_mm(self) -> float:
        """Return the ray to the nose."""
        return float(self._curve(1.0)) + self.more_mm

    def rays(self, cosine: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the curve and its derivatives."""
        u = np.clip(cosine, -1.0, 1.0)
        curve = self._curve
        return curve(u) + self.more_mm, curve(u, 1), curve(u, 2)


def gaps_mm(shape: Shape, offset: FloatArray, shaft: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return gap (...), mm, and cosine from the nose at offsets (..., 3) from the centre."""
    distance = np.maximum(lengths(offset), TINY)
    cosine = np.clip(dots(offset, shaft) / distance, -1.0, 1.0)
    return distance - shape.rays(cosine)[0], cosine


def depth_terms(
    shape: Shape, offset: FloatArray, shaft: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Depth of wall points inside a balloon and how it changes as the balloon moves.

    Parameters
    ----------
    shape : Shape
    offset : (..., 3) array
        From the balloon's centre to the points, mm.
    shaft : (..., 3) array
        Unit vectors to the nose.

    Returns
    -------
    depth : (...) array
        δ = R(u) − |x − c|, mm.
    gradient, hessian : (..., 3), (..., 3, 3) array
        First and second derivative of δ by the centre.
    """
    distance = np.maximum(lengths(offset), TINY)
    ray = offset / distance[..., None]
    cosine = np.clip(dots(ray, shaft), -1.0, 1.0)
    radius, slope, bend = shape.rays(cosine)
    turn = (shaft - cosine[..., None] * ray) / distance[..., None]
    outer = ray[..., :, None] * ray[..., None, :]
    mixed = shaft[..., :, None] * ray[..., None, :]
    mixed = mixed + np.swapaxes(mixed, -1, -2)
    flat = np.eye(3) - outer
    span = distance[..., None, None]
    u = cosine[..., None, None]
    turned_twice = (3.0 * u * outer - mixed - u * np.eye(3)) / span**2
    hessian = (
        bend[..., None, None] * turn[..., :, None] * turn[..., None, :]
        + slope[..., None, None] * turned_twice
        - flat / span
    )
    return radius - distance, ray - slope[..., None] * turn, hessian


@dataclass(frozen=True, slots=True, eq=False)
class PlacedBalloons:
    """K balloons of one shape where they are.

    Attributes
    ----------
    place : (K, 3 + M) array
        Centres and amplitudes of the wall's modes, mm.
    shape : Shape
    reach_mm : (K,) array
        Longest ray of each.
    stiffness : (K,) array
        Factor on the wall's stiffness before each.
    shaft : (K, 3) array
        Unit vectors to the noses.
    """

    place: FloatArray
    shape: Shape
    reach_mm: FloatArray
    stiffness: FloatArray
    shaft: FloatArray

    def only(self, which: slice) -> PlacedBalloons:
        """Return some of them."""
        return PlacedBalloons(
            self.place[which],
            self.shape,
            self.reach_mm[which],
            self.stiffness[which],
            self.shaft[which],
        )
