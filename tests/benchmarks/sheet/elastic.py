"""A thin elastic sheet of triangles under large displacement: energy, force, stiffness.

Membrane: a St. Venant-Kirchhoff material in plane stress on triangles of constant strain
(Green's strain, so rigid motions cost nothing), optionally stiffening with its own energy.
Bending: the dihedral angle across every inner edge against that of the rest shape
(Grinspun et al., Discrete shells, SCA 2003), with the weight |e|² / (A₁ + A₂) times the plate
stiffness E t³ / 12 (1 − ν²). That weight is exact for a regular triangle mesh (Seung and
Nelson, Phys Rev A 1988;38:1005) and for a strip bent along its edges.
Tether: every point is drawn back to where it was, in all directions alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from veinfit.vectors import FloatArray, IntArray

NEWTON_PER_KPA_MM2 = 1e-3

DIFFERENCE_MM = 1e-6
"""Step of the differences that give the second derivative of the dihedral angle."""


@dataclass(frozen=True)
class Material:
    """What the sheet is made of.

    Attributes
    ----------
    modulus_kpa, thickness_mm, poisson : float
    tether_kpa_per_mm : float
    stiffening_strain : float
        In pure stretch to this strain the stress is twice that of the linear law; inf: never.
    """

    modulus_kpa: float
    thickness_mm: float
    poisson: float = 0.45
    tether_kpa_per_mm: float = 0.0
    stiffening_strain: float = math.inf

    @classmethod
    def of_ring(
        cls,
        stiffness_kpa_per_mm: float,
        radius_mm: float,
        thickness_mm: float,
        tether_kpa_per_mm: float = 0.0,
        stiffening_depth_mm: float = math.inf,
    ) -> Material:
        """Return the material whose ring of a radius has the hoop stiffness E t / a² = k."""
        modulus = stiffness_kpa_per_mm * radius_mm**2 / thickness_mm
        return cls(
            modulus,
            thickness_mm,
            tether_kpa_per_mm=tether_kpa_per_mm,
            stiffening_strain=stiffening_depth_mm / radius_mm,
        )

    @property
    def stretch_n_per_mm(self) -> float:
        """E t."""
        return self.modulus_kpa * self.thickness_mm * NEWTON_PER_KPA_MM2

    @property
    def bending_n_mm(self) -> float:
        """E t³ / 12 (1 − ν²)."""
        return self.stretch_n_per_mm * self.thickness_mm**2 / (12.0 * (1.0 - self.poisson**2))


class Sheet:
    """Triangles at rest, ready to be strained.

    Parameters
    ----------
    points : (V, 3) array
    faces : (F, 3) array
    material : Material
    """

    def __init__(self, points: FloatArray, faces: IntArray, material: Material) -> None:
        self.rest, self.faces, self.material = points, faces, material
        a, b, c = (points[faces[:, i]] for i in range(3))
        first, second = b - a, c - a
        normal = np.cross(first, second)
        self.areas = 0.5 * np.linalg.norm(normal, axis=1)
        along = first / np.linalg.norm(first, axis=1)[:, None]
        across = np.cross(normal / (2.0 * self.areas[:, None]), along)
        flat = np.stack(
            [
                np.stack([dots(first, along), dots(second, along)], axis=-1),
                np.stack([dots(first, across), dots(second, across)], axis=-1),
            ],
            axis=1,
        )
        inverse = np.linalg.inv(flat)
        # Derivative of the deformation gradient by the corners (F, 3, 2).
        self.shape = np.concatenate([-inverse.sum(axis=1, keepdims=True), inverse], axis=1)
        self.vertex_areas = np.bincount(
            faces.ravel(), np.repeat(self.areas / 3.0, 3), minlength=len(points)
        )
        self.hinges = _hinges(faces)
        p = points[self.hinges]
        self.rest_angles, _ = dihedral(p)
        edge = p[:, 1] - p[:, 0]
        both = 0.5 * (
            np.linalg.norm(np.cross(edge, p[:, 2] - p[:, 0]), axis=1)
            + np.linalg.norm(np.cross(edge, p[:, 3] - p[:, 0]), axis=1)
        )
        self.hinge_weight = material.bending_n_mm * dots(edge, edge) / both
        nu = material.poisson
        self.law = (
            material.stretch_n_per_mm
            / (1.0 - nu**2)
            * np.array([[1.0, nu, 0.0], [nu, 1.0, 0.0], [0.0, 0.0, 0.5 * (1.0 - nu)]])
        )
        self.tether = material.tether_kpa_per_mm * NEWTON_PER_KPA_MM2 * self.vertex_areas
        self._pattern = _Pattern(len(points), (faces, self.hinges))

    def energy(self, points: FloatArray) -> float:
        """Elastic energy, N·mm, of the sheet with its corners at ``points`` (V, 3)."""
        value, _ = self.energy_and_force(points)
        return value

    def energy_and_force(self, points: FloatArray) -> tuple[float, FloatArray]:
        """Energy, N·mm, and its gradient (V, 3), N."""
        gradient, strain, stress = self._strain(points)
        density, factor = self._density(strain, stress)
        total = float(self.areas @ density)
        force = np.zeros_like(points)
        second_piola = _tensor(stress * (factor * self.areas)[:, None])
        at_corners = np.einsum("fna,fab,fib->fni", self.shape, second_piola, gradient)
        _scatter(force, self.faces, at_corners)
        angle, slope = dihedral(points[self.hinges])
        off = _wrapped(angle - self.rest_angles)
        total += 0.5 * float(self.hinge_weight @ off**2)
        _scatter(force, self.hinges, (self.hinge_weight * off)[:, None, None] * slope)
        moved = points - self.rest
        total += 0.5 * float(self.tether @ dots(moved, moved))
        force += self.tether[:, None] * moved
        return total, force

    def stiffness(self, points: FloatArray, exact: bool, blocks: FloatArray) -> sparse.csc_matrix:
        """Second derivative (3 V, 3 V), N/mm.

        Parameters
        ----------
        points : (V, 3) array
        exact : bool
            Else parts that may be negative are left out, so that it is positive.
        blocks : (V, 3, 3) array
            Added on the diagonal, such as the stiffness of contact.
        """
        gradient, strain, stress = self._strain(points)
        _, factor = self._density(strain, stress)
        by_corner = _strain_derivative(self.shape, gradient)
        local = np.einsum("fvk,vw,fwl->fkl", by_corner, self.law, by_corner, optimize=True)
        local *= factor[:, None, None]
        if math.isfinite(self.material.stiffening_strain):
            slope = np.einsum("fv,fvk->fk", stress, by_corner)
            local += slope[:, :, None] * slope[:, None, :] / self._knee
        tension = _tensor(stress * factor[:, None])
        if not exact:
            tension = _positive(tension)
        bent = np.einsum("fna,fab,fmb->fnm", self.shape, tension, self.shape)
        local += np.einsum("fnm,ij->fnimj", bent, np.eye(3)).reshape(-1, 9, 9)
        local *= self.areas[:, None, None]
        corners = points[self.hinges]
        angle, slope = dihedral(corners)
        flat = slope.reshape(-1, 12)
        hinge = flat[:, :, None] * flat[:, None, :]
        if exact:
            off = _wrapped(angle - self.rest_angles)
            hinge = hinge + off[:, None, None] * _dihedral_curvature(corners, slope)
        hinge *= self.hinge_weight[:, None, None]
        diagonal = blocks + self.tether[:, None, None] * np.eye(3)
        return self._pattern.assembled((local, hinge), diagonal)

    @property
    def _knee(self) -> float:
        """Energy density at which the law has doubled: that of pure stretch to that strain."""
        return 0.5 * self.material.stretch_n_per_mm * self.material.stiffening_strain**2

    def _strain(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Deformation gradient (F, 3, 2), Green's strain and the linear stress (F, 3)."""
        gradient = np.einsum("fni,fna->fia", points[self.faces], self.shape)
        metric = np.einsum("fia,fib->fab", gradient, gradient)
        strain = np.stack(
            [0.5 * (metric[:, 0, 0] - 1.0), 0.5 * (metric[:, 1, 1] - 1.0), metric[:, 0, 1]], axis=-1
        )
        return gradient, strain, strain @ self.law

    def _density(self, strain: FloatArray, stress: FloatArray) -> tuple[FloatArray, FloatArray]:
        linear = 0.5 * dots(strain, stress)
        if not math.isfinite(self.material.stiffening_strain):
            return linear, np.ones_like(linear)
        return linear * (1.0 + 0.5 * linear / self._knee), 1.0 + linear / self._knee


def dots(a: FloatArray, b: FloatArray) -> FloatArray:
    """Row by row scalar products."""
    return np.einsum("ij,ij->i", a, b)


def dihedral(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angle (H,) and its gradient (H, 4, 3) across edges: corners (H, 4, 3) are edge and wings."""
    edge = corners[:, 1] - corners[:, 0]
    left, right = corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 0]
    n_left, n_right = np.cross(edge, left), np.cross(right, edge)
    length = np.sqrt(dots(edge, edge))
    angle = np.arctan2(dots(np.cross(n_left, n_right), edge) / length, dots(n_left, n_right))
    g_left = -(length / dots(n_left, n_left))[:, None] * n_left
    g_right = -(length / dots(n_right, n_right))[:, None] * n_right
    share_left = (dots(left, edge) / length**2)[:, None]
    share_right = (dots(right, edge) / length**2)[:, None]
    g_start = -(1.0 - share_left) * g_left - (1.0 - share_right) * g_right
    g_stop = -share_left * g_left - share_right * g_right
    return angle, np.stack([g_start, g_stop, g_left, g_right], axis=1)


def _dihedral_curvature(corners: FloatArray, slope: FloatArray) -> FloatArray:
    """Second derivative (H, 12, 12) of the angle, by differences of its gradient (H, 4, 3).

    A shift of all four corners changes nothing: one corner follows from the others.
    """
    result = np.zeros((len(corners), 4, 3, 12))
    for corner, axis in np.ndindex(3, 3):
        moved = corners.copy()
        moved[:, corner, axis] += DIFFERENCE_MM
        change = (dihedral(moved)[1] - slope) / DIFFERENCE_MM
        result[:, corner, axis] = change.reshape(-1, 12)
    result[:, 3] = -result[:, :3].sum(axis=1)
    whole = result.reshape(-1, 12, 12)
    return 0.5 * (whole + whole.transpose(0, 2, 1))


def _hinges(faces: IntArray) -> IntArray:
    """Inner edges and the corners across them (H, 4)."""
    start, stop = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    across = np.roll(faces, -2, axis=1).ravel()
    order = np.lexsort((np.maximum(start, stop), np.minimum(start, stop)))
    low, high = np.minimum(start, stop)[order], np.maximum(start, stop)[order]
    pair = np.flatnonzero((low[1:] == low[:-1]) & (high[1:] == high[:-1]))
    one, other = order[pair], order[pair + 1]
    return np.stack([start[one], stop[one], across[one], across[other]], axis=1)


def _strain_derivative(shape: FloatArray, gradient: FloatArray) -> FloatArray:
    """Derivative (F, 3, 9) of Green's strain (11, 22, twice 12) by the corners."""
    one = shape[:, :, 0, None] * gradient[:, None, :, 0]
    two = shape[:, :, 1, None] * gradient[:, None, :, 1]
    shear = shape[:, :, 0, None] * gradient[:, None, :, 1]
    shear = shear + shape[:, :, 1, None] * gradient[:, None, :, 0]
    return np.stack([one, two, shear], axis=1).reshape(-1, 3, 9)


def _tensor(voigt: FloatArray) -> FloatArray:
    return np.stack([voigt[:, [0, 2]], voigt[:, [2, 1]]], axis=1)


def _positive(tensor: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh(tensor)
    return np.einsum("fab,fb,fcb->fac", vectors, np.maximum(values, 0.0), vectors)


def _wrapped(angle: FloatArray) -> FloatArray:
    return np.mod(angle + np.pi, 2.0 * np.pi) - np.pi


def _scatter(total: FloatArray, index: IntArray, values: FloatArray) -> None:
    for axis in range(3):
        total[:, axis] += np.bincount(index.ravel(), values[..., axis].ravel(), len(total))


class _Pattern:
    """Where the entries of element matrices go in one sparse matrix."""

    def __init__(self, count: int, groups: tuple[IntArray, ...]) -> None:
        self.size = 3 * count
        rows, columns = [], []
        for group in (*groups, np.arange(count)[:, None]):
            dofs = (3 * group[:, :, None] + np.arange(3)).reshape(len(group), -1)
            rows.append(np.repeat(dofs, dofs.shape[1], axis=1).ravel())
            columns.append(np.tile(dofs, (1, dofs.shape[1])).ravel())
        key = np.concatenate(columns) * np.int64(self.size) + np.concatenate(rows)
        unique, self.place = np.unique(key, return_inverse=True)
        self.indices = unique % self.size
        self.pointers = np.searchsorted(unique // self.size, np.arange(self.size + 1))

    def assembled(self, parts: tuple[FloatArray, ...], diagonal: FloatArray) -> sparse.csc_matrix:
        """Sum element matrices, in the order of the groups, and blocks of the vertices."""
        values = np.concatenate([part.ravel() for part in (*parts, diagonal)])
        data = np.bincount(self.place, values, len(self.indices))
        return sparse.csc_matrix((data, self.indices, self.pointers), shape=(self.size,) * 2)
