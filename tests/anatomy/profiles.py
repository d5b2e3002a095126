"""Walls of revolution about +z (into the vein) with closed-form half turns."""

from __future__ import annotations

import numpy as np
from surface.shapes import grid_faces

from veinfit.anatomy.branches.lumen import Wall
from veinfit.surface import Surface


def revolved(profile: np.ndarray, around: int = 120) -> Surface:
    """Turn (N, 2) points (radius, height), in order up the vein, about z; wound outward."""
    angle = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    rr, aa = np.meshgrid(profile[:, 0], angle, indexing="ij")
    zz = np.repeat(profile[:, 1][:, None], around, axis=1)
    points = np.stack([rr * np.cos(aa), rr * np.sin(aa), zz], axis=-1).reshape(-1, 3)
    return Surface(points, grid_faces(len(profile), around, around=True))


def filleted_tube(
    radius: float, fillet: float, flat: float = 40.0, length: float = 25.0, step: float = 0.5
) -> Surface:
    """A tube that meets a flat wall at z = 0 over a quarter torus; the vein is at z > 0."""
    arc = np.linspace(0.0, np.pi / 2, max(int(fillet * np.pi / 2 / step), 2))
    ring = np.stack([radius + fillet * (1 - np.sin(arc)), fillet * (1 - np.cos(arc))], axis=1)
    wall = np.arange(flat, radius + fillet, -step)
    plate = np.stack([wall, np.zeros_like(wall)], axis=1)
    up = np.arange(fillet + step, length, step)
    tube = np.stack([np.full_like(up, radius), up], axis=1)
    return revolved(np.concatenate([plate, ring, tube]))


def bare(surface: Surface) -> Wall:
    """The surface with no cap on it."""
    return Wall(surface, np.zeros(len(surface.faces), dtype=bool))
