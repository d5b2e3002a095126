"""Energy of balloons over the triangles of a wall, with its first and second derivative."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from veinfit.seating.mechanics.shape import Shape, Sphere, depth_terms
from veinfit.seating.mechanics.walls import BalloonWall, over_triangles
from veinfit.surface.mesh import any_corner
from veinfit.vectors import BoolArray, FloatArray, IntArray

if TYPE_CHECKING:
    from veinfit.seating.mechanics.over_points import Derivatives

MARGIN_MM = 0.01
"""The wall is looked at this far beyond the balloons."""


def over_faces(
    wall: BalloonWall,
    place: FloatArray,
    shape: Shape,
    reach_mm: FloatArray,
    stiffness: FloatArray,
    shaft: FloatArray,
    result: Derivatives,
) -> BoolArray:
    """Integrate over the triangles that each of K balloons presses.

    Parameters
    ----------
    wall : BalloonWall
    place : (K, 3 + M) array
    shape : Shape
    reach_mm, stiffness : (K,) array
    shaft : (K, 3) array
        Unit vectors to the noses.
    result : tuple of arrays
        Energy, gradient and Hessian, filled in for balloons that press.

    Returns
    -------
    touches : (K,) bool array
    """
    margin = MARGIN_MM + wall.greatest_move_mm
    low = (place[:, :3] - reach_mm[:, None]).min(axis=0) - margin
    high = (place[:, :3] + reach_mm[:, None]).max(axis=0) + margin
    near = ((wall.points > low) & (wall.points < high)).all(axis=1)
    none: BoolArray = np.zeros(len(place), dtype=bool)
    if not near.any():
        return none
    offset = wall.offsets(place, near)
    inside = offset[0] ** 2 + offset[1] ** 2 + offset[2] ** 2 < reach_mm[:, None] ** 2
    if not isinstance(shape, Sphere):
        depth = depth_terms(shape, np.stack(offset, axis=-1), shaft[:, None, :])[0]
        inside &= depth + (reach_mm - shape.reach_mm)[:, None] > 0.0
    touches: BoolArray = np.asarray(inside.any(axis=1))
    if touches.any():
        _integrate(wall, place, near, inside, shape, reach_mm, stiffness, shaft, result)
    return touches


def _integrate(
    wall: BalloonWall,
    place: FloatArray,
    near: BoolArray,
    inside: BoolArray,
    shape: Shape,
    reach_mm: FloatArray,
    stiffness: FloatArray,
    shaft: FloatArray,
    result: Derivatives,
) -> None:
    energy, gradient, hessian = result
    n = place.shape[1]
    # Faces that no balloon presses are left out before the balloons are told apart.
    pressed = np.zeros(len(wall.points), dtype=bool)
    pressed[near] = inside.any(axis=0)
    kept = np.flatnonzero(any_corner(wall.faces, pressed))
    corners = wall.faces[kept]
    column = np.full(len(wall.points), -1)
    column[near] = np.arange(int(near.sum()))
    at_column = column[corners]
    met = np.zeros((len(place), len(corners)), dtype=bool)
    for k in range(3):
        met |= inside[:, at_column[:, k]] & (at_column[:, k] >= 0)
    ball, face = np.nonzero(met)
    vertex = corners[face]
    everywhere = np.zeros(len(wall.points), dtype=bool)
    everywhere[np.unique(vertex)] = True
    column = np.cumsum(everywhere) - 1
    offset = wall.offsets(place, everywhere)
    at = np.stack([part[ball[:, None], column[vertex]] for part in offset], axis=-1)
    depth, slope, bend = _terms(shape, at, reach_mm[ball], shaft[ball])
    value, force, stiff = over_triangles(wall.law, depth, wall.face_weights[kept[face]])
    factor = stiffness[ball]
    force = factor[:, None] * force
    pressing, first = np.unique(ball, return_index=True)
    energy[pressing] = np.add.reduceat(factor * value, first)
    jacobian, second = _jacobian(wall, place, np.repeat(ball, 3), vertex.ravel())
    flat_slope = slope.reshape(-1, 3)
    grad = np.einsum("pni,pi->pn", jacobian, flat_slope)
    pull = force.ravel()
    gradient[pressing] = np.add.reduceat(pull[:, None] * grad, 3 * first)
    own = pull[:, None, None] * (jacobian @ bend.reshape(-1, 3, 3) @ jacobian.transpose(0, 2, 1))
    # What the bending of the modes' maps themselves contributes.
    for m in range(second.shape[1]):
        own[:, 3 + m, 3 + m] += pull * np.einsum("pi,pi->p", second[:, m], flat_slope)
    rows = grad.reshape(-1, 3, n)
    curved = rows.transpose(0, 2, 1) @ (factor[:, None, None] * stiff) @ rows
    hessian[pressing] = np.add.reduceat(curved, first)
    hessian[pressing] += np.add.reduceat(own, 3 * first)


def _terms(
    shape: Shape, at: FloatArray, reach_mm: FloatArray, shaft: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Depth (P, 3) of corners at (P, 3, 3) from the centre, its derivatives by their place."""
    if isinstance(shape, Sphere):
        distance = np.sqrt(np.einsum("...i,...i->...", at, at))
        ray = at / np.maximum(distance, np.finfo(float).tiny)[..., None]
        bend = ray[..., :, None] * ray[..., None, :] - np.eye(3)
        bend /= np.maximum(distance, np.finfo(float).tiny)[..., None, None]
        return reach_mm[:, None] - distance, -ray, bend
    depth, slope, bend = depth_terms(shape, at, shaft[:, None, :])
    return depth + (reach_mm - shape.reach_mm)[:, None], -slope, bend


def _jacobian(
    wall: BalloonWall, place: FloatArray, ball: IntArray, vertex: IntArray
) -> tuple[FloatArray, FloatArray]:
    """How wall points move, seen from the centre, with each unknown.

    Returns
    -------
    jacobian : (P, 3 + M, 3) array
    second : (P, M, 3) array
        Second derivative by each amplitude.
    """
    modes, n = wall.modes, place.shape[1]
    jacobian = np.zeros((len(ball), n, 3))
    jacobian[:, :3] = -np.eye(3)
    second = np.zeros((len(ball), modes.count, 3))
    if modes.count:
        rate = modes.factors(place[:, 3:], 1)
        curve = modes.factors(place[:, 3:], 2)
        for m in range(modes.count):
            first, other = modes.first[m][vertex], modes.second[m][vertex]
            for target, factor in ((jacobian[:, 3 + m], rate), (second[:, m], curve)):
                target[:] = factor[ball, m, :1] * first + factor[ball, m, 1:] * other
    return jacobian, second
