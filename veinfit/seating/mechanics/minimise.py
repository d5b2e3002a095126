"""Where pushed balloons come to rest: a batch of equilibria, one solver for one or thousands.

Newton's method with the exact Hessian inside a trust region: each step minimises the
quadratic model within a ball of at most half a millimetre (while no wall is touched: up to
the first that is), is taken only where the energy falls, and is shortened where the model
was poor. So a balloon reaches the minimum whose valley it is in and no other. Balloons
take their steps side by side, each as it would alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from veinfit.seating.mechanics.batch import BalloonBatch, PressedWall
from veinfit.seating.mechanics.near import NearWall
from veinfit.seating.mechanics.near_faces import NearFaces
from veinfit.seating.mechanics.steps import (
    FLIGHT_MM,
    SMALLEST_STEP_MM,
    decoupled,
    flight_radius,
    held_at_bounds,
    model_steps,
    next_limits,
)
from veinfit.vectors import BoolArray, FloatArray, IntArray

RESIDUAL_SHARE = 1e-6
"""At rest the forces balance to this share of the push."""

SMALLEST_SCALE_N = 1e-3
"""Force that stands in for the push in the residual where there is next to none."""

STEP_MM = 0.5
"""Longest step while the wall is touched: far shorter than the balloon's radius, so that the
path follows the energy's own slope and cannot jump over the barrier of an ostium."""

WINDOW_MM = 10.0
"""The wall is looked at this far beyond the balloons; anew when one has come near its end."""

GREATEST_STEPS = 2000
"""A path down that takes more steps than this is given up."""

ENERGY_NOISE = 1e-13
"""Energies closer than this share of their size differ by rounding only."""

SADDLE_STEP_MM = 1e-3
"""Nudge along a direction of negative curvature where the forces balance in a saddle."""

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

    def only(self, which: slice) -> Equilibria:
        """Return the ends of some paths."""
        names = ("state", "place", "residual_n", "energy", "steps", "path")
        wall = self.wall.only(np.arange(len(self.state))[which])
        return replace(self, wall=wall, **{name: getattr(self, name)[which] for name in names})

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


class Descent:
    """N balloons on their way down, each at its own step of it.

    One that has come to rest can begin anew, under another push, while others still go: what each
    does depends on itself alone.

    Parameters
    ----------
    batch : BalloonBatch
    through : Exit
    near : NearWall or NearFaces, optional
        Of these balloons, where their wall has been looked up before.
    keep_path : bool
        Keep all places on the paths.

    Attributes
    ----------
    batch : BalloonBatch
        With the pushes under which the balloons are on their way now.
    near : NearWall or NearFaces
    state, place, residual_n, energy, steps, wall : arrays
        As of :class:`Equilibria`, so far.
    path : list of N lists of (3 + M,) array
        Empty where it is not kept.

    References
    ----------
    .. [1] Nocedal J, Wright SJ, Numerical Optimization, 2nd ed, Springer 2006, chapters 4
       and 16.7 (bounds by projection).
    """

    def __init__(
        self,
        batch: BalloonBatch,
        through: Exit,
        near: NearWall | NearFaces | None = None,
        keep_path: bool = False,
    ) -> None:
        count, n = batch.count, batch.unknowns
        self.batch = replace(batch, push_n=batch.push_n.copy())
        self.near = near if near is not None else batch.nearby()
        self.state = np.full(count, AT_REST)
        self.place, self.energy = np.zeros((count, n)), np.zeros(count)
        self.residual_n, self.steps = np.full(count, np.inf), np.zeros(count, dtype=int)
        self.wall = PressedWall.none(count, n)
        self.path: list[list[FloatArray]] = [[] for _ in range(count)] if keep_path else []
        self._through, self._keep_path = through, keep_path
        self._gradient, self._hessian = np.zeros((count, n)), np.zeros((count, n, n))
        self._wanted, self._exact = np.zeros(count), np.zeros(count)
        self._longest, self._limit, self._radius = (np.zeros(count) for _ in range(3))
        self._tried = np.zeros(count, dtype=int)
        self._window: tuple[BalloonBatch, FloatArray, FloatArray] | None = None

    @property
    def going(self) -> IntArray:
        """Numbers of the balloons that are on their way."""
        return np.flatnonzero(self.state == GOING)

    def begin(
        self,
        which: IntArray,
        place: FloatArray,
        *,
        residual_share: float | FloatArray = RESIDUAL_SHARE,
        step_mm: float | FloatArray = STEP_MM,
        push_n: FloatArray | None = None,
        pressed: PressedWall | None = None,
    ) -> None:
        """Let some balloons begin, wherever they are.

        Parameters
        ----------
        which : (K,) array
            Their numbers, rising.
        place : (K, 3 + M) array
            Centres and amplitudes, mm.
        residual_share : float or (K,) array
            Rest is where the forces balance to this share of the push.
        step_mm : float or (K,) array
            Longest step while the wall is touched.
        push_n : (K,) array, optional
            Their pushes from now on.
        pressed : PressedWall, optional
            At these places, where it is known already.
        """
        batch, modes = self.batch, self.batch.wall.modes
        if push_n is not None:
            batch.push_n[which] = push_n
        place = np.array(place, dtype=float)
        place[:, 3:] = np.clip(place[:, 3:], modes.low_mm, modes.high_mm)
        pressed = pressed or batch.pressed(which, place, self.near)
        self._put(which, place, pressed, batch.evaluate(which, place, pressed=pressed))
        scale = np.maximum(batch.push_n[which], SMALLEST_SCALE_N)
        self._wanted[which], self._exact[which] = residual_share * scale, RESIDUAL_SHARE * scale
        self._longest[which] = self._limit[which] = step_mm
        self._radius[which], self.residual_n[which] = np.nan, np.inf
        self.steps[which] = self._tried[which] = 0
        self.state[which] = GOING
        if self._keep_path:
            for number, row in zip(which, place, strict=True):
                self.path[number] = [row.copy()]

    def step(self) -> None:
        """Take a step with every balloon that goes; those that have come to an end take none."""
        going = self.going
        modes = self.batch.wall.modes
        place, gradient = self.place[going], self._gradient[going]
        gone = self._through.passed(place[:, :3])
        held = held_at_bounds(place, gradient, modes.low_mm, modes.high_mm)
        free_gradient = np.where(held, 0.0, gradient)
        residual = _norm(free_gradient)
        self.residual_n[going] = residual
        stiffness, axes = np.linalg.eigh(decoupled(self._hessian[going], held))
        steepest = np.maximum(np.abs(stiffness).max(axis=1), 1e-12)
        balanced = residual <= self._wanted[going]
        falls = stiffness[:, 0] < -1e-9 * steepest
        resting = balanced & ~falls & ~gone
        # Only where the forces balance closely does the model itself point nowhere.
        saddle = falls & (residual <= self._exact[going])
        self.state[going[gone]] = WENT_THROUGH
        self.state[going[resting]] = AT_REST
        lost = self._tried[going] >= GREATEST_STEPS
        left = ~gone & ~resting & ~lost
        self.state[going[lost & ~gone & ~resting]] = GAVE_UP
        if not left.any():
            return
        if not left.all():
            going, residual, saddle, held = going[left], residual[left], saddle[left], held[left]
            stiffness, axes, free_gradient = stiffness[left], axes[left], free_gradient[left]
            place = place[left]
        self._tried[going] += 1
        slope = np.einsum("nji,nj->ni", axes, free_gradient)
        self._set_radius(going, place, saddle, slope, stiffness, axes)
        radius = self._radius[going]
        step = model_steps(slope, stiffness, radius, axes)
        if saddle.any():
            nudge = np.minimum(radius, SADDLE_STEP_MM)[:, None] * axes[:, :, 0]
            step = np.where(saddle[:, None], nudge, step)
        step = np.where(held, 0.0, step)
        trial = place + step
        trial[:, 3:] = np.clip(trial[:, 3:], modes.low_mm, modes.high_mm)
        self._judge(going, trial, trial - place, residual, radius)

    def _set_radius(
        self,
        going: IntArray,
        place: FloatArray,
        saddle: BoolArray,
        slope: FloatArray,
        stiffness: FloatArray,
        axes: FloatArray,
    ) -> None:
        """Bound the next steps (K,), where they are not those that were refused, shortened."""
        fresh = np.isnan(self._radius[going])
        self._radius[going[fresh]] = self._limit[going[fresh]]
        flying = np.flatnonzero(fresh & ~self.wall.touches[going] & ~saddle)
        if not len(flying):
            return
        centres = place[flying, :3]
        near = WINDOW_MM - FLIGHT_MM
        if (
            self._window is None
            or ((centres < self._window[1] - near) | (centres > self._window[2] + near)).any()
        ):
            whole = self.batch.around(centres, WINDOW_MM)
            self._window = whole, centres.min(axis=0), centres.max(axis=0)
        self._radius[going[flying]] = flight_radius(
            self._window[0],
            going[flying],
            place[flying],
            slope[flying],
            stiffness[flying],
            axes[flying],
            self._limit[going[flying]],
        )

    def _judge(
        self,
        going: IntArray,
        trial: FloatArray,
        step: FloatArray,
        residual: FloatArray,
        used: FloatArray,
    ) -> None:
        """Take the steps that lead down, and set how long the next ones may be."""
        modes = self.batch.wall.modes
        pressed = self.batch.pressed(going, trial, self.near)
        told = self.batch.evaluate(going, trial, pressed=pressed)
        predicted = -np.einsum("ni,ni->n", self._gradient[going], step)
        predicted -= 0.5 * np.einsum("ni,nij,nj->n", step, self._hessian[going], step)
        old, new = self.energy[going], told[0]
        noise = ENERGY_NOISE * np.maximum(np.maximum(np.abs(old), np.abs(new)), 1.0)
        held = held_at_bounds(trial, told[1], modes.low_mm, modes.high_mm)
        calmer = _norm(np.where(held, 0.0, told[1])) < residual
        lower = (new < old) | ((new <= old + noise) & calmer)
        length = _norm(step)
        with np.errstate(divide="ignore", invalid="ignore"):
            agreement = np.where(predicted > noise, (old - new) / predicted, 1.0)
        limit = next_limits(agreement, length, used, self._limit[going], self._longest[going])
        if lower.all():
            moved = going
            self._put(going, trial, pressed, told)
        else:
            moved, refused = going[lower], ~lower
            part = tuple(one[lower] for one in told)
            self._put(moved, trial[lower], pressed.only(lower), part)  # type: ignore[arg-type]
            self._radius[going[refused]] = 0.25 * length[refused]
            stuck = refused & (0.25 * length < SMALLEST_STEP_MM)
            self.state[going[stuck]] = GAVE_UP
        self._limit[moved], self._radius[moved] = limit[lower], np.nan
        self.steps[moved] += 1
        if self._keep_path:
            for number in moved:
                self.path[number].append(self.place[number].copy())

    def _put(
        self,
        which: IntArray,
        place: FloatArray,
        pressed: PressedWall,
        told: tuple[FloatArray, FloatArray, FloatArray, BoolArray],
    ) -> None:
        self.place[which] = place
        self.energy[which], self._gradient[which], self._hessian[which], _ = told
        self.wall.put(which, pressed)


def minimise(
    batch: BalloonBatch,
    start: FloatArray,
    through: Exit,
    *,
    residual_share: float = RESIDUAL_SHARE,
    keep_path: bool = False,
    near: NearWall | NearFaces | None = None,
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
    near : NearWall or NearFaces, optional
        Of these balloons, where their wall has been looked up before.
    pressed : PressedWall, optional
        At the starts, where it is known already.
    step_mm : float or (N,) array
        Longest step while the wall is touched.

    Returns
    -------
    Equilibria
    """
    descent = Descent(batch, through, near, keep_path)
    everyone = np.arange(batch.count)
    descent.begin(everyone, start, residual_share=residual_share, step_mm=step_mm, pressed=pressed)
    while len(descent.going):
        descent.step()
    return Equilibria(
        descent.state,
        descent.place,
        descent.residual_n,
        descent.energy,
        descent.steps,
        descent.wall,
        tuple(np.array(one) for one in descent.path),
    )


def _norm(rows: FloatArray) -> FloatArray:
    return np.sqrt(np.einsum("ni,ni->n", rows, rows))
