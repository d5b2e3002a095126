"""Whether the anatomy fits the stated frame better than its axes turned, mirrored or exchanged."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from veinfit.frames import FloatArray

REFUSED_MARGIN = 12.0
"""The frame is contradicted when another fits better by this (log odds)."""

DOUBTED_NAME_CONFIDENCE = 0.5
"""No name is surer than this where another frame fits better."""

ASKEW_MARGIN = 2.0
"""On invented atria turned by 30 degrees, a third of the way to the next axis, exchanged axes
fitted better by up to 1.5."""

USUAL_MISFIT = 8.0
"""Exchanged axes are tried from this misfit in the stated frame on: most atria lie below, and it
costs a third of a second."""

Axes = tuple[int, int, int]
"""Which axis of the input, 1 to 3 with its sign, each of x, y and z would be."""

STATED: Axes = (1, 2, 3)
HALF_TURN: Axes = (-1, -2, 3)
"""Left is right and front is back, as between LPS and RAS."""

MIRRORED_LEFT_RIGHT: Axes = (-1, 2, 3)

WORDS: Mapping[Axes, str] = {
    HALF_TURN: "turned half round about the head-foot axis",
    (1, -2, -3): "turned half round about the left-right axis",
    (-1, 2, -3): "turned half round about the front-back axis",
    MIRRORED_LEFT_RIGHT: "mirrored left to right",
    (1, -2, 3): "mirrored front to back",
    (1, 2, -3): "mirrored head to foot",
    (-1, -2, -3): "mirrored in all three axes",
}


@dataclass(frozen=True, slots=True)
class OtherFrame:
    """The other frame that fits the anatomy best.

    Attributes
    ----------
    axes : Axes
    better_by : float
        Log odds for it against the stated frame; negative is fine.
    """

    axes: Axes
    better_by: float

    @property
    def words(self) -> str:
        """What would have to be done to the input."""
        if self.axes in WORDS:
            return WORDS[self.axes]
        read = ", ".join(f"{'-' if a < 0 else '+'}{'xyz'[abs(a) - 1]}" for a in self.axes)
        return f"read with its axes as {read}"

    @property
    def is_refused(self) -> bool:
        """Whether it contradicts the stated one; a heart may lie mirrored left to right."""
        return self.better_by > REFUSED_MARGIN and self.axes != MIRRORED_LEFT_RIGHT

    @property
    def is_better(self) -> bool:
        """Whether it fits better, by more than a heart that lies askew makes it."""
        exchanged = tuple(abs(axis) for axis in self.axes) != STATED
        return self.better_by > (ASKEW_MARGIN if exchanged else 0.0)


def best_other_frame(misfit_in: Callable[[Axes], float]) -> OtherFrame:
    """Return the other frame with the least misfit.

    On 306 invented atria every other frame fitted worse than the right one.

    Parameters
    ----------
    misfit_in : callable
        Returns the misfit in a frame.
    """
    stated = misfit_in(STATED)
    signs = list(itertools.product((1, -1), repeat=3))
    orders = list(itertools.permutations((1, 2, 3)))
    tried = orders if stated > USUAL_MISFIT else orders[:1]
    frames = [(s * order[0], t * order[1], u * order[2]) for order in tried for s, t, u in signs]
    found = [OtherFrame(axes, stated - misfit_in(axes)) for axes in frames[1:]]
    return max(found, key=lambda frame: frame.better_by)


def seen_in(axes: Axes, vectors: FloatArray) -> FloatArray:
    """Return vectors (N, 3) as they are in another frame."""
    return np.stack([np.sign(axis) * vectors[:, abs(axis) - 1] for axis in axes], axis=1)
