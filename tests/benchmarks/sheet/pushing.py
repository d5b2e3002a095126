"""A rigid ball pushed along z into a sheet without friction, to its equilibrium.

Unknowns are the free corners of the sheet and the ball's centre. Contact is a stiff linear
spring at every corner that lies inside the ball, weighed with the corner's area. The energy is
made least by Newton's method with the exact stiffness where that is positive and a positive
part of it where it is not, and a line search that never lets the energy rise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from benchmarks.sheet.elastic import NEWTON_PER_KPA_MM2, Sheet, dots
from scipy.sparse.linalg import splu

from veinfit.vectors import BoolArray, FloatArray

CONTACT_KPA_PER_MM = 300.0
"""Stiffness of contact: the pressures met, of some 3 kPa, press it in by 0.01 mm."""

FORCE_TOLERANCE_N = 1e-6
LONGEST_STEP_MM = 2.0
MOST_STEPS = 150
FARTHEST_MM = 25.0
"""A ball that has gone this far past the ostial plane has passed through."""


@dataclass(frozen=True)
class Ball:
    """A ball and what holds it.

    Attributes
    ----------
    radius_mm : float
    push_n : float
        Along −z, into the vein.
    shaft_n_per_mm : float
        Spring that draws the centre to the z axis.
    """

    radius_mm: float
    push_n: float
    shaft_n_per_mm: float


@dataclass(frozen=True)
class Equilibrium:
    """Where sheet and ball come to rest.

    Attributes
    ----------
    points : (V, 3) array
    centre : (3,) array
    converged, passed : bool
    steps : int
    """

    points: FloatArray
    centre: FloatArray
    converged: bool
    passed: bool
    steps: int


def first_touch(points: FloatArray, radius_mm: float) -> FloatArray:
    """Return the centre (3,) on the z axis at which a ball from above first touches corners."""
    aside = dots(points[:, :2], points[:, :2])
    below = aside < radius_mm**2
    height = points[below, 2] + np.sqrt(radius_mm**2 - aside[below])
    return np.array([0.0, 0.0, float(height.max())])


def push(
    sheet: Sheet, fixed: BoolArray, ball: Ball, points: FloatArray, centre: FloatArray
) -> Equilibrium:
    """Find the equilibrium next to a given state.

    Parameters
    ----------
    sheet : Sheet
    fixed : (V,) or (V, 3) bool array
        Corners, or coordinates of corners, that stay where ``points`` has them.
    ball : Ball
    points : (V, 3) array
    centre : (3,) array
    """
    held = np.broadcast_to(fixed.reshape(len(points), -1), points.shape)
    free = np.flatnonzero(~held.ravel())
    contact = CONTACT_KPA_PER_MM * NEWTON_PER_KPA_MM2 * sheet.vertex_areas
    energy, force, pull = _state(sheet, ball, contact, points, centre)
    for count in range(MOST_STEPS):
        if centre[2] < -FARTHEST_MM:
            return Equilibrium(points, centre, False, True, count)
        residual = max(float(np.abs(force.ravel()[free]).max()), float(np.abs(pull).max()))
        if residual < FORCE_TOLERANCE_N:
            return Equilibrium(points, centre, True, False, count)
        move, shift = _newton_step(sheet, ball, contact, points, centre, force, pull, free)
        downhill = float((force * move).sum() + pull @ shift)
        length = max(float(np.abs(move).max()), float(np.abs(shift).max()))
        share = min(1.0, LONGEST_STEP_MM / max(length, 1e-12))
        for _ in range(40):
            there, centre_there = points + share * move, centre + share * shift
            new = _state(sheet, ball, contact, there, centre_there)
            # Rounding of the energy is of the order of 1e-14 N·mm.
            if new[0] <= energy + 1e-4 * share * downhill + 1e-13:
                break
            share *= 0.5
        else:
            return Equilibrium(points, centre, residual < 1e-4, False, count)
        points, centre = there, centre_there
        energy, force, pull = new
    return Equilibrium(points, centre, False, False, MOST_STEPS)


def _state(
    sheet: Sheet, ball: Ball, contact: FloatArray, points: FloatArray, centre: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Energy, and its gradient by the corners (V, 3) and by the centre (3,)."""
    energy, force = sheet.energy_and_force(points)
    outward, distance = _rays(points, centre)
    depth = np.maximum(ball.radius_mm - distance, 0.0)
    energy += 0.5 * float(contact @ depth**2)
    pressed = (contact * depth)[:, None] * outward
    force = force - pressed
    pull = pressed.sum(axis=0)
    pull[2] += ball.push_n
    energy += ball.push_n * centre[2]
    pull[:2] += ball.shaft_n_per_mm * centre[:2]
    energy += 0.5 * ball.shaft_n_per_mm * float(centre[:2] @ centre[:2])
    return energy, force, pull


def _newton_step(
    sheet: Sheet,
    ball: Ball,
    contact: FloatArray,
    points: FloatArray,
    centre: FloatArray,
    force: FloatArray,
    pull: FloatArray,
    free: np.ndarray,
) -> tuple[FloatArray, FloatArray]:
    """Return a step downhill of the corners (V, 3) and the centre (3,)."""
    outward, distance = _rays(points, centre)
    depth = np.maximum(ball.radius_mm - distance, 0.0)
    along = outward[:, :, None] * outward[:, None, :]
    shaft = np.diag([ball.shaft_n_per_mm, ball.shaft_n_per_mm, 0.0])
    for exact in (True, False):
        blocks = np.where(depth > 0.0, contact, 0.0)[:, None, None] * along
        if exact:
            aside = (contact * depth / distance)[:, None, None] * (np.eye(3) - along)
            blocks = blocks - aside
        matrix = sheet.stiffness(points, exact, blocks)[free][:, free].tocsc()
        coupling = -blocks.reshape(-1, 3)[free]
        ball_block = blocks.sum(axis=0) + shaft
        if not exact:
            # Where hardly anything touches the ball, its place along z is all but free.
            ball_block = ball_block + 1e-4 * np.eye(3)
        factor = splu(
            matrix, "MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        )
        if exact and (factor.U.diagonal() <= 0.0).any():
            continue
        solved = factor.solve(np.column_stack([-force.ravel()[free], coupling]))
        schur = ball_block - coupling.T @ solved[:, 1:]
        schur = 0.5 * (schur + schur.T)
        if exact and np.linalg.eigvalsh(schur)[0] <= 0.0:
            continue
        shift = np.linalg.solve(schur, -pull - coupling.T @ solved[:, 0])
        move = np.zeros(points.size)
        move[free] = solved[:, 0] - solved[:, 1:] @ shift
        return move.reshape(-1, 3), shift
    raise AssertionError("the second stiffness is always taken")


def _rays(points: FloatArray, centre: FloatArray) -> tuple[FloatArray, FloatArray]:
    offset = points - centre
    distance = np.linalg.norm(offset, axis=1)
    return offset / distance[:, None], distance
