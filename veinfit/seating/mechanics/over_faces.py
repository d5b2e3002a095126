"""Energy of balloons over the triangles of a wall, with its first and second derivative."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from veinfit.seating.mechanics.shape import TINY, PlacedBalloons, Shape, Sphere, depth_terms
from veinfit.seating.mechanics.walls import BalloonWall, over_triangles
from veinfit.surface.mesh import any_corner
from veinfit.vectors import BoolArray, FloatArray

if TYPE_CHECKING:
    from veinfit.seating.mechanics.over_points import Derivatives


def over_faces(
    walls: Sequence[BalloonWall], balloons: PlacedBalloons, result: Derivatives
) -> BoolArray:
    """Integrate over the triangles that each of K balloons presses.

    Parameters
    ----------
    walls : sequence of BalloonWall
        Of each balloon: all triangles that it presses are among its own.
    balloons : PlacedBalloons
    result : tuple of arrays
        Energy, gradient and Hessian, filled in for balloons that press.

    Returns
    -------
    touches : (K,) bool array
    """
    touches: BoolArray = np.zeros(len(balloons.place), dtype=bool)
    for ball, wall in enumerate(walls):
        one = slice(ball, ball + 1)
        energy, gradient, hessian = (part[one] for part in result)
        touches[ball] = _of_one(wall, balloons.only(one), (energy, gradient[0], hessian[0]))
    return touches


def _of_one(wall: BalloonWall, balloon: PlacedBalloons, result: Derivatives) -> bool:
    """Do the same for one balloon; whether it presses any wall."""
    place, shape, shaft = balloon.place, balloon.shape, balloon.shaft[0]
    reach_mm, stiffness = float(balloon.reach_mm[0]), float(balloon.stiffness[0])
    if not len(wall.points):
        return False
    offset = np.concatenate(wall.offsets(place))
    inside = offset[0] ** 2 + offset[1] ** 2 + offset[2] ** 2 < reach_mm**2
    if not isinstance(shape, Sphere) and inside.any():
        depth = depth_terms(shape, offset[:, inside].T, shaft)[0]
        inside[inside] = depth + (reach_mm - shape.reach_mm) > 0.0
    if not inside.any():
        return False
    kept = np.flatnonzero(any_corner(wall.faces, inside))
    faces = wall.faces[kept]
    used = np.zeros(len(wall.points), dtype=bool)
    used[faces] = True
    corners = (np.cumsum(used) - 1)[faces]
    at = np.ascontiguousarray(offset[:, used].T)
    depth, slope, bend = _terms(shape, at, reach_mm, shaft)
    value, force, stiff = over_triangles(
        wall.law, depth[corners], stiffness * wall.face_weights[kept]
    )
    energy, gradient, hessian = result
    energy += value.sum()
    jacobian, second = _jacobian(wall, place, used)
    own = np.einsum("pni,pi->pn", jacobian, slope)
    # Corners of several faces are one point: what depends on the point alone is done once.
    pull = np.bincount(corners.ravel(), force.ravel(), minlength=len(at))
    gradient += pull @ own
    rows = own[corners]
    n = place.shape[1]
    hessian += rows.reshape(-1, n).T @ (stiff @ rows).reshape(-1, n)
    turned = pull[:, None, None] * (jacobian @ bend)
    hessian += np.tensordot(turned, jacobian, axes=((0, 2), (0, 2)))
    # What the bending of the modes' maps themselves contributes.
    for m in range(second.shape[1]):
        hessian[3 + m, 3 + m] += pull @ np.einsum("pi,pi->p", second[:, m], slope)
    return True


def _terms(
    shape: Shape, at: FloatArray, reach_mm: float, shaft: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Depth (P,) of points at (P, 3) from the centre, its derivatives by their place."""
    if isinstance(shape, Sphere):
        distance = np.sqrt(np.einsum("pi,pi->p", at, at))
        ray = at / np.maximum(distance, TINY)[:, None]
        bend = ray[:, :, None] * ray[:, None, :] - np.eye(3)
        bend /= np.maximum(distance, TINY)[:, None, None]
        return reach_mm - distance, -ray, bend
    depth, slope, bend = depth_terms(shape, at, shaft)
    return depth + (reach_mm - shape.reach_mm), -slope, bend


def _jacobian(
    wall: BalloonWall, place: FloatArray, used: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """How P wall points, the used ones (V,), move, seen from the centre, with each unknown.

    Returns
    -------
    jacobian : (P, 3 + M, 3) array
    second : (P, M, 3) array
        Second derivative by each amplitude.
    """
    modes, count = wall.modes, int(used.sum())
    jacobian = np.zeros((count, place.shape[1], 3))
    jacobian[:, :3] = -np.eye(3)
    second = np.zeros((count, modes.count, 3))
    if modes.count:
        rate = modes.factors(place[:, 3:], 1)[0]
        curve = modes.factors(place[:, 3:], 2)[0]
        for m in range(modes.count):
            first, other = modes.first[m][used], modes.second[m][used]
            jacobian[:, 3 + m] = rate[m, 0] * first + rate[m, 1] * other
            second[:, m] = curve[m, 0] * first + curve[m, 1] * other
    return jacobian, second
