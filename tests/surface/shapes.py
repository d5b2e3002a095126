"""Surfaces with closed forms, built point by point, for tests of the surface package."""

from __future__ import annotations

import numpy as np

from veinfit.surface import Surface


def grid_faces(rows: int, columns: int, around: bool = False) -> np.ndarray:
    """Two triangles for every cell of a grid of points; the last column joins the first."""
    last = columns if around else columns - 1
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(last), indexing="ij")
    a = (i * columns + j).ravel()
    b = (i * columns + (j + 1) % columns).ravel()
    c, d = a + columns, b + columns
    return np.concatenate([np.stack([a, b, d], 1), np.stack([a, d, c], 1)])


def tube(radius_x: float, radius_y: float, length: float, around=96, along=24) -> Surface:
    """An open elliptical tube along z, wound outward."""
    angle = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    z = np.linspace(0.0, length, along)
    zz, aa = np.meshgrid(z, angle, indexing="ij")
    points = np.stack([radius_x * np.cos(aa), radius_y * np.sin(aa), zz], axis=-1).reshape(-1, 3)
    return Surface(points, grid_faces(along, around, around=True))


def sphere(radius: float, rings: int = 48, around: int = 96) -> Surface:
    """A closed sphere about the origin, wound outward."""
    polar = np.linspace(0.0, np.pi, rings + 1)[1:-1][::-1]
    angle = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    pp, aa = np.meshgrid(polar, angle, indexing="ij")
    ring = radius * np.stack(
        [np.sin(pp) * np.cos(aa), np.sin(pp) * np.sin(aa), np.cos(pp)], axis=-1
    ).reshape(-1, 3)
    south, north = len(ring), len(ring) + 1
    points = np.concatenate([ring, [[0.0, 0.0, -radius], [0.0, 0.0, radius]]])
    first = np.arange(around)
    following = (first + 1) % around
    last = (rings - 2) * around
    caps = [
        np.stack([np.full(around, south), following, first], axis=1),
        np.stack([np.full(around, north), last + first, last + following], axis=1),
    ]
    return Surface(points, np.concatenate([grid_faces(rings - 1, around, around=True), *caps]))


def plate(size: float, step: float) -> Surface:
    """A flat square in the plane z = 0, normals up."""
    x = np.arange(0.0, size + 0.5 * step, step)
    xx, yy = np.meshgrid(x, x, indexing="xy")
    points = np.stack([xx.ravel(), yy.ravel(), np.zeros(xx.size)], axis=1)
    return Surface(points, grid_faces(len(x), len(x)))


def moved(surface: Surface, rotation: np.ndarray, shift: np.ndarray) -> Surface:
    """The surface after a rigid motion."""
    return Surface(surface.points @ rotation.T + shift, surface.faces)
