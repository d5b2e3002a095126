"""A try: the push rises until the balloon occludes, and a little farther.

Operators see occlusion by contrast and then push a little more. So a vein that a small
push seals is never passed through by the greatest one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from veinfit.seating.mechanics.batch import BalloonBatch, PressedWall
from veinfit.seating.mechanics.minimise import (
    AT_REST,
    RESIDUAL_SHARE,
    STEP_MM,
    Equilibria,
    Exit,
    minimise,
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
    count, most = batch.count, batch.push_n
    place = np.array(start, dtype=float)
    least = np.minimum(FIRST_PUSH_N, most)
    push = least if first_push_n is None else np.clip(first_push_n, least, most)
    below, below_place = np.zeros(count), place.copy()
    occludes = np.full(count, np.nan)
    seals = np.full(count, np.nan)
    state = np.full(count, AT_REST)
    going = np.arange(count)

    near = batch.nearby()
    # The wall at a place is the same whatever the push: it is not worked out again.
    at_start = batch.pressed(going, place, near)
    pressed, below_pressed = at_start.only(going), at_start.only(going)

    def settle(
        which: IntArray, pushes: FloatArray, begin: FloatArray, known: PressedWall, share: float
    ) -> Equilibria:
        pushed = replace(batch.only(which), push_n=pushes)
        own = None if near is None else near.only(which)
        return minimise(
            pushed,
            begin,
            through,
            residual_share=share,
            near=own,
            pressed=known.only(which),
            step_mm=np.where(pushes <= FIRST_PUSH_N, FIRST_STEP_MM, STEP_MM),
        )

    def look(which: IntArray, pushes: FloatArray, found: Equilibria) -> BoolArray:
        occluded = np.zeros(len(which), dtype=bool)
        rest = np.flatnonzero(found.at_rest)
        if len(rest):
            occluded[rest], sealed = closes(which[rest], found.place[rest])
            at, force = which[rest][sealed], pushes[rest][sealed]
            seals[at] = np.fmin(seals[at], force)
        return occluded

    while len(going):
        found = settle(going, push[going], place[going], pressed, STEP_RESIDUAL_SHARE)
        place[going], state[going] = found.place, found.state
        pressed.put(going, found.wall)
        occluded = look(going, push[going], found)
        # Too late a beginning: nothing is known yet of lesser pushes.
        late = (below[going] == 0.0) & (occluded | ~found.at_rest) & (push[going] > least[going])
        back = going[late]
        seals[back], place[back], state[back] = np.nan, start[back], AT_REST
        pressed.put(back, at_start.only(back))
        push[back] = np.maximum(push[back] / EARLIER, least[back])
        occluded &= ~late
        occludes[going[occluded]] = push[going[occluded]]
        on = found.at_rest & ~occluded & ~late & (push[going] < most[going])
        ahead = going[on]
        below[ahead], below_place[ahead] = push[ahead], found.place[on]
        below_pressed.put(ahead, found.wall.only(on))
        push[ahead] = np.minimum(PUSH_RATIO * push[ahead], most[ahead])
        going = np.sort(np.concatenate([back, ahead]))

    narrowing = np.flatnonzero(np.isfinite(occludes) & (below > 0.0))
    for _ in range(PUSH_HALVINGS):
        if not len(narrowing):
            break
        middle = 0.5 * (below[narrowing] + occludes[narrowing])
        begin = below_place[narrowing]
        found = settle(narrowing, middle, begin, below_pressed, STEP_RESIDUAL_SHARE)
        occluded = look(narrowing, middle, found)
        here = narrowing[occluded]
        occludes[here], place[here] = middle[occluded], found.place[occluded]
        pressed.put(here, found.wall.only(occluded))
        not_yet = found.at_rest & ~occluded
        here = narrowing[not_yet]
        below[here], below_place[here] = middle[not_yet], found.place[not_yet]
        below_pressed.put(here, found.wall.only(not_yet))
        narrowing = narrowing[found.at_rest]

    final = np.where(np.isfinite(occludes), np.minimum(push_beyond * occludes, most), push)
    none = np.full(count, np.nan)
    seats = Equilibria(state, place, none, none.copy(), np.zeros(count, dtype=int), pressed)
    rest = np.flatnonzero(state == AT_REST)
    if len(rest):
        last = settle(rest, final[rest], place[rest], pressed, seat_share)
        for name in ("state", "place", "residual_n", "energy", "steps"):
            getattr(seats, name)[rest] = getattr(last, name)
        pressed.put(rest, last.wall)
        # What closes by contrast may seal by cold contact with the push beyond alone.
        look(rest, final[rest], last)
    return Attempts(seats, final, occludes, seals)
