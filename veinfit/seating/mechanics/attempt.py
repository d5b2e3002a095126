"""A try: the push rises until the balloon occludes, and a little farther.

Operators see occlusion by contrast and then push a little more. So a vein that a small
push seals is never passed through by the greatest one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.minimise import (
    AT_REST,
    GOING,
    RESIDUAL_SHARE,
    STEP_MM,
    Descent,
    Equilibria,
    Exit,
)
from veinfit.vectors import BoolArray, FloatArray, IntArray

FIRST_PUSH_N = 0.02
"""The push from which a try begins."""

FIRST_STEP_MM = 1.0
"""Longest step under the first push, which hardly presses: on the way from where all balloons
start to their own shafts."""

PUSH_RATIO = 1.5
"""Each push is at most so many times the last."""

EARLIER = 2.0
"""A try that began with too great a push begins again with this part of it."""

PUSH_HALVINGS = 4
"""Of the step of push within which a balloon comes to occlude: to 3 % of it."""

STEP_RESIDUAL_SHARE = 1e-2
"""On the way the forces balance to this share of the push; at the seat to far less."""

RISING, NARROWING, SEATING, MADE = 0, 1, 2, 3
"""Phases of a try: the push rises, the least that occludes is narrowed down, the last push."""

Closes = Callable[[IntArray, FloatArray], tuple[BoolArray, BoolArray]]
"""Whether balloons (K,) at places (K, 3 + M) occlude, and whether they seal: (K,), (K,)."""


@dataclass(frozen=True, slots=True, eq=False)
class Attempts:
    """What N tries came to.

    Attributes
    ----------
    seats : Equilibria
        At the last push.
    push_n : (N,) array
        The push at the seat, N.
    push_to_occlude_n, push_to_seal_n : (N,) array
        The least push that occluded or sealed on the way, NaN where none did.
    """

    seats: Equilibria
    push_n: FloatArray
    push_to_occlude_n: FloatArray
    push_to_seal_n: FloatArray

    def only(self, which: slice) -> Attempts:
        """Return some of them."""
        told = (self.push_n, self.push_to_occlude_n, self.push_to_seal_n)
        return Attempts(self.seats.only(which), *(one[which] for one in told))


def attempt(
    batch: BalloonBatch,
    start: FloatArray,
    through: Exit,
    closes: Closes,
    push_beyond: float,
    first_push_n: FloatArray | None = None,
    seat_share: float = RESIDUAL_SHARE,
) -> Attempts:
    """Push every balloon until it occludes and ``push_beyond`` times as hard, or passes through.

    Parameters
    ----------
    batch : BalloonBatch
        Its pushes are the greatest ones.
    start : (N, 3 + M) array
    through : Exit
    closes : callable
    push_beyond : float
        Of the least push that occludes; never beyond the greatest.
    first_push_n : (N,) array, optional
        The pushes to begin with, where it is known that none below them occludes. A
        balloon that does occlude at once begins again with less.
    seat_share : float
        At the seat the forces balance to this share of the push.
    """
    tries = _Tries(batch, start, through, closes, push_beyond, first_push_n, seat_share)
    return tries.made()


class _Tries:
    """N tries, each at its own step: of a push, of the pushes, of the last one.

    Balloons wait for no other one. Those that have come to rest are looked at once they are as many
    as are still on their way.
    """

    def __init__(
        self,
        batch: BalloonBatch,
        start: FloatArray,
        through: Exit,
        closes: Closes,
        push_beyond: float,
        first_push_n: FloatArray | None,
        seat_share: float,
    ) -> None:
        count, most = batch.count, batch.push_n
        self._closes, self._beyond, self._seat_share = closes, push_beyond, seat_share
        self._most, self._least = most, np.minimum(FIRST_PUSH_N, most)
        first = self._least if first_push_n is None else np.clip(first_push_n, self._least, most)
        self._push, self._begun = np.array(first), np.array(start, dtype=float)
        self._place, self._below_place = self._begun.copy(), self._begun.copy()
        self._below = np.zeros(count)
        self._occludes, self._seals = np.full(count, np.nan), np.full(count, np.nan)
        self._state = np.full(count, AT_REST)
        self._phase, self._halvings = np.full(count, RISING), np.zeros(count, dtype=int)
        self._descent = Descent(batch, through)
        # The wall at a place is the same whatever the push: it is not worked out again.
        everyone = np.arange(count)
        self._at_start = batch.pressed(everyone, self._begun, self._descent.near)
        self._pressed, self._below_pressed = (self._at_start.only(everyone) for _ in range(2))

    def made(self) -> Attempts:
        """Make the tries."""
        descent = self._descent
        self._go(np.arange(len(self._push)))
        while (self._phase != MADE).any():
            going = descent.going
            waiting = np.flatnonzero((self._phase != MADE) & (descent.state != GOING))
            if len(waiting) >= len(going):
                self._go(self._next(waiting))
            else:
                descent.step()
        seats = Equilibria(
            self._state,
            self._place,
            np.where(self._state == AT_REST, descent.residual_n, np.nan),
            np.where(self._state == AT_REST, descent.energy, np.nan),
            descent.steps,
            self._pressed,
        )
        return Attempts(seats, self._push, self._occludes, self._seals)

    def _go(self, which: IntArray) -> None:
        """Let balloons go, from where and under which push their phase tells."""
        if not len(which):
            return
        phase, push = self._phase[which], self._push[which]
        halving = phase == NARROWING
        place = np.where(halving[:, None], self._below_place[which], self._place[which])
        pressed = self._pressed.only(which)
        pressed.put(np.flatnonzero(halving), self._below_pressed.only(which[halving]))
        self._descent.begin(
            which,
            place,
            residual_share=np.where(phase == SEATING, self._seat_share, STEP_RESIDUAL_SHARE),
            step_mm=np.where(push <= FIRST_PUSH_N, FIRST_STEP_MM, STEP_MM),
            push_n=push,
            pressed=pressed,
        )

    def _next(self, which: IntArray) -> IntArray:
        """Look at balloons that have come to an end; return those that go on."""
        descent, push = self._descent, self._push
        rests = descent.state[which] == AT_REST
        occluded = np.zeros(len(which), dtype=bool)
        if rests.any():
            own = which[rests]
            occluded[rests], sealed = self._closes(own, descent.place[own])
            at = own[sealed]
            self._seals[at] = np.fmin(self._seals[at], push[at])
        phase = self._phase[which]
        rising, halving = phase == RISING, phase == NARROWING
        self._rise(which[rising], rests[rising], occluded[rising])
        self._narrow(which[halving], rests[halving], occluded[halving])
        self._end(which[phase == SEATING])
        # What has found its push is seated under it; what does not rest is made.
        done = which[self._phase[which] == SEATING]
        done = done[np.isin(done, which[phase != SEATING])]
        final = np.minimum(self._beyond * self._occludes[done], self._most[done])
        push[done] = np.where(np.isfinite(self._occludes[done]), final, push[done])
        return which[self._phase[which] != MADE]

    def _rise(self, which: IntArray, rests: BoolArray, occluded: BoolArray) -> None:
        descent, push, least, most = self._descent, self._push, self._least, self._most
        self._keep(which)
        self._state[which] = descent.state[which]
        # Too late a beginning: nothing is known yet of lesser pushes.
        late = (self._below[which] == 0.0) & (occluded | ~rests) & (push[which] > least[which])
        back = which[late]
        self._seals[back], self._state[back] = np.nan, AT_REST
        self._place[back] = self._begun[back]
        self._pressed.put(back, self._at_start.only(back))
        push[back] = np.maximum(push[back] / EARLIER, least[back])
        here = which[occluded & ~late]
        self._occludes[here] = push[here]
        on = rests & ~occluded & ~late & (push[which] < most[which])
        ahead = which[on]
        self._keep_below(ahead)
        push[ahead] = np.minimum(PUSH_RATIO * push[ahead], most[ahead])
        ended = which[~late & ~on]
        narrowing = np.isfinite(self._occludes[ended]) & (self._below[ended] > 0.0)
        self._phase[ended] = np.where(self._state[ended] == AT_REST, SEATING, MADE)
        self._phase[ended[narrowing]] = NARROWING
        self._halve(ended[narrowing])

    def _narrow(self, which: IntArray, rests: BoolArray, occluded: BoolArray) -> None:
        here = which[occluded]
        self._occludes[here] = self._push[here]
        self._keep(here)
        self._keep_below(which[rests & ~occluded])
        on = rests & (self._halvings[which] < PUSH_HALVINGS)
        self._halve(which[on])
        self._phase[which[~on]] = SEATING

    def _halve(self, which: IntArray) -> None:
        self._halvings[which] += 1
        self._push[which] = 0.5 * (self._below[which] + self._occludes[which])

    def _end(self, which: IntArray) -> None:
        self._keep(which)
        self._state[which], self._phase[which] = self._descent.state[which], MADE

    def _keep(self, which: IntArray) -> None:
        self._place[which] = self._descent.place[which]
        self._pressed.put(which, self._descent.wall.only(which))

    def _keep_below(self, which: IntArray) -> None:
        self._below[which], self._below_place[which] = self._push[which], self._descent.place[which]
        self._below_pressed.put(which, self._descent.wall.only(which))
