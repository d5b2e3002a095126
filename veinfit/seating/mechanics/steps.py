"""One step of a descent: the least of a quadratic model within a ball, and how large it may be."""

from __future__ import annotations

import numpy as np

from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.vectors import BoolArray, FloatArray, IntArray

FLIGHT_MM = 4.0
"""Longest step of a balloon that touches nothing."""

SMALLEST_STEP_MM = 1e-12
"""A step that had to be cut below this cannot lead further down in floating point."""

GOOD_MODEL = 0.75
"""Where at least this share of the predicted decrease came true the step may grow."""

POOR_MODEL = 0.25
"""Below this share of the predicted decrease the step shrinks."""

MOST_SHIFTS = 60
"""Steps at most in which the shift of the step's model is sought."""

SHIFT_SHARE = 1e-9
"""A step is no more than this share shorter than it may be."""


def held_at_bounds(
    place: FloatArray, gradient: FloatArray, low: FloatArray, high: FloatArray
) -> BoolArray:
    """Unknowns (N, 3 + M) that rest on a bound which the energy presses them against."""
    held: BoolArray = np.zeros(place.shape, dtype=bool)
    amplitude, slope = place[:, 3:], gradient[:, 3:]
    held[:, 3:] = ((amplitude >= high) & (slope < 0.0)) | ((amplitude <= low) & (slope > 0.0))
    return held


def decoupled(hessian: FloatArray, held: BoolArray) -> FloatArray:
    """Hessians (N, n, n) in which unknowns that are held take no part."""
    if not held.any():
        return hessian
    free = ~held
    result = hessian * free[:, :, None] * free[:, None, :]
    scale = np.maximum(np.abs(hessian).max(axis=(1, 2)), 1e-12)
    return np.asarray(result + scale[:, None, None] * held[:, :, None] * np.eye(held.shape[1]))


def flight_radius(
    batch: BalloonBatch,
    which: IntArray,
    place: FloatArray,
    slope: FloatArray,
    stiffness: FloatArray,
    axes: FloatArray,
    limit: FloatArray,
) -> FloatArray:
    """Radius (K,) of the next step of balloons that touch nothing: to the first wall, and in.

    ``limit`` (K,): the longest step in.
    """
    room = np.full(len(which), FLIGHT_MM)
    ahead = model_steps(slope, stiffness, room, axes)
    length = np.linalg.norm(ahead, axis=1)
    travel = np.linalg.norm(ahead[:, :3], axis=1)
    direction = ahead[:, :3] / np.maximum(travel, SMALLEST_STEP_MM)[:, None]
    free = np.minimum(batch.flight(which, place, direction), length)
    return np.asarray(np.minimum(free + limit, room))


def next_limits(
    agreement: FloatArray, length: FloatArray, used: FloatArray, now: FloatArray, most: FloatArray
) -> FloatArray:
    """Return how long the next steps (N,) may be after some that were taken.

    Parameters
    ----------
    agreement : (N,) array
        The share of the predicted decrease that came true.
    length, used : (N,) array
        Of the steps, and how long they might have been.
    now, most : (N,) array
        How long steps might be so far, and may ever be.
    """
    grown = np.minimum(most, 2.0 * np.maximum(now, np.minimum(length, most)))
    kept = np.minimum(now, np.maximum(used, SMALLEST_STEP_MM))
    full = (agreement > GOOD_MODEL) & (length > 0.9 * np.minimum(used, now))
    shrunk = np.maximum(0.25 * length, SMALLEST_STEP_MM)
    return np.where(agreement < POOR_MODEL, shrunk, np.where(full, grown, kept))


def model_steps(
    slope: FloatArray, stiffness: FloatArray, radius: FloatArray, axes: FloatArray
) -> FloatArray:
    """Minimise each balloon's quadratic model slope·p + ½ p·stiffness·p over |p| ≤ radius.

    The minimiser is −slope/(stiffness + λ) with the smallest λ ≥ 0 that makes the
    shifted stiffness positive and keeps the step inside.

    Parameters
    ----------
    slope, stiffness : (N, n) array
        In the axes of each Hessian, the least stiffness first.
    radius : (N,) array
    axes : (N, n, n) array
    """
    scale = np.maximum(np.abs(stiffness).max(axis=1), np.abs(slope).max(axis=1) / radius)
    floor = 1e-14 * np.maximum(scale, 1e-300)
    convex = stiffness[:, 0] > floor
    least = np.where(convex, 0.0, np.maximum(0.0, -stiffness[:, 0]) + floor)
    result = -slope / (stiffness + least[:, None])
    within = np.linalg.norm(result, axis=1) <= radius
    far = np.flatnonzero(~within)
    if len(far):
        shift = _shift(slope[far], stiffness[far], radius[far], least[far], floor[far])
        result[far] = -slope[far] / (stiffness[far] + shift[:, None])
    # The slope has no part along the falling direction: fill up the step with it.
    short = within & ~convex & (stiffness[:, 0] < 0.0)
    rest = np.sqrt(np.maximum(radius**2 - np.einsum("ni,ni->n", result, result), 0.0))
    result[:, 0] += np.where(short, np.copysign(rest, result[:, 0]), 0.0)
    return np.asarray(np.einsum("nij,nj->ni", axes, result))


def _shift(
    slope: FloatArray,
    stiffness: FloatArray,
    radius: FloatArray,
    low: FloatArray,
    floor: FloatArray,
) -> FloatArray:
    """Return the λ (N,) above ``low`` at which steps are as long as ``radius``, or a hair shorter.

    1/|p| is nearly linear in λ: Newton's method on it, kept within a bracket, ends in a few
    steps (Nocedal and Wright, chapter 4.3).
    """
    high = low + np.linalg.norm(slope, axis=1) / radius + floor
    shift = low.copy()
    for _ in range(MOST_SHIFTS):
        eased = stiffness + shift[:, None]
        square = (slope / eased) ** 2
        length = np.sqrt(square.sum(axis=1))
        done = (length <= radius) & (length >= (1.0 - SHIFT_SHARE) * radius)
        if done.all():
            break
        low = np.where(length > radius, np.maximum(low, shift), low)
        high = np.where(length > radius, high, np.minimum(high, shift))
        # A little inside, so that rounding does not leave the step too long.
        wanted = (1.0 - 0.5 * SHIFT_SHARE) * radius
        ahead = shift + (length / wanted - 1.0) * length**2 / (square / eased).sum(axis=1)
        inner = (ahead > low) & (ahead < high)
        ahead = np.where(inner, ahead, 0.5 * (low + high))
        shift = np.where(done, shift, ahead)
    else:
        shift = high
    return shift
