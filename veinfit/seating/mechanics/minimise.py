"""Where pushed balloons come to rest: a batch of equilibria, one solver for one or thousands.

Newton's method with the exact Hessian inside a trust region: each step minimises the
quadratic model within a ball of at most half a millimetre (while no wall is touched: up to
the first that is), is taken only where the energy falls, and is shortened where the model
was poor. So a balloon reaches the minimum whose valley it is in and no other. Balloons
take their steps side by side, each as it would alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.seating.mechanics.batch import BalloonBatch, PressedWall
from veinfit.seating.mechanics.near import NearWall
from veinfit.vectors import BoolArray, FloatArray, IntArray

RESIDUAL_SHARE = 1e-6
"""At rest the forces balance to this share of the push."""

SMALLEST_SCALE_N = 1e-3
"""Force that stands in for the push in the residual where there is next to none."""

STEP_MM = 0.5
"""Longest step while the wall is touched: far shorter than the balloon's radius, so that the
path follows the energy's own slope and cannot jump over the barrier of an ostium."""

FLIGHT_MM = 4.0
"""Longest step of a balloon that touches nothing."""

WINDOW_MM = 10.0
"""The wall is looked at this far beyond the balloons; anew when one has come near its end."""

GREATEST_STEPS = 2000
"""A path down that takes more steps than this is given up."""

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

MOST_SHIFTS = 60
"""Steps at most in which the shift of the step's model is sought."""

SHIFT_SHARE = 1e-9
"""A step is no more than this share shorter than it may be."""

GOING, AT_REST, WENT_THROUGH, GAVE_UP = 0, 1, 2, 3
"""States of a balloon on its way."""


@dataclass(frozen=True, slots=True, eq=False)
class Equilibria:
    """The ends of N paths down.

    Attributes
    ----------
    state : (N,) int array
        ``AT_REST``, ``WENT_THROUGH`` or ``GAVE_UP``.
    place : (N, 3 + M) array
        Centre of the balloon and amplitudes of the shape modes, mm.
    residual_n : (N,) array
        Length of the sum of all forces that are free to act, N.
    energy : (N,) array
        N·mm.
    steps : (N,) array
        Steps taken.
    wall : PressedWall
        What the wall adds at the ends.
    path : tuple of (K, 3 + M) array
        All places on each path; empty unless asked for.
    """

    state: IntArray
    place: FloatArray
    residual_n: FloatArray
    energy: FloatArray
    steps: IntArray
    wall: PressedWall
    path: tuple[FloatArray, ...] = ()

    @property
    def at_rest(self) -> BoolArray:
        """Which of them rest."""
        return np.asarray(self.state == AT_REST)

    @property
    def centre(self) -> FloatArray:
        """Centres (N, 3), mm."""
        return self.place[:, :3]


@dataclass(frozen=True, slots=True, eq=False)
class Exit:
    """A balloon whose centre is this far past a plane has passed through the vein.

    ``ostium``, ``normal`` (3,): the plane; ``deepest_mm``: how far.
    """

    ostium: FloatArray
    normal: FloatArray
    deepest_mm: float

    def passed(self, centre: FloatArray) -> BoolArray:
        """Tell which centres (N, 3) are past it."""
        return np.asarray((centre - self.ostium) @ self.normal > self.deepest_mm)


def minimise(
    batch: BalloonBatch,
    start: FloatArray,
    through: Exit,
    *,
    residual_share: float = RESIDUAL_SHARE,
    keep_path: bool = False,
    near: NearWall | None = None,
    pressed: PressedWall | None = None,
    step_mm: float | FloatArray = STEP_MM,
) -> Equilibria:
    """Follow all balloons from their starts down to where they rest.

    Parameters
    ----------
    batch : BalloonBatch
    start : (N, 3 + M) array
        Centres and amplitudes, mm.
    through : Exit
    residual_share : float
        Rest is where the forces balance to this share of the push.
    keep_path : bool
        Keep all places on the path.
    near : NearWall, optional
        Of these balloons, where their wall has been looked up before.
    pressed : PressedWall, optional
        At the starts, where it is known already.
    step_mm : float or (N,) array
        Longest step while the wall is touched.

    Returns
    -------
    Equilibria

    References
    ----------
    .. [1] Nocedal J, Wright SJ, Numerical Optimization, 2nd ed, Springer 2006, chapters 4
       and 16.7 (bounds by projection).
    """
    count, modes = len(start), batch.wall.modes
    place = np.array(start, dtype=float)
    place[:, 3:] = np.clip(place[:, 3:], modes.low_mm, modes.high_mm)
    everyone = np.arange(count)
    whole, middle = batch, place[:, :3].copy()
    near = near or whole.nearby()
    # Where the points near each balloon are looked up, only balloons in flight need the window.
    window = whole.around(middle, WINDOW_MM) if near is None else None
    batch = window or whole
    wall = pressed.only(everyone) if pressed else batch.pressed(everyone, place, near)
    value, gradient, hessian, touches = batch.evaluate(everyone, place, pressed=wall)
    scale = np.maximum(batch.push_n, SMALLEST_SCALE_N)
    wanted, exact = residual_share * scale, RESIDUAL_SHARE * scale
    longest = np.full(count, step_mm)
    limit, radius = longest.copy(), np.full(count, np.nan)
    state, steps = np.full(count, GOING), np.zeros(count, dtype=int)
    residual_n = np.full(count, np.inf)
    path = [[row.copy()] for row in place] if keep_path else []
    going = everyone
    for _ in range(GREATEST_STEPS):
        gone = through.passed(place[going, :3])
        held = _held(place[going], gradient[going], modes.low_mm, modes.high_mm)
        free_gradient = np.where(held, 0.0, gradient[going])
        free_hessian = _decoupled(hessian[going], held)
        residual = np.linalg.norm(free_gradient, axis=1)
        residual_n[going] = residual
        stiffness, axes = np.linalg.eigh(free_hessian)
        steepest = np.maximum(np.abs(stiffness).max(axis=1), 1e-12)
        balanced = residual <= wanted[going]
        falls = stiffness[:, 0] < -1e-9 * steepest
        resting = balanced & ~falls & ~gone
        # Only where the forces balance closely does the model itself point nowhere.
        saddle = falls & (residual <= exact[going])
        state[going[gone]] = WENT_THROUGH
        state[going[resting]] = AT_REST
        left = ~gone & ~resting
        if not left.any():
            break
        going, residual, saddle = going[left], residual[left], saddle[left]
        stiffness, axes, held = stiffness[left], axes[left], held[left]
        free_gradient = free_gradient[left]
        slope = np.einsum("nji,nj->ni", axes, free_gradient)
        if window and np.abs(place[going, :3] - middle[going]).max() > WINDOW_MM - FLIGHT_MM:
            middle = np.where(np.isin(everyone, going)[:, None], place[:, :3], middle)
            window = whole.around(middle[going], WINDOW_MM)
            batch = window if near is None else whole

        fresh = np.isnan(radius[going])
        radius[going[fresh]] = limit[going[fresh]]
        flying = np.flatnonzero(fresh & ~touches[going] & ~saddle)
        if len(flying):
            if window is None:
                middle = place[:, :3].copy()
                window = whole.around(middle[going], WINDOW_MM)
            radius[going[flying]] = _flight_radius(
                window, going[flying], place, slope[flying], stiffness[flying], axes[flying], limit
            )

        step = _model_steps(slope, stiffness, radius[going], axes)
        nudge = np.minimum(radius[going], SADDLE_STEP_MM)[:, None] * axes[:, :, 0]
        step = np.where(saddle[:, None], nudge, step)
        step = np.where(held, 0.0, step)
        trial = place[going] + step
        trial[:, 3:] = np.clip(trial[:, 3:], modes.low_mm, modes.high_mm)
        step = trial - place[going]
        new_wall = batch.pressed(going, trial, near)
        new = batch.evaluate(going, trial, pressed=new_wall)
        predicted = -np.einsum("ni,ni->n", gradient[going], step)
        predicted -= 0.5 * np.einsum("ni,nij,nj->n", step, hessian[going], step)
        old_value, new_value = value[going], new[0]
        noise = ENERGY_NOISE * np.maximum(np.maximum(np.abs(old_value), np.abs(new_value)), 1.0)
        new_held = _held(trial, new[1], modes.low_mm, modes.high_mm)
        calmer = np.linalg.norm(np.where(new_held, 0.0, new[1]), axis=1) < residual
        lower = (new_value < old_value) | ((new_value <= old_value + noise) & calmer)
        length = np.linalg.norm(step, axis=1)

        with np.errstate(divide="ignore", invalid="ignore"):
            agreement = np.where(predicted > noise, (old_value - new_value) / predicted, 1.0)
        now, used = limit[going], radius[going]
        most = longest[going]
        grown = np.minimum(most, 2.0 * np.maximum(now, np.minimum(length, most)))
        kept = np.minimum(now, np.maximum(used, SMALLEST_STEP_MM))
        full = (agreement > GOOD_MODEL) & (length > 0.9 * np.minimum(used, now))
        shrunk = np.maximum(0.25 * length, SMALLEST_STEP_MM)
        next_limit = np.where(agreement < POOR_MODEL, shrunk, np.where(full, grown, kept))

        moved = going[lower]
        place[moved], value[moved] = trial[lower], new_value[lower]
        gradient[moved], hessian[moved], touches[moved] = (part[lower] for part in new[1:])
        wall.put(moved, new_wall.only(lower))
        limit[moved], radius[moved] = next_limit[lower], np.nan
        steps[moved] += 1
        if keep_path:
            for i in moved:
                path[i].append(place[i].copy())
        refused = ~lower
        radius[going[refused]] = 0.25 * length[refused]
        stuck = refused & (0.25 * length < SMALLEST_STEP_MM)
        state[going[stuck]] = GAVE_UP
        going = going[~stuck]
        if not len(going):
            break
    state[state == GOING] = GAVE_UP
    paths = tuple(np.array(p) for p in path)
    return Equilibria(state, place, residual_n, value, steps, wall, paths)


def _held(place: FloatArray, gradient: FloatArray, low: FloatArray, high: FloatArray) -> BoolArray:
    """Unknowns (N, 3 + M) that rest on a bound which the energy presses them against."""
    held: BoolArray = np.zeros(place.shape, dtype=bool)
    amplitude, slope = place[:, 3:], gradient[:, 3:]
    held[:, 3:] = ((amplitude >= high) & (slope < 0.0)) | ((amplitude <= low) & (slope > 0.0))
    return held


def _decoupled(hessian: FloatArray, held: BoolArray) -> FloatArray:
    """Hessians (N, n, n) in which unknowns that are held take no part."""
    if not held.any():
        return hessian
    free = ~held
    result = hessian * free[:, :, None] * free[:, None, :]
    scale = np.maximum(np.abs(hessian).max(axis=(1, 2)), 1e-12)
    return np.asarray(result + scale[:, None, None] * held[:, :, None] * np.eye(held.shape[1]))


def _flight_radius(
    batch: BalloonBatch,
    which: IntArray,
    place: FloatArray,
    slope: FloatArray,
    stiffness: FloatArray,
    axes: FloatArray,
    limit: FloatArray,
) -> FloatArray:
    """Radius (K,) of the next step of balloons that touch nothing: to the first wall, and in."""
    room = np.full(len(which), FLIGHT_MM)
    ahead = _model_steps(slope, stiffness, room, axes)
    length = np.linalg.norm(ahead, axis=1)
    travel = np.linalg.norm(ahead[:, :3], axis=1)
    direction = ahead[:, :3] / np.maximum(travel, SMALLEST_STEP_MM)[:, None]
    free = np.minimum(batch.flight(which, place[which], direction), length)
    return np.asarray(np.minimum(free + limit[which], room))


def _model_steps(
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
