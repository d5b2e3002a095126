"""Energy of balloons over the points of a wall, with its first and second derivative."""

from __future__ import annotations

import numpy as np

from veinfit.seating.mechanics.modes import ShapeModes
from veinfit.seating.mechanics.near import Near, Pairs
from veinfit.seating.mechanics.shape import TINY, PlacedBalloons, Sphere, depth_terms
from veinfit.seating.mechanics.walls import BalloonWall
from veinfit.vectors import BoolArray, FloatArray

PAIRS_AT_ONCE = 12_000
"""So many pairs of a balloon and a point, and what is worked out of them, stay in the cache."""

Derivatives = tuple[FloatArray, FloatArray, FloatArray]
"""Energy (K,), gradient (K, n) and Hessian (K, n, n)."""


def over_points(
    wall: BalloonWall,
    near: Near,
    balloons: PlacedBalloons,
    factors: FloatArray,
    result: Derivatives,
) -> BoolArray:
    """Sum over the points that each of K balloons presses.

    Parameters
    ----------
    wall : BalloonWall
    near : Near
        All points in the balloons are among them.
    balloons : PlacedBalloons
    factors : (K, M, 2) array
        Of the modes at their amplitudes.
    result : tuple of arrays
        Filled in for balloons that press.

    Returns
    -------
    touches : (K,) bool array
    """
    touches: BoolArray = np.zeros(len(balloons.place), dtype=bool)
    for few, own in near.in_pieces(PAIRS_AT_ONCE):
        energy, gradient, hessian = (array[few] for array in result)
        part = energy, gradient, hessian
        touches[few] = _of_few(wall, own, balloons.only(few), factors[few], part)
    return touches


def _of_few(
    wall: BalloonWall,
    pairs: Pairs,
    balloons: PlacedBalloons,
    factors: FloatArray,
    result: Derivatives,
) -> BoolArray:
    shape, reach_mm = balloons.shape, balloons.reach_mm
    offset = pairs.offsets(balloons.place, factors)
    distance = np.sqrt(offset[0] ** 2 + offset[1] ** 2 + offset[2] ** 2)
    depth = pairs.of_each(reach_mm) - distance
    kept = np.flatnonzero(depth > 0.0)
    if len(kept) and not isinstance(shape, Sphere):
        # No ray is longer than the longest: what lies outside its ball is not pressed.
        ball = pairs.ball[kept]
        at = np.stack([part[kept] for part in offset], axis=-1)
        inner = depth_terms(shape, at, balloons.shaft[ball])[0] + (reach_mm - shape.reach_mm)[ball]
        kept = kept[inner > 0.0]
    touches: BoolArray = np.zeros(len(reach_mm), dtype=bool)
    if not len(kept):
        return touches
    pressed = pairs.only(kept)
    touches = np.asarray(pressed.count > 0)
    at_rows = [part[kept] for part in offset]
    if isinstance(shape, Sphere):
        _sphere(wall, pressed, balloons, at_rows, distance[kept], depth[kept], result)
    else:
        _turned(wall, pressed, balloons, at_rows, result)
    return touches


def _sphere(
    wall: BalloonWall,
    pairs: Pairs,
    balloons: PlacedBalloons,
    at: list[FloatArray],
    distance: FloatArray,
    depth: FloatArray,
    result: Derivatives,
) -> None:
    """Column by column: H = Σ (w″ + w′/d) g gᵀ − Σ (w′/d) J Jᵀ + Σ w′ ∂²δ.

    g is the gradient of the depth, J how the point moves with the unknowns.
    """
    energy, gradient, hessian = result
    place, law = balloons.place, wall.law
    n = place.shape[1]
    pressing = np.flatnonzero(pairs.count)
    first = (np.cumsum(pairs.count) - pairs.count)[pressing]
    weight = pairs.of_each(balloons.stiffness) * pairs.columns[3]
    over = 1.0 / np.maximum(distance, TINY)
    ray = [part * over for part in at]
    value, force, stiff = (weight * term for term in law.terms(depth))
    energy[pressing] = np.add.reduceat(value, first)
    turn = force * over
    steep = stiff + turn
    moves, bends = _moves(pairs, place, wall.modes)
    grad = [*ray, *(-_dot(move, ray) for move in moves)]
    for i in range(n):
        gradient[pressing, i] = np.add.reduceat(force * grad[i], first)
        scaled = steep * grad[i]
        for j in range(i, n):
            entry = scaled * grad[j]
            if i < 3 and j == i:
                entry -= turn
            elif i < 3 <= j:
                entry += turn * moves[j - 3][i]
            elif i >= 3:
                entry -= turn * _dot(moves[i - 3], moves[j - 3])
                if j == i:
                    entry -= force * _dot(bends[i - 3], ray)
            total = np.add.reduceat(entry, first)
            hessian[pressing, i, j] = hessian[pressing, j, i] = total


def _turned(
    wall: BalloonWall,
    pairs: Pairs,
    balloons: PlacedBalloons,
    at: list[FloatArray],
    result: Derivatives,
) -> None:
    energy, gradient, hessian = result
    place, law, shape, reach_mm = balloons.place, wall.law, balloons.shape, balloons.reach_mm
    ball, n = pairs.ball, place.shape[1]
    pressing = np.flatnonzero(pairs.count)
    first = (np.cumsum(pairs.count) - pairs.count)[pressing]
    weight = pairs.of_each(balloons.stiffness) * pairs.columns[3]
    depth, slope, bend = depth_terms(shape, np.stack(at, axis=-1), balloons.shaft[ball])
    depth, slope = depth + (reach_mm - shape.reach_mm)[ball], -slope
    value, force, stiff = (weight * term for term in law.terms(depth))
    energy[pressing] = np.add.reduceat(value, first)
    jacobian = np.zeros((len(ball), n, 3))
    jacobian[:, :3] = -np.eye(3)
    moves, bends = _moves(pairs, place, wall.modes)
    for m, move in enumerate(moves):
        jacobian[:, 3 + m] = np.stack(move, axis=-1)
    grad = np.einsum("pni,pi->pn", jacobian, slope)
    gradient[pressing] = np.add.reduceat(force[:, None] * grad, first)
    curved = stiff[:, None, None] * grad[:, :, None] * grad[:, None, :]
    curved += force[:, None, None] * (jacobian @ bend @ jacobian.transpose(0, 2, 1))
    for m, second in enumerate(bends):
        curved[:, 3 + m, 3 + m] += force * np.einsum("ip,pi->p", np.stack(second), slope)
    hessian[pressing] = np.add.reduceat(curved, first)


def _moves(
    pairs: Pairs, place: FloatArray, modes: ShapeModes
) -> tuple[list[list[FloatArray]], list[list[FloatArray]]]:
    """First and second derivative of the points (P,) by each amplitude, axis by axis."""
    result: tuple[list[list[FloatArray]], list[list[FloatArray]]] = ([], [])
    if not modes.count:
        return result
    for told, order in zip(result, (1, 2), strict=True):
        factor = modes.factors(place[:, 3:], order)
        for m in range(modes.count):
            one, two = pairs.of_each(factor[:, m, 0]), pairs.of_each(factor[:, m, 1])
            columns = pairs.columns[4 + 6 * m : 10 + 6 * m]
            told.append([one * columns[k] + two * columns[3 + k] for k in range(3)])
    return result


def _dot(one: list[FloatArray], other: list[FloatArray]) -> FloatArray:
    return np.asarray(one[0] * other[0] + one[1] * other[1] + one[2] * other[2])
