"""Which seats may close a vein together: chosen by the tries that lie behind the aim maps.

Every try covers some directions around the vein with cold contact. A set of seats can close
the vein only where its tries cover all of them; how often they do is told by weighing tries
as the scatter about each seat's aim would make them likely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.frames import BoolArray, FloatArray, IntArray

PAIRS_TRIED = 12
"""A third seat is looked for beside so many of the best pairs."""

LEAST_WEIGHT = 1e-6
"""Two tries that are less likely than this together are left out."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Seats that a plan may have.

    Attributes
    ----------
    row : (C,) array
        Number of the nominal try of each among those of all balloons.
    weight : (C, N) array
        How much each try of all balloons counts for one that aims there.
    """

    row: IntArray
    weight: FloatArray


def bits(sectors: BoolArray) -> IntArray:
    """Sectors (N, S) as the bits of one number (N,); S is at most 62."""
    return np.asarray(sectors @ (1 << np.arange(sectors.shape[1], dtype=np.int64)))


def best_pairs(seats: Candidates, covered: IntArray, full: int) -> list[tuple[float, int, int]]:
    """Return the likeliest pairs of seats, best first: how likely they cover all, and which.

    Parameters
    ----------
    seats : Candidates
    covered : (N,) array
        The sectors that each try covers, as bits.
    full : int
        All sectors.
    """
    together = (covered[:, None] | covered[None, :]) == full
    score = np.triu(seats.weight @ together @ seats.weight.T, 1)
    order = np.argsort(-score, axis=None, kind="stable")[:PAIRS_TRIED]
    pairs = [divmod(int(flat), len(score)) for flat in order]
    return [(float(score[i, j]), i, j) for i, j in pairs if score[i, j] > 0.0]


def best_triple(
    seats: Candidates, covered: IntArray, full: int, pairs: Sequence[tuple[int, int]]
) -> tuple[float, int, int, int] | None:
    """Return the likeliest three seats of which two are one of some pairs."""
    best: tuple[float, int, int, int] | None = None
    for i, j in pairs:
        likely = np.outer(seats.weight[i], seats.weight[j])
        a, b = np.nonzero(likely > LEAST_WEIGHT)
        union, place = np.unique(covered[a] | covered[b], return_inverse=True)
        share = np.bincount(place.ravel(), weights=likely[a, b], minlength=len(union))
        closes = share @ ((union[:, None] | covered[None, :]) == full)
        score = seats.weight @ closes
        score[[i, j]] = -1.0
        k = int(np.argmax(score))
        if best is None or score[k] > best[0]:
            best = (float(score[k]), i, j, k)
    return best


def least_open_pairs(sectors: BoolArray) -> list[tuple[float, int, int]]:
    """Return the pairs of seats that cover most directions (C, S), and how many."""
    together = (sectors[:, None, :] | sectors[None, :, :]).sum(axis=2)
    score = np.triu(together, 1).astype(float)
    order = np.argsort(-score, axis=None, kind="stable")[:PAIRS_TRIED]
    pairs = [divmod(int(flat), len(score)) for flat in order]
    return [(float(score[i, j]), i, j) for i, j in pairs if i < j]
