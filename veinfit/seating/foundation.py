"""The wall as a stiffening elastic foundation: energy, force, stiffness.

A wall point at x lies inside a ball of radius R about c by δ = R − |x − c| and
stores w(δ) per area. On the triangles of the wall δ is interpolated linearly
between vertices and the integral over the pressed part {δ > 0} is exact: each
triangle is cut along its own contact line and integrated by a rule that is exact
for the polynomial at hand. Energy, force and stiffness are therefore derivatives
of one function, smooth also where the contact line crosses triangles, and hold
down to a rigid wall, whose contact is far narrower than an edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from veinfit.frames import BoolArray, FloatArray, IntArray
from veinfit.seating.shape import Shape, Sphere, depth_terms, gaps_mm
from veinfit.seating.triangles import parts_above
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.surface.mesh import any_corner, face_areas, renumbered, select_faces

NEWTON_PER_KPA_MM2 = 1e-3
"""1 kPa over 1 mm² is a millinewton."""


@dataclass(frozen=True, slots=True)
class FoundationLaw:
    """w(δ) = ½ k δ² (1 + ½ (δ/δ₀)²): wall and balloon in series, stiffening with depth.

    Attributes
    ----------
    stiffness_n_per_mm3 : float
        k in N/mm³ (1 kPa/mm = 1e-3 N/mm³).
    stiffening_depth_mm : float
        δ₀, where the stiffness against further depth has risen to four times and
        the pressure to twice that of the linear foundation; inf is linear (Winkler).
    """

    stiffness_n_per_mm3: float
    stiffening_depth_mm: float = math.inf

    @classmethod
    def from_settings(cls, settings: SeatingSettings) -> FoundationLaw:
        """Return the law that the settings describe."""
        stiffness = settings.stiffness_kpa_per_mm * NEWTON_PER_KPA_MM2
        return cls(stiffness, settings.stiffening_depth_mm)

    def energy(self, depth: FloatArray) -> FloatArray:
        """Return w, N/mm, at depths of 0 mm and more."""
        square = depth * depth
        return 0.5 * self.stiffness_n_per_mm3 * square * (1.0 + 0.5 * square * self._inverse)

    def pressure(self, depth: FloatArray) -> FloatArray:
        """Return w′, N/mm², at depths of 0 mm and more."""
        return self.stiffness_n_per_mm3 * depth * (1.0 + depth * depth * self._inverse)

    def slope(self, depth: FloatArray) -> FloatArray:
        """Return w″, N/mm³, at depths of 0 mm and more."""
        return self.stiffness_n_per_mm3 * (1.0 + 3.0 * depth * depth * self._inverse)

    @property
    def _inverse(self) -> float:
        return self.stiffening_depth_mm**-2


def _degree_four_rule() -> tuple[FloatArray, FloatArray]:
    """Barycentric points (6, 3) and weights (6,) that integrate degree four exactly.

    Dunavant DA, High degree efficient symmetrical Gaussian quadrature rules for
    the triangle, Int J Numer Methods Eng 1985;21:1129-1148.
    """
    points, weights = [], []
    for a, weight in (
        (0.445948490915965, 0.223381589678011),
        (0.091576213509771, 0.109951743655322),
    ):
        for corner in range(3):
            row = np.full(3, a)
            row[corner] = 1.0 - 2.0 * a
            points.append(row)
            weights.append(weight)
    return np.array(points), np.array(weights)


RULE_POINTS, RULE_WEIGHTS = _degree_four_rule()
RULE_PRODUCTS = (RULE_POINTS[:, :, None] * RULE_POINTS[:, None, :]).reshape(-1, 9)
"""Products of barycentric coordinates (6, 9) at the points of the rule."""


@dataclass(frozen=True, slots=True, eq=False)
class Foundation:
    """The part of a wall that can press on a ball.

    Attributes
    ----------
    points : (V, 3) array
        All vertices, mm.
    faces : (F, 3) array
        The triangles that can press.
    areas : (F,) array
        Their areas, mm².
    law : FoundationLaw
    radius_mm : float
        R of the ball; of another shape the longest ray.
    shape : Shape or None
        None for a ball.
    shaft : (3,) array or None
        Unit vector from the centre to the nose of what is no ball.
    """

    points: FloatArray
    faces: IntArray
    areas: FloatArray
    law: FoundationLaw
    radius_mm: float
    shape: Shape | None = None
    shaft: FloatArray | None = None

    @property
    def nose_mm(self) -> float:
        """Distance from the centre to the nose."""
        return self.radius_mm if self.shape is None else self.shape.nose_mm

    def pressed_by(self, shape: Shape, shaft: FloatArray) -> Foundation:
        """Return the same wall before a balloon of some shape whose nose points along ``shaft``."""
        if isinstance(shape, Sphere):
            return replace(self, radius_mm=shape.radius_mm, shape=None, shaft=None)
        return replace(self, radius_mm=shape.reach_mm, shape=shape, shaft=shaft)

    @classmethod
    def on(
        cls, surface: Surface, can_press: BoolArray, law: FoundationLaw, radius_mm: float
    ) -> Foundation:
        """Return the foundation of the faces of ``surface`` for which ``can_press`` holds."""
        part, _ = select_faces(surface, can_press)
        return cls(part.points, part.faces, face_areas(part), law, radius_mm)

    def joined(self, other: Foundation) -> Foundation:
        """Return this wall and another as one, under this wall's law."""
        return replace(
            self,
            points=np.concatenate([self.points, other.points]),
            faces=np.concatenate([self.faces, other.faces + len(self.points)]),
            areas=np.concatenate([self.areas, other.areas]),
        )

    def around(self, centre: FloatArray, margin_mm: float) -> Foundation:
        """Return the part of the wall that a ball near ``centre`` (3,) can press.

        It is complete for every centre within ``margin_mm`` of this one.
        """
        offset = self.points - centre
        reach = self.radius_mm + margin_mm
        close = np.einsum("ij,ij->i", offset, offset) < reach**2
        kept = np.flatnonzero(any_corner(self.faces, close))
        used, faces = renumbered(self.faces[kept], len(self.points))
        return replace(self, points=self.points[used], faces=faces, areas=self.areas[kept])

    def least_gap(self, centre: FloatArray) -> float:
        """Distance from the ball's surface to the nearest vertex, mm; negative where pressed."""
        if not len(self.points):
            return math.inf
        offset = self.points - centre
        if self.shape is not None and self.shaft is not None:
            return float(gaps_mm(self.shape, offset, self.shaft)[0].min())
        nearest = float(np.einsum("ij,ij->i", offset, offset).min())
        return math.sqrt(nearest) - self.radius_mm

    def blocked(self, centre: FloatArray, direction: FloatArray) -> FloatArray:
        """Ways (N, 2) along a unit direction, from and to, on which a vertex is inside the ball.

        Of another shape the ball around it is meant: none is clear that is not.
        """
        offset = self.points - centre
        along = offset @ direction
        half = self.radius_mm**2 - np.einsum("ij,ij->i", offset, offset) + along**2
        met = half > 0.0
        reach = np.sqrt(half[met])
        return np.stack([along[met] - reach, along[met] + reach], axis=1)

    def evaluate(self, centre: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Energy, N·mm, its gradient (3,), N, and Hessian (3, 3), N/mm, at a ball's centre."""
        offset = self.points - centre
        if self.shape is not None and self.shaft is not None:
            return self._evaluate_shape(self.shape, self.shaft, offset)
        distance = np.sqrt(np.einsum("ij,ij->i", offset, offset))
        depth = self.radius_mm - distance
        inside = depth > 0
        pressed = np.flatnonzero(any_corner(self.faces, inside))
        if not len(pressed):
            return 0.0, np.zeros(3), np.zeros((3, 3))
        faces = self.faces[pressed]
        energy, force, stiffness = over_triangles(self.law, depth[faces], self.areas[pressed])

        # δ of a vertex has gradient u = (x − c)/|x − c| and Hessian −(I − u uᵀ)/|x − c|.
        span = np.maximum(distance, np.finfo(float).tiny)
        outward = (offset / span[:, None])[faces]
        flat = outward.reshape(-1, 3)
        gradient = force.reshape(-1) @ flat
        hessian = (stiffness @ outward).reshape(-1, 3).T @ flat
        bent = (force / span[faces]).reshape(-1)
        hessian -= bent.sum() * np.eye(3) - (flat * bent[:, None]).T @ flat
        return float(energy.sum()), gradient, hessian

    def _evaluate_shape(
        self, shape: Shape, shaft: FloatArray, offset: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Return the same for a balloon that is no ball."""
        close = np.einsum("ij,ij->i", offset, offset) < self.radius_mm**2
        faces = np.flatnonzero(any_corner(self.faces, close))
        if not len(faces):
            return 0.0, np.zeros(3), np.zeros((3, 3))
        depth, slope, curve = depth_terms(shape, offset[self.faces[faces]], shaft)
        energy, force, stiffness = over_triangles(self.law, depth, self.areas[faces])
        gradient = np.einsum("fc,fci->i", force, slope)
        hessian = np.einsum("fci,fcd,fdj->ij", slope, stiffness, slope, optimize=True)
        hessian += np.einsum("fc,fcij->ij", force, curve)
        return float(energy.sum()), gradient, hessian


def over_triangles(
    law: FoundationLaw, depth: FloatArray, areas: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Integrate a law over the pressed parts of triangles.

    Parameters
    ----------
    law : FoundationLaw
    depth : (F, 3) array
        δ at the corners, mm, read as linear in between; pressed where it is above 0.
    areas : (F,) array
        mm².

    Returns
    -------
    energy : (F,) array
        N·mm.
    force, stiffness : (F, 3), (F, 3, 3) array
        Its first and second derivatives by the depth at each triangle's corners.
    """
    count = len(depth)
    energy, force = np.zeros(count), np.zeros((count, 3))
    stiffness = np.zeros((count, 9))
    inside = depth > 0.0
    corners_inside = inside[:, 0].astype(np.int8) + inside[:, 1] + inside[:, 2]
    whole = np.flatnonzero(corners_inside == 3)
    at = depth[whole] @ RULE_POINTS.T
    weight = RULE_WEIGHTS * areas[whole][:, None]
    energy[whole] = (weight * law.energy(at)).sum(axis=1)
    force[whole] = (weight * law.pressure(at)) @ RULE_POINTS
    stiffness[whole] = (weight * law.slope(at)) @ RULE_PRODUCTS
    partly = np.flatnonzero((corners_inside == 1) | (corners_inside == 2))
    if len(partly):
        parts = parts_above(depth[partly])
        face = partly[parts.face]
        points = RULE_POINTS @ parts.corners
        # Where a part's corner lies on the contact line rounding may leave δ at −1e-16.
        at = np.maximum((points @ depth[face][:, :, None])[..., 0], 0.0)
        weight = RULE_WEIGHTS * (parts.share * areas[face])[:, None]
        np.add.at(energy, face, (weight * law.energy(at)).sum(axis=1))
        np.add.at(force, face, ((weight * law.pressure(at))[:, None, :] @ points)[:, 0])
        bent = (points * (weight * law.slope(at))[..., None]).transpose(0, 2, 1) @ points
        np.add.at(stiffness, face, bent.reshape(-1, 9))
    return energy, force, stiffness.reshape(-1, 3, 3)
