"""Energy of balloons over the triangles of a wall, with its first and second derivative."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from veinfit.seating.mechanics.shape import TINY, PlacedBalloons, Sphere, depth_terms
from veinfit.seating.mechanics.walls import BalloonWall, over_pressed
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
    at = offset[:, used]
    moves, bends = _moves(wall, place, used)
    if isinstance(shape, Sphere):
        distance = np.sqrt(at[0] ** 2 + at[1] ** 2 + at[2] ** 2)
        depth, distance = reach_mm - distance, np.maximum(distance, TINY)
        slope = -at / distance
    else:
        depth, by_centre, bend = depth_terms(shape, at.T, shaft)
        depth, slope = depth + (reach_mm - shape.reach_mm), -by_centre.T
    own = np.concatenate([-slope, np.einsum("mkp,kp->mp", moves, slope)])
    pressed, value, force, stiff = over_pressed(
        wall.law, depth.take(corners), stiffness * wall.face_weights[kept]
    )
    corners = np.ascontiguousarray(corners.take(pressed, axis=0).T)
    energy, gradient, hessian = result
    energy += value.sum()
    # Corners of several faces are one point: what depends on the point alone is done once.
    pull = np.bincount(corners.ravel(), force.ravel(), minlength=len(depth))
    gradient += own @ pull
    rows = [own.take(corner, axis=1) for corner in corners]
    for number, row in enumerate(rows):
        bent = stiff[3 * number] * rows[0]
        bent += stiff[3 * number + 1] * rows[1]
        bent += stiff[3 * number + 2] * rows[2]
        hessian += row @ bent.T
    if isinstance(shape, Sphere):
        hessian += _turned(pull / distance, own, moves)
    else:
        jacobian = _jacobian(moves)
        turned = pull[:, None, None] * (jacobian @ bend)
        hessian += np.tensordot(turned, jacobian, axes=((0, 2), (0, 2)))
    # What the bending of the modes' maps themselves contributes.
    for m, second in enumerate(bends):
        hessian[3 + m, 3 + m] += np.einsum("kp,kp,p->", second, slope, pull)
    return True


def _moves(wall: BalloonWall, place: FloatArray, used: BoolArray) -> tuple[FloatArray, FloatArray]:
    """First and second derivative (M, 3, P) of the used ones of the points by each amplitude."""
    modes = wall.modes
    kept = np.flatnonzero(used)
    result = np.empty((2, modes.count, 3, len(kept)))
    for m in range(modes.count):
        one, two = (field[m].take(kept, axis=0).T for field in (modes.first, modes.second))
        for order in (1, 2):
            rate = modes.factors(place[:, 3:], order)[0, m]
            result[order - 1, m] = rate[0] * one + rate[1] * two
    return result[0], result[1]


def _turned(turn: FloatArray, own: FloatArray, moves: FloatArray) -> FloatArray:
    """Sum what the turning of a sphere's rays adds to the Hessian: Σ t (g gᵀ − J Jᵀ).

    Parameters
    ----------
    turn : (P,) array
        t, the pull at each point over its distance from the centre.
    own : (3 + M, P) array
        g, the gradient of its depth.
    moves : (M, 3, P) array
        How it moves with the amplitudes; with the centre it moves against it.

    Returns
    -------
    (3 + M, 3 + M) array
    """
    result = (own * turn) @ own.T
    result[:3, :3] -= turn.sum() * np.eye(3)
    aside = moves @ turn
    result[3:, :3] += aside
    result[:3, 3:] += aside.T
    result[3:, 3:] -= np.einsum("mkp,nkp,p->mn", moves, moves, turn)
    return result


def _jacobian(moves: FloatArray) -> FloatArray:
    """How points move (P, 3 + M, 3), seen from the centre, with each unknown."""
    jacobian = np.zeros((moves.shape[2], 3 + len(moves), 3))
    jacobian[:, :3] = -np.eye(3)
    jacobian[:, 3:] = moves.transpose(2, 0, 1)
    return jacobian
