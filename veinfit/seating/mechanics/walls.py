"""The wall that balloons press, and two ways to integrate over it.

Over points each counts with the area that it stands for: quick, and near enough where the
contact is wider than the points are apart. Over triangles the depth is read as linear on
each and the integral over the pressed part, cut along its own contact line, is exact: it
holds down to a rigid wall, whose contact is far narrower than an edge. Energy, force and
stiffness are derivatives of one function in both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from veinfit.seating.mechanics.coarse import gather, sharp_points
from veinfit.seating.mechanics.law import IndentationLaw
from veinfit.seating.mechanics.modes import ShapeModes
from veinfit.seating.mechanics.triangles import parts_above
from veinfit.surface.mesh import any_corner
from veinfit.vectors import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class BalloonWall:
    """Wall that can press on a balloon.

    Attributes
    ----------
    points : (V, 3) array
        As imaged, mm.
    point_weights : (V,) array
        Stiffness times the area that each point stands for, N/mm.
    faces : (F, 3) array
        The triangles that can press; none where only points are known.
    face_weights : (F,) array
        Stiffness times area, N/mm.
    law : IndentationLaw
    modes : ShapeModes
        Of these points.
    """

    points: FloatArray
    point_weights: FloatArray
    faces: IntArray
    face_weights: FloatArray
    law: IndentationLaw
    modes: ShapeModes

    @classmethod
    def of_triangles(
        cls,
        points: FloatArray,
        faces: IntArray,
        areas: FloatArray,
        stiffness: FloatArray,
        law: IndentationLaw,
        modes: ShapeModes,
    ) -> BalloonWall:
        """Return a wall of triangles.

        Parameters
        ----------
        points : (V, 3) array
        faces : (F, 3) array
        areas : (F,) array
            As imaged, mm².
        stiffness : (V,) array
            k at each point, N/mm³.
        law : IndentationLaw
        modes : ShapeModes
        """
        share = np.bincount(faces.ravel(), np.repeat(areas / 3.0, 3), minlength=len(points))
        # Column by column: a mean along rows of three takes several times as long.
        a, b, c = (stiffness.take(column) for column in faces.T)
        weights = areas * ((a + b + c) / 3.0)
        return cls(points, share * stiffness, faces, weights, law, modes)

    @property
    def greatest_move_mm(self) -> float:
        """Bound on how far any point moves with the modes, mm."""
        return self.modes.greatest_move_mm

    @cached_property
    def _columns(self) -> FloatArray:
        """Places, U and W of each mode, axis by axis: (3, 1 + 2 M, V)."""
        return self.modes.beside(self.points)

    def offsets(self, place: FloatArray) -> list[FloatArray]:
        """Coordinates, 3 of (K, V), from centres of balloons to the points.

        ``place`` (K, 3 + M) holds the centres and the amplitudes of the modes, mm.
        """
        modes = self.modes
        offset = [column[0] - place[:, [k]] for k, column in enumerate(self._columns)]
        if modes.count:
            factor = modes.factors(place[:, 3:])
            for m in np.flatnonzero(factor.any(axis=(0, 2))):
                one, two = factor[:, m, :1], factor[:, m, 1:]
                for k, column in enumerate(self._columns):
                    offset[k] += one * column[1 + 2 * m] + two * column[2 + 2 * m]
        return offset

    def near(self, kept: BoolArray) -> BalloonWall:
        """Return the wall of the faces that have a corner among some points (V,), and these."""
        used = kept.copy()
        faces = np.flatnonzero(any_corner(self.faces, kept))
        used[self.faces[faces]] = True
        number = np.cumsum(used) - 1
        return replace(
            self,
            points=self.points[used],
            point_weights=self.point_weights[used],
            faces=number[self.faces[faces]],
            face_weights=self.face_weights[faces],
            modes=self.modes.of(used),
        )

    def beside(self, other: BalloonWall) -> BalloonWall:
        """Return this wall and another one before the same vein, in this order, as one.

        Parameters
        ----------
        other : BalloonWall
            With the same law and the same modes.

        Returns
        -------
        BalloonWall
        """
        if not len(other.points):
            return self
        return replace(
            self,
            points=np.concatenate([self.points, other.points]),
            point_weights=np.concatenate([self.point_weights, other.point_weights]),
            faces=np.concatenate([self.faces, other.faces + len(self.points)]),
            face_weights=np.concatenate([self.face_weights, other.face_weights]),
            modes=self.modes.and_of(other.modes),
        )

    def gathered(
        self,
        size_mm: float,
        origin: FloatArray,
        axes: FloatArray,
        sharp: BoolArray | None = None,
        links: IntArray | None = None,
    ) -> BalloonWall:
        """Return the same wall in cells of about ``size_mm``, as points alone.

        ``origin`` (3,) and ``axes`` (3, 3) lay the cells out, points that are ``sharp`` (V,) stay
        by themselves, ``links`` (E, 2) are its edges, where they are known; see ``coarse.gather``.
        """
        if not len(self.points):
            return self
        if links is None:
            links = np.concatenate([self.faces[:, [k, (k + 1) % 3]] for k in range(3)])
        alone = sharp_points(self.points, self.faces) if sharp is None else sharp
        cells = gather(self.points - origin, links, size_mm, axes, alone)
        weights = np.maximum(self.point_weights, np.finfo(float).tiny)
        modes = self.modes
        first, second = (
            np.stack([cells.means(field, weights) for field in fields])
            if modes.count
            else np.zeros((0, cells.count, 3))
            for fields in (modes.first, modes.second)
        )
        return BalloonWall(
            points=cells.means(self.points, weights),
            point_weights=cells.sums(self.point_weights),
            faces=np.zeros((0, 3), dtype=np.int64),
            face_weights=np.zeros(0),
            law=self.law,
            modes=replace(modes, first=first, second=second),
        )


def over_pressed(
    law: IndentationLaw, depth: FloatArray, weights: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Integrate a law over the pressed parts of triangles.

    Parameters
    ----------
    law : IndentationLaw
    depth : (F, 3) array
        δ at the corners, mm, read as linear in between; pressed where it is above 0.
    weights : (F,) array
        Stiffness times area, N/mm.

    Returns
    -------
    pressed : (K,) array
        The triangles that are pressed, in any order.
    energy : (K,) array
        N·mm.
    force, stiffness : (3, K), (9, K) array
        Its first and second derivatives by the depth at each triangle's corners: corner by
        corner, so that loops run along the triangles.
    """
    inside = depth > 0.0
    corners_inside = inside[:, 0].astype(np.int8) + inside[:, 1] + inside[:, 2]
    whole = np.flatnonzero(corners_inside == 3)
    told = _over_whole(law, depth.take(whole, axis=0).T, weights[whole])
    partly = np.flatnonzero((corners_inside == 1) | (corners_inside == 2))
    if not len(partly):
        return whole, *told
    # Each part is a triangle of its own, pressed as a whole.
    parts = parts_above(depth[partly])
    face, corners = partly[parts.face], parts.corners
    # Where a part's corner lies on the contact line rounding may leave δ at −1e-16.
    at = np.maximum(np.einsum("nck,nk->cn", corners, depth[face]), 0.0)
    value, force, bent = _over_whole(law, at, parts.share * weights[face])
    force = np.einsum("cn,nck->kn", force, corners)
    bent = corners.transpose(0, 2, 1) @ bent.T.reshape(-1, 3, 3) @ corners
    of_parts = np.concatenate([value[None], force, bent.reshape(-1, 9).T])
    sums = [np.bincount(parts.face, one, minlength=len(partly)) for one in of_parts]
    return (
        np.concatenate([whole, partly]),
        np.concatenate([told[0], sums[0]]),
        np.concatenate([told[1], sums[1:4]], axis=1),
        np.concatenate([told[2], sums[4:]], axis=1),
    )


def _over_whole(
    law: IndentationLaw, depth: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Do the same for triangles that are pressed all over: depth (3, F), weights (F,).

    Corner by corner, so that loops run along the triangles.

    Returns
    -------
    energy : (F,) array
    force, stiffness : (3, F), (9, F) array
    """
    at = RULE_POINTS @ depth
    energy, pressure, slope = law.terms(at)
    return (
        weights * (RULE_WEIGHTS @ energy),
        weights * (WEIGHTED_POINTS @ pressure),
        weights * (WEIGHTED_PRODUCTS @ slope),
    )


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
WEIGHTED_POINTS = (RULE_WEIGHTS[:, None] * RULE_POINTS).T
WEIGHTED_PRODUCTS = (WEIGHTED_POINTS[:, None] * RULE_POINTS.T).reshape(9, -1)
"""Barycentric coordinates (3, 6) at the points of the rule and their products (9, 6), with the
rule's weights."""
