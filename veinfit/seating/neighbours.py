"""Distances from the freezing part of a seated balloon to structures nearby."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from veinfit.seating.balloon import Balloon
from veinfit.seating.mechanics.shape import TINY, Shape, Sphere
from veinfit.surface import Surface
from veinfit.surface.near import balls
from veinfit.vectors import FloatArray, cross, dots, lengths

DISTANCE_TOLERANCE_MM = 0.005
"""Distances are found to this accuracy."""

PIECE_DEG = 1.0
"""Half sections other than circles are followed in pieces of this: 0.001 mm on 14 mm."""

Structure = Surface | FloatArray
"""A surface, or a polyline or points as an (N, 3) array, LPS mm."""


@dataclass(frozen=True, slots=True, eq=False)
class FreezingZone:
    """The part of a balloon between two polar angles from its nose, as a surface.

    Attributes
    ----------
    centre : (3,) array
    shaft : (3,) array
        Unit vector to the nose.
    radius_mm : float
        Of what is no sphere the longest ray.
    from_deg, to_deg : float
    shape : Shape or None
        None for a sphere.
    """

    centre: FloatArray
    shaft: FloatArray
    radius_mm: float
    from_deg: float
    to_deg: float
    shape: Shape | None = None

    @classmethod
    def of(cls, balloon: Balloon, centre: FloatArray, shaft: FloatArray) -> FreezingZone:
        """Return the freezing zone of a balloon at its seat."""
        shape = balloon.shape
        zone = balloon.zone_from_deg, balloon.zone_to_deg
        own = None if isinstance(shape, Sphere) else shape
        return cls(centre, shaft, shape.reach_mm, *zone, own)

    def distance(self, points: FloatArray) -> FloatArray:
        """Distance (...) of points (..., 3) to the zone, mm.

        A point inside the ball in front of the zone touches it: the tissue there
        is pushed aside and lies on the balloon; its distance is 0.
        """
        offset = points - self.centre
        along = offset @ self.shaft
        span = dots(offset, offset)
        away = lengths(offset - along[..., None] * self.shaft)
        polar = np.arctan2(away, along)
        nearest = np.clip(polar, np.radians(self.from_deg), np.radians(self.to_deg))
        if self.shape is not None:
            ray = self.shape.rays(np.cos(polar))[0]
            inside = (nearest == polar) & (span < ray**2)
            return np.where(inside, 0.0, self._to_half_section(self.shape, along, away))
        distance = np.hypot(
            away - self.radius_mm * np.sin(nearest), along - self.radius_mm * np.cos(nearest)
        )
        inside = (nearest == polar) & (span < self.radius_mm**2)
        return np.where(inside, 0.0, distance)

    def _to_half_section(self, shape: Shape, along: FloatArray, away: FloatArray) -> FloatArray:
        """Distance of points in the half plane through the shaft to the zone's half section."""
        pieces = max(int(np.ceil((self.to_deg - self.from_deg) / PIECE_DEG)), 1)
        polar = np.radians(np.linspace(self.from_deg, self.to_deg, pieces + 1))
        ray = shape.rays(np.cos(polar))[0]
        z, r = ray * np.cos(polar), ray * np.sin(polar)
        least = np.full(along.shape, np.inf)
        for i in range(pieces):
            dz, dr = z[i + 1] - z[i], r[i + 1] - r[i]
            share = ((along - z[i]) * dz + (away - r[i]) * dr) / max(dz**2 + dr**2, TINY)
            share = np.clip(share, 0.0, 1.0)
            gap = np.hypot(along - z[i] - share * dz, away - r[i] - share * dr)
            least = np.minimum(least, gap)
        return least


def zone_distance_mm(zone: FreezingZone, structure: Structure) -> float | None:
    """Least distance from a freezing zone to a structure, mm; None for an empty one.

    Exact to 0.005 mm: triangles and segments that may hold the nearest point are
    halved until they cannot hold a nearer one.
    """
    if isinstance(structure, Surface):
        if not len(structure.faces):
            return _least_of_points(zone, structure.points)
        return _least(zone, _may_be_nearest(zone, structure))
    points = np.asarray(structure, dtype=float).reshape(-1, 3)
    if len(points) < 2:
        return _least_of_points(zone, points)
    return _least(zone, np.stack([points[:-1], points[1:]], axis=1))


def distances_mm(zone: FreezingZone, structures: Mapping[str, Structure]) -> dict[str, float]:
    """Return the distance to every structure that has points, by name."""
    found = {name: zone_distance_mm(zone, structure) for name, structure in structures.items()}
    return {name: distance for name, distance in found.items() if distance is not None}


def _least_of_points(zone: FreezingZone, points: FloatArray) -> float | None:
    return float(zone.distance(points).min()) if len(points) else None


def _may_be_nearest(zone: FreezingZone, surface: Surface) -> FloatArray:
    """Return the triangles (N, 3, 3) of a surface that may hold the point nearest to a zone.

    No point of a triangle is nearer to the balloon than the ball around the triangle is.
    """
    origin, middles, radii = balls(surface)
    offset = middles - (zone.centre - origin).astype(np.float32)[:, None]
    away = np.sqrt(offset[0] ** 2 + offset[1] ** 2 + offset[2] ** 2) - radii - zone.radius_mm
    nearest = surface.points[surface.faces[np.argmin(away)]]
    return surface.points[surface.faces[away <= zone.distance(nearest).min()]]


def _least(zone: FreezingZone, cells: FloatArray) -> float:
    """Least distance to cells (N, 2 or 3, 3): segments or triangles.

    Two bounds tell which cells cannot hold a nearer point than the best so far:
    no point of a cell is farther from its nearest corner than its size allows, and
    none is nearer to the balloon than the cell's nearest point to the centre less
    the radius. (Inside the ball the distance drops to 0; corners found there end
    the search at once.)
    """
    best = np.inf
    while len(cells):
        at_corner = zone.distance(cells).min(axis=1)
        best = min(best, float(at_corner.min()))
        if best == 0.0:
            break
        to_ball = _distance_to_cells(cells - zone.centre) - zone.radius_mm
        bound = np.maximum(at_corner - _reach(cells), to_ball)
        cells = _halved(cells[bound < best - DISTANCE_TOLERANCE_MM])
    return best


def _distance_to_cells(cells: FloatArray) -> FloatArray:
    """Distance (N,) from the origin to segments (N, 2, 3) or triangles (N, 3, 3)."""
    along = np.roll(cells, -1, axis=1) - cells
    square = np.maximum(dots(along, along), np.finfo(float).tiny)
    t = np.clip(-dots(cells, along) / square, 0.0, 1.0)
    distance: FloatArray = lengths(cells + t[..., None] * along).min(axis=1)
    if cells.shape[1] == 3:
        normal = cross(along[:, 0], along[:, 1])
        length = lengths(normal)
        sides = dots(cross(along, normal[:, None]), cells)
        above = (sides >= 0.0).all(axis=1) & (length > 0.0)
        height = np.abs(dots(normal, cells[:, 0]))[above] / length[above]
        distance[above] = height
    return distance


def _reach(cells: FloatArray) -> FloatArray:
    """How far a point of each cell can be from its nearest corner."""
    edge = lengths(np.roll(cells, -1, axis=1) - cells).max(axis=1)
    return np.asarray(0.5 * edge if cells.shape[1] == 2 else edge / np.sqrt(3.0))


def _halved(cells: FloatArray) -> FloatArray:
    """Split segments in two and triangles in four, at the middles of their edges."""
    if cells.shape[1] == 2:
        middle = cells.mean(axis=1)
        return np.concatenate(
            [np.stack([cells[:, 0], middle], axis=1), np.stack([middle, cells[:, 1]], axis=1)]
        )
    a, b, c = (cells[:, k] for k in range(3))
    ab, bc, ca = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
    parts: list[tuple[FloatArray, FloatArray, FloatArray]] = [
        (a, ab, ca),
        (ab, b, bc),
        (ca, bc, c),
        (ab, bc, ca),
    ]
    return np.concatenate([np.stack(part, axis=1) for part in parts])
