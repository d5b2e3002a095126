"""Balloons of several sizes before one vein, worked out side by side as those of one size are."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.near import NearWall, NearWalls
from veinfit.seating.mechanics.shape import Sphere
from veinfit.vectors import BoolArray, FloatArray, IntArray

OF_EACH = (
    "reach_mm",
    "stiffness",
    "shape_stiffness",
    "push_n",
    "guide_n_per_mm",
    "shaft_n_per_mm",
    "direction",
    "origin",
    "guide_turn",
)
"""What each balloon of a batch has for itself."""


@dataclass(frozen=True, slots=True, eq=False)
class JoinedBatch(BalloonBatch):
    """Batches one after the other, each before its own part of the wall.

    Attributes
    ----------
    parts : tuple of BalloonBatch
        Spheres that press the wall's points. What else the batch holds of a wall, its law and the
        bounds of its modes, is the same for all of them.
    """

    parts: tuple[BalloonBatch, ...] = ()

    def nearby(self) -> NearWall:
        """Return what looks up the wall near these balloons."""
        return NearWalls([NearWall(part.wall, part.reach_mm) for part in self.parts])

    def around(self, centres: FloatArray, margin_mm: float) -> BalloonBatch:
        """Return the same balloons before the wall that they press near some centres (K, 3)."""
        return replace(self, parts=tuple(part.around(centres, margin_mm) for part in self.parts))

    def flight(self, which: IntArray, place: FloatArray, direction: FloatArray) -> FloatArray:
        """How far (K,) balloons that touch nothing go along directions (K, 3) before they do."""
        result = np.zeros(len(which))
        for part, rows, own in split(self.parts, which):
            result[rows] = part.flight(own, place[rows], direction[rows])
        return result


def split(
    parts: Sequence[BalloonBatch], which: IntArray
) -> Iterator[tuple[BalloonBatch, BoolArray, IntArray]]:
    """Yield the batches that some balloons (K,) belong to, which of them, and their own numbers."""
    begin = 0
    for part in parts:
        rows = (which >= begin) & (which < begin + part.count)
        if rows.any():
            yield part, rows, which[rows] - begin
        begin += part.count


def can_be_joined(parts: Sequence[BalloonBatch]) -> bool:
    """Tell whether batches before one vein can be worked out side by side."""
    return all(isinstance(part.shape, Sphere) and not part.exact for part in parts)


def joined(parts: Sequence[BalloonBatch]) -> BalloonBatch:
    """Put batches before one vein side by side; see :func:`can_be_joined`."""
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    arrays = {name: np.concatenate([getattr(part, name) for part in parts]) for name in OF_EACH}
    return JoinedBatch(
        wall=first.wall,
        exact=first.exact,
        shape=first.shape,
        guide=first.guide,
        pivot=first.pivot,
        parts=tuple(parts),
        **arrays,
    )


Closes = Callable[[IntArray, FloatArray], tuple[BoolArray, BoolArray]]


def each_closes(parts: Sequence[BalloonBatch], closes: Sequence[Closes]) -> Closes:
    """Return one answer of several: whether balloons occlude and seal, each of its own batch."""

    def told(which: IntArray, place: FloatArray) -> tuple[BoolArray, BoolArray]:
        occluded, sealed = (np.zeros(len(which), dtype=bool) for _ in range(2))
        known = {id(part): one for part, one in zip(parts, closes, strict=True)}
        for part, rows, own in split(parts, which):
            occluded[rows], sealed[rows] = known[id(part)](own, place[rows])
        return occluded, sealed

    return told
