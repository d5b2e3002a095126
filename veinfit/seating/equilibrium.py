"""Where a pushed balloon comes to rest: the energy and the way down it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from veinfit.frames import FloatArray
from veinfit.seating.foundation import Foundation
from veinfit.seating.guide import Guide

RESIDUAL_SHARE = 1e-6
"""At rest the forces balance to this share of the push."""

SMALLEST_SCALE_N = 1e-3
"""Force that stands in for the push in the residual where there is next to none."""

STEP_MM = 0.5
"""Longest step while the wall is touched: far shorter than the ball's radius, so that the
way follows the energy's own slope and cannot jump over the barrier of an ostium."""

WINDOW_MM = 4.0
"""The wall is looked at this far beyond the ball; anew when the ball has come near its end."""

GREATEST_STEPS = 2000
"""A way down that takes more steps than this is given up."""

GOOD_MODEL = 0.75
"""Where at least this share of the predicted decrease came true the step may grow."""

POOR_MODEL = 0.25
"""Below this share of the predicted decrease the step shrinks."""

ENERGY_NOISE = 1e-13
"""Energies closer than this share of their size differ by rounding only."""

SMALLEST_STEP_MM = 1e-12
"""A step that had to be cut below this cannot lead further down in floating point."""

SADDLE_STEP_MM = 1e-3
"""Nudge along a direction of negative curvature where the forces balance in a saddle."""

State = Literal["at rest", "went through", "gave up"]


@dataclass(frozen=True, slots=True, eq=False)
class Energy:
    """E(c): wall, push, guide and shaft of one balloon.

    Attributes
    ----------
    foundation : Foundation
        The wall that can press.
    push_n : float
        F, N.
    direction : (3,) array
        Unit push direction d.
    origin : (3,) array
        Where the push does no work; keeps the numbers small.
    guide, shaft : Guide
        The lines of the two lateral springs.
    guide_n_per_mm, shaft_n_per_mm : float
        Their stiffness, N/mm.
    """

    foundation: Foundation
    push_n: float
    direction: FloatArray
    origin: FloatArray
    guide: Guide
    guide_n_per_mm: float
    shaft: Guide
    shaft_n_per_mm: float

    def around(self, centre: FloatArray, margin_mm: float) -> Energy:
        """Return the same energy for centres within ``margin_mm`` of this one (3,)."""
        return replace(self, foundation=self.foundation.around(centre, margin_mm))

    def evaluate(self, centre: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Energy, N·mm, its gradient (3,), N, and Hessian (3, 3), N/mm."""
        energy, gradient, hessian = self.foundation.evaluate(centre)
        energy -= self.push_n * float(self.direction @ (centre - self.origin))
        gradient = gradient - self.push_n * self.direction
        for line, stiffness in (
            (self.guide, self.guide_n_per_mm),
            (self.shaft, self.shaft_n_per_mm),
        ):
            if stiffness > 0.0:
                value, slope, curvature = line.spring(centre)
                energy += stiffness * value
                gradient = gradient + stiffness * slope
                hessian = hessian + stiffness * curvature
        return energy, gradient, hessian


@dataclass(frozen=True, slots=True, eq=False)
class Rest:
    """The end of a way down.

    Attributes
    ----------
    state : {'at rest', 'went through', 'gave up'}
    centre : (3,) array
        Of the balloon, mm.
    residual_n : float
        Length of the sum of all forces, N.
    energies : tuple of float
        Energy at the start and after every step, N·mm; never rising.
    path : (N, 3) array
        The centres on the way.
    """

    state: State
    centre: FloatArray
    residual_n: float
    energies: tuple[float, ...]
    path: FloatArray

    @property
    def steps(self) -> int:
        """Number of steps taken."""
        return len(self.energies) - 1


def descend(energy: Energy, start: FloatArray, gone: Callable[[FloatArray], bool]) -> Rest:
    """Follow a balloon from ``start`` (3,) down to where it rests.

    Newton's method with the exact Hessian inside a trust region: each step
    minimises the quadratic model within a ball of at most 0.5 mm (while no wall
    is touched: up to the first that is), is taken only where the energy falls,
    and is shortened where the model was poor. So the balloon reaches the minimum
    whose valley it is in and no other.

    Parameters
    ----------
    energy : Energy
    start : (3,) array
    gone : callable
        Whether a centre is so deep that the balloon has passed through.

    References
    ----------
    .. [1] Nocedal J, Wright SJ, Numerical Optimization, 2nd ed, Springer 2006, chapter 4.
    """
    centre = np.asarray(start, dtype=float)
    window, middle = energy.around(centre, WINDOW_MM), centre
    value, gradient, hessian = window.evaluate(centre)
    wanted = RESIDUAL_SHARE * max(energy.push_n, SMALLEST_SCALE_N)
    energies, path = [value], [centre]
    limit = STEP_MM
    state: State = "gave up"
    for _ in range(GREATEST_STEPS):
        if gone(centre):
            state = "went through"
            break
        residual = float(np.linalg.norm(gradient))
        stiffness, axes = np.linalg.eigh(hessian)
        in_saddle = residual <= wanted and _falls(stiffness)
        if residual <= wanted and not in_saddle:
            state = "at rest"
            break
        if np.linalg.norm(centre - middle) > WINDOW_MM - STEP_MM:
            window, middle = energy.around(centre, WINDOW_MM), centre
        radius = limit
        if window.foundation.least_gap(centre) >= 0.0 and not in_saddle:
            room = WINDOW_MM - float(np.linalg.norm(centre - middle))
            radius = _free_flight(window, centre, axes.T @ gradient, stiffness, room, axes) + limit
            radius = min(radius, room)
        while True:
            if in_saddle:
                step = min(radius, SADDLE_STEP_MM) * axes[:, 0]
            else:
                step = _model_step(axes.T @ gradient, stiffness, radius, axes)
            trial = centre + step
            new_value, new_gradient, new_hessian = window.evaluate(trial)
            predicted = -float(gradient @ step + 0.5 * step @ hessian @ step)
            noise = ENERGY_NOISE * max(abs(value), abs(new_value), 1.0)
            calmer = float(np.linalg.norm(new_gradient)) < residual
            if new_value < value or (new_value <= value + noise and calmer):
                break
            radius = 0.25 * float(np.linalg.norm(step))
            if radius < SMALLEST_STEP_MM:
                break
        if radius < SMALLEST_STEP_MM:
            break
        agreement = (value - new_value) / predicted if predicted > noise else 1.0
        length = float(np.linalg.norm(step))
        if agreement < POOR_MODEL:
            limit = max(0.25 * length, SMALLEST_STEP_MM)
        elif agreement > GOOD_MODEL and length > 0.9 * min(radius, limit):
            limit = min(STEP_MM, 2.0 * max(limit, min(length, STEP_MM)))
        else:
            limit = min(limit, max(radius, SMALLEST_STEP_MM))
        centre, value, gradient, hessian = trial, new_value, new_gradient, new_hessian
        energies.append(value)
        path.append(centre)
    return Rest(state, centre, float(np.linalg.norm(gradient)), tuple(energies), np.array(path))


def _free_flight(
    energy: Energy,
    centre: FloatArray,
    slope: FloatArray,
    stiffness: FloatArray,
    room: float,
    axes: FloatArray,
) -> float:
    """How far, mm, a balloon that touches nothing moves before it touches the wall."""
    step = _model_step(slope, stiffness, room, axes)
    length = float(np.linalg.norm(step))
    if length == 0.0:
        return 0.0
    blocked = energy.foundation.blocked(centre, step / length)
    ahead = blocked[blocked[:, 1] > 0.0, 0]
    return min(max(float(ahead.min()), 0.0), length) if len(ahead) else length


def _falls(stiffness: FloatArray) -> bool:
    """Whether balanced forces are those of a saddle: a direction in which the energy falls."""
    return bool(stiffness[0] < -1e-9 * max(float(np.abs(stiffness).max()), 1e-12))


def _model_step(
    slope: FloatArray, stiffness: FloatArray, radius: float, axes: FloatArray
) -> FloatArray:
    """Minimise slope·p + ½ p·stiffness·p over |p| ≤ radius, in the Hessian's own axes.

    The minimiser is −slope/(stiffness + λ) with the smallest λ ≥ 0 that makes the
    shifted stiffness positive and keeps the step inside.
    """

    def step(shift: float) -> FloatArray:
        return -slope / (stiffness + shift)

    scale = max(float(np.abs(stiffness).max()), float(np.abs(slope).max()) / radius, 1e-300)
    floor = 1e-14 * scale
    low = max(0.0, -float(stiffness[0])) + floor
    if stiffness[0] > floor:
        newton = step(0.0)
        if np.linalg.norm(newton) <= radius:
            return axes @ newton
        low = 0.0
    high = low + float(np.linalg.norm(slope)) / radius + floor
    if np.linalg.norm(step(low)) <= radius:
        # The slope has no part along the falling direction: fill up the step with it.
        p = step(low)
        rest = math.sqrt(max(radius**2 - float(p @ p), 0.0))
        p[0] += math.copysign(rest, p[0]) if stiffness[0] < 0.0 else 0.0
        return axes @ p
    for _ in range(200):
        shift = 0.5 * (low + high)
        if np.linalg.norm(step(shift)) > radius:
            low = shift
        else:
            high = shift
        if high - low <= 1e-10 * high:
            break
    return axes @ step(high)
