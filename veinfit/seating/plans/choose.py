"""Which seats may close a vein together: chosen by the tries that lie behind the aim maps.

Every try covers some wall with cold contact. How often a set of seats closes the vein is told
by weighing tries as the scatter about each seat's aim would make them likely. A set can close
it only where its tries cover all directions around the vein; that is soon told for all sets.
Of those that do most often, the tries' closed lines are then looked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.vectors import BoolArray, FloatArray, IntArray

SETS_LOOKED_AT = 8
"""Closed lines are looked for with so many sets of seats, ..."""

COMBINATIONS_LOOKED_AT = 64
"""... and with so many of the likeliest combinations of tries of each."""

THIRDS = 6
"""So many third seats are looked at beside the best two."""

LEAST_WEIGHT = 1e-6
"""Two tries that are less likely than this together are left out."""

Closes = Callable[[Sequence[IntArray]], BoolArray]
"""Whether tries, one (M,) array of numbers for each seat of a set, close the vein together."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Seats that a plan may have.

    Attributes
    ----------
    weight : (C, N) array
        How much each try of all sizes counts for one that aims at each seat.
    covered : (N, S) bool array
        Directions around the vein that each try covers.
    shown : (C, S) bool array
        Those that each seat covers without perturbation.
    """

    weight: FloatArray
    covered: BoolArray
    shown: BoolArray


def best_sets(seats: Candidates, closes: Closes) -> Iterator[tuple[int, ...]]:
    """Yield the two seats that close the vein most often, then the three; none that never do."""
    if len(seats.weight) < 2:
        return
    pairs = _pairs(seats)
    best = _likeliest(seats, pairs, closes)
    if best is not None:
        yield best
    best = _likeliest(seats, _triples(seats, pairs, best), closes)
    if best is not None:
        yield best


def _pairs(seats: Candidates) -> list[tuple[int, ...]]:
    """For each seat the partner with which it covers all directions most often; the best few."""
    covered = _bits(seats.covered)
    all_round = (covered[:, None] | covered[None, :]) == _full(seats)
    score = seats.weight @ all_round @ seats.weight.T
    # Where no two do, those that leave fewest directions open.
    shown = (seats.shown[:, None, :] | seats.shown[None, :, :]).mean(axis=2)
    score = score + 1e-6 * shown
    np.fill_diagonal(score, -1.0)
    partner = score.argmax(axis=1)
    order = np.argsort(-score.max(axis=1), kind="stable")
    found = dict.fromkeys(tuple(sorted((int(i), int(partner[i])))) for i in order)
    return list(found)[:SETS_LOOKED_AT]


def _triples(
    seats: Candidates, pairs: Sequence[tuple[int, ...]], best: tuple[int, ...] | None
) -> list[tuple[int, ...]]:
    """Third seats that cover all directions most often: several for the best pair, else one."""
    covered, full = _bits(seats.covered), _full(seats)
    found: dict[tuple[int, ...], None] = {}
    for pair in pairs:
        i, j = pair
        likely = np.outer(seats.weight[i], seats.weight[j])
        a, b = np.nonzero(likely > LEAST_WEIGHT)
        union, place = np.unique(covered[a] | covered[b], return_inverse=True)
        share = np.bincount(place.ravel(), weights=likely[a, b], minlength=len(union))
        score = seats.weight @ (share @ ((union[:, None] | covered[None, :]) == full))
        score[[i, j]] = 0.0
        for third in np.argsort(-score, kind="stable")[: THIRDS if pair == best else 1]:
            if score[third] > 0.0:
                found[tuple(sorted((i, j, int(third))))] = None
    return list(found)


def _likeliest(
    seats: Candidates, sets: Sequence[tuple[int, ...]], closes: Closes
) -> tuple[int, ...] | None:
    """Return the set whose tries hold a closed line most often; None where none ever do."""
    combinations, weights = [], []
    for chosen in sets:
        numbers, likely = _likeliest_combinations(seats, chosen)
        combinations.append(numbers)
        weights.append(likely)
    if not combinations:
        return None
    closed = closes(list(np.concatenate(combinations, axis=1)))
    begin = np.cumsum([0, *(len(one) for one in weights)])
    score = [
        float(likely @ closed[begin[k] : begin[k + 1]] / likely.sum())
        for k, likely in enumerate(weights)
    ]
    best = int(np.argmax(score))
    return sets[best] if score[best] > 0.0 else None


def _likeliest_combinations(
    seats: Candidates, chosen: tuple[int, ...]
) -> tuple[IntArray, FloatArray]:
    """Return the likeliest combinations of tries of some seats (n, W), and how likely (W,)."""
    # As many of each seat as together make somewhat more than are wanted.
    each = int(np.ceil((4.0 * COMBINATIONS_LOOKED_AT) ** (1.0 / len(chosen))))
    own = [np.argsort(-seats.weight[k], kind="stable")[:each] for k in chosen]
    own = [rows[seats.weight[k][rows] > 0.0] for k, rows in zip(chosen, own, strict=True)]
    grid = np.meshgrid(*own, indexing="ij")
    numbers = np.array([part.ravel() for part in grid])
    likely = np.prod([seats.weight[k][n] for k, n in zip(chosen, numbers, strict=True)], axis=0)
    order = np.argsort(-likely, kind="stable")[:COMBINATIONS_LOOKED_AT]
    return numbers[:, order], np.asarray(likely[order])


def _bits(sectors: BoolArray) -> IntArray:
    """Directions (N, S) as the bits of one number (N,); S is at most 62."""
    return np.asarray(sectors @ (1 << np.arange(sectors.shape[1], dtype=np.int64)))


def _full(seats: Candidates) -> int:
    return (1 << seats.covered.shape[1]) - 1
