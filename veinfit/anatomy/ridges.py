"""Widths of the ridges between neighbouring ostia, over the wall."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.model import Contour, Ridge
from veinfit.frames import FloatArray
from veinfit.notes import Note
from veinfit.surface import Surface
from veinfit.surface.geodesics import shortest_way, way_length
from veinfit.surface.mesh import select_faces

NEIGHBOURS: tuple[tuple[str, str], ...] = (
    ("LSPV", "LIPV"),
    ("RSPV", "RMPV"),
    ("RMPV", "RIPV"),
    ("RMPV", "RMPV-2"),
    ("RMPV-2", "RIPV"),
    ("RSPV", "RIPV"),
    ("LIPV", "RIPV"),
    ("LSPV", "RSPV"),
    ("LCPV", "RSPV"),
    ("LCPV", "RIPV"),
    ("LSPV", "LAA"),
    ("LCPV", "LAA"),
    ("LIPV", "ICPV"),
)
"""Pairs of structures that have a ridge or a stretch of wall between them."""

REACH_MM = 15.0
"""Wall this far around the straight line between two contours can hold the shortest way."""


def ridge_widths(
    wall: Surface, contours: Mapping[str, Contour]
) -> tuple[tuple[Ridge, ...], tuple[Note, ...]]:
    """Measure every ridge whose two sides were found.

    The width is the length of the shortest way over the wall between the two
    ostial contours.
    """
    ridges: list[Ridge] = []
    notes: list[Note] = []
    middle = wall.points[wall.faces].mean(axis=1)
    for start, end in NEIGHBOURS:
        if start not in contours or end not in contours:
            continue
        way = _way_between(wall, middle, contours[start].points, contours[end].points)
        if way is None:
            notes.append(Note("measures", f"no way over the wall from {start} to {end}", start))
            continue
        ridges.append(Ridge(start, end, way_length(way), way))
    return tuple(ridges), tuple(notes)


def _way_between(
    wall: Surface, middle: FloatArray, start: FloatArray, stop: FloatArray
) -> FloatArray | None:
    gap, _ = cKDTree(start).query(stop)
    near = float(gap.min())
    from_start, _ = cKDTree(start).query(middle)
    from_stop, _ = cKDTree(stop).query(middle)
    # A way no longer than near + REACH_MM cannot leave this ellipsoid around the two contours.
    chosen = from_start + from_stop <= near + REACH_MM
    if not chosen.any():
        return None
    part, _ = select_faces(wall, chosen)
    return shortest_way(part, start, _faces_of(part, start), stop, _faces_of(part, stop))


def _faces_of(surface: Surface, points: FloatArray) -> np.ndarray:
    """Return the face whose middle is nearest to each point, in units of the face's size."""
    corners = surface.points[surface.faces]
    middle = corners.mean(axis=1)
    _, near = cKDTree(middle).query(points, k=min(12, len(middle)))
    near = near.reshape(len(points), -1)
    a, b, c = (corners[near][:, :, k] for k in range(3))
    distance = _triangle_distance(points[:, None], a, b, c)
    return near[np.arange(len(points)), distance.argmin(axis=1)]


def _triangle_distance(p: FloatArray, a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Distance from points to triangles, broadcast; exact inside, by edges outside."""
    normal = np.cross(b - a, c - a)
    length = np.linalg.norm(normal, axis=-1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    height = ((p - a) * normal).sum(axis=-1)
    foot = p - height[..., None] * normal
    inside = np.ones(height.shape, dtype=bool)
    edge = np.full(height.shape, np.inf)
    for u, v in ((a, b), (b, c), (c, a)):
        side = (np.cross(v - u, foot - u) * normal).sum(axis=-1)
        inside &= side >= 0
        along = v - u
        t = ((p - u) * along).sum(axis=-1) / np.maximum((along**2).sum(axis=-1), 1e-18)
        nearest = u + np.clip(t, 0.0, 1.0)[..., None] * along
        edge = np.minimum(edge, np.linalg.norm(p - nearest, axis=-1))
    return np.where(inside, np.abs(height), edge)
