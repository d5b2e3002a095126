"""Shapes sampled at voxel centres, and what can be read off the surface made of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.surface import Surface
from veinfit.surface.cuts import plane_contours
from veinfit.surface.mesh import face_areas, face_normals
from veinfit.vectors import FloatArray, apply_affine, unit


@dataclass(frozen=True)
class Grid:
    """A grid with its centre near the origin of LPS."""

    shape: tuple[int, int, int]
    affine: FloatArray

    def sample(self, inside) -> np.ndarray:
        """Return the mask of voxels whose centres (N, 3) ``inside`` tells to be in."""
        axes = [np.arange(n) for n in self.shape]
        slabs = []
        for i in axes[0]:
            jk = np.stack(np.meshgrid(axes[1], axes[2], indexing="ij"), axis=-1).reshape(-1, 2)
            points = apply_affine(self.affine, np.column_stack([np.full(len(jk), i), jk]))
            slabs.append(inside(points).reshape(self.shape[1:]))
        return np.stack(slabs)

    @property
    def voxel_mm3(self) -> float:
        return abs(float(np.linalg.det(self.affine[:3, :3])))


def grid(edges, extent_mm: float, rng, rotation=None, left_handed: bool = False) -> Grid:
    """A cube of ``extent_mm`` whose voxel centres are shifted at random by less than a voxel."""
    edges = np.asarray(edges, dtype=float)
    shape = np.ceil(extent_mm / edges).astype(int)
    linear = (np.eye(3) if rotation is None else np.asarray(rotation)) * edges
    if left_handed:
        linear = linear * (1, 1, -1)
    affine = np.eye(4)
    affine[:3, :3] = linear
    affine[:3, 3] = -linear @ ((shape - 1) / 2 + rng.uniform(-0.5, 0.5, 3))
    return Grid((int(shape[0]), int(shape[1]), int(shape[2])), affine)


def tube(axis, diameter: float, start: float, end: float):
    """A round tube along a line through the origin, flat at both ends."""
    axis = unit(axis)

    def inside(points):
        along = points @ axis
        square = np.einsum("ij,ij->i", points, points) - along**2
        return (square <= diameter**2 / 4) & (along >= start) & (along <= end)

    return inside


def ball(radius: float, centre=(0.0, 0.0, 0.0)):
    def inside(points):
        return ((points - np.asarray(centre)) ** 2).sum(axis=1) <= radius**2

    return inside


def section_diameters(surface: Surface, axis, stations) -> FloatArray:
    """Area-equivalent diameters of the sections about a line through the origin, mm."""
    axis = unit(axis)
    found = []
    for s in stations:
        contours = plane_contours(surface, s * axis, axis)
        nearest = min(contours, key=lambda c: np.linalg.norm(c.points.mean(axis=0) - s * axis))
        p = nearest.points - s * axis
        area = 0.5 * abs(np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0) @ axis)
        found.append(np.sqrt(4 * area / np.pi))
    return np.array(found)


def mean_normal_error_deg(surface: Surface, axis, start: float, end: float) -> float:
    """Area-weighted angle between the faces of a tube and the exact normals."""
    axis = unit(axis)
    centres = surface.points[surface.faces].mean(axis=1)
    along = centres @ axis
    radial = unit(centres - along[:, None] * axis)
    angle = np.degrees(np.arccos(np.clip((face_normals(surface) * radial).sum(1), -1, 1)))
    weight = face_areas(surface) * ((along > start) & (along < end))
    return float((angle * weight).sum() / weight.sum())
