"""Which wall points lie near which balloon: looked up once, and kept while these hardly move.

A balloon touches a small part of the wall. Energies are summed over pairs of a balloon and a
point in or near it, laid out one after the other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass
from typing import Self

import numpy as np

from veinfit.seating.mechanics.walls import BalloonWall
from veinfit.vectors import FloatArray, IntArray, lengths

KEPT_MM = 1.5
"""Points up to this far outside a balloon are kept; it may move as far before they are renewed."""

ROUNDING_MM = 1e-6
"""More than rounding can move a point."""


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """P pairs of one of K balloons and a point of the wall, balloon by balloon.

    Attributes
    ----------
    count : (K,) int array
        How many points each balloon has.
    columns : (4 + 6 M, P) array
        Of each point: its place as imaged, its weight and, mode by mode, U and W.
    """

    count: IntArray
    columns: FloatArray

    @property
    def ball(self) -> IntArray:
        """The balloon (P,) of each pair, counted from 0."""
        return np.repeat(np.arange(len(self.count)), self.count)

    def of_each(self, values: FloatArray) -> FloatArray:
        """Return values (K,) of the balloons for their pairs (P,)."""
        return np.repeat(values, self.count)

    def only(self, kept: IntArray) -> Pairs:
        """Return some of the pairs, by their numbers in rising order."""
        before = np.searchsorted(kept, np.concatenate([[0], np.cumsum(self.count)]))
        return Pairs(np.diff(before), self.columns.take(kept, axis=1))

    def offsets(self, place: FloatArray, factors: FloatArray) -> list[FloatArray]:
        """Coordinates, 3 of (P,), from the centres to the points as they lie.

        Parameters
        ----------
        place : (K, 3 + M) array
            Centres and amplitudes, mm.
        factors : (K, M, 2) array
            α and β of the modes at these amplitudes.
        """
        offset = [self.columns[k] - self.of_each(place[:, k]) for k in range(3)]
        for m in range(factors.shape[1]):
            first, second = self.of_each(factors[:, m, 0]), self.of_each(factors[:, m, 1])
            for k in range(3):
                offset[k] += first * self.columns[4 + 6 * m + k]
                offset[k] += second * self.columns[7 + 6 * m + k]
        return offset


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """Which points of the wall lie near each of K balloons, balloon by balloon.

    Attributes
    ----------
    count : (K,) int array
        How many points each balloon has.
    points : (P,) array
        Their rows in the table.
    table : (V, 4 + 6 M) array
        What :class:`Pairs` has of a point, of all points of the wall.
    """

    count: IntArray
    points: IntArray
    table: FloatArray

    def in_pieces(self, most: int) -> Iterator[tuple[slice, Pairs]]:
        """Yield the pairs of some balloons in a row: at most so many, or one balloon's."""
        ends = np.cumsum(self.count)
        first, before = 0, 0
        while first < len(self.count):
            last = max(int(np.searchsorted(ends, before + most, side="right")), first + 1)
            stop = int(ends[last - 1])
            # Looked up piece by piece: then it stays in the cache until it is worked with. What
            # there is of a point lies together, so that looking it up is one way to the memory.
            rows = self.table.take(self.points[before:stop], axis=0)
            yield slice(first, last), Pairs(self.count[first:last], np.ascontiguousarray(rows.T))
            first, before = last, stop


def wall_table(wall: BalloonWall) -> FloatArray:
    """Return the table (V, 4 + 6 M) of all points of a wall, as :class:`Near` has it."""
    modes = wall.modes
    parts = [wall.points, wall.point_weights[:, None]]
    for m in range(modes.count):
        parts += [modes.first[m], modes.second[m]]
    return np.concatenate(parts, axis=1)


class Memory:
    """Where balloons were when what lies near them was looked up.

    Parameters
    ----------
    wall : BalloonWall
    reach_mm : (N,) array
        Longest ray of each balloon.
    """

    def __init__(self, wall: BalloonWall, reach_mm: FloatArray) -> None:
        self._reach = reach_mm
        modes, count = wall.modes, len(reach_mm)
        self._moves = np.zeros((modes.count, 2))
        if modes.count and len(wall.points):
            fields = np.stack([modes.first, modes.second], axis=1)
            self._moves = lengths(fields).max(axis=2)
        self._centre = np.full((count, 3), np.inf)
        self._factors = np.zeros((count, modes.count, 2))
        self._numbers = np.arange(count)

    def only(self, numbers: IntArray) -> Self:
        """Return the same of some of the balloons, counted anew; what is looked up is shared."""
        view = copy(self)
        view._numbers = self._numbers[numbers]
        return view

    def _moved(self, which: IntArray, place: FloatArray, factors: FloatArray) -> IntArray:
        """Return which (S,) of K balloons have moved too far, and take down where they are now."""
        offset = place[:, :3] - self._centre[which]
        moved = np.sqrt(np.einsum("ni,ni->n", offset, offset))
        moved += (np.abs(factors - self._factors[which]) * self._moves).sum(axis=(1, 2))
        stale = np.flatnonzero(~(moved < KEPT_MM - ROUNDING_MM))
        self._centre[which[stale]], self._factors[which[stale]] = place[stale, :3], factors[stale]
        return stale


class NearWall(Memory):
    """The points near each balloon of a batch, renewed when it has moved too far.

    Parameters
    ----------
    wall : BalloonWall
    reach_mm : (N,) array
        Longest ray of each balloon.
    """

    def __init__(self, wall: BalloonWall, reach_mm: FloatArray) -> None:
        super().__init__(wall, reach_mm)
        self._table = wall_table(wall)
        fields = np.concatenate([self._table.T[:3], self._table.T[4:]])
        self._squares = Squares(fields.reshape(-1, 3, len(self._table)))
        self._own: list[IntArray] = [np.empty(0, dtype=np.intp)] * len(reach_mm)
        # One for all views of some of the balloons: what one has renewed no other takes for known.
        self._last: list[tuple[IntArray, Near]] = []

    def near(self, which: IntArray, place: FloatArray, factors: FloatArray) -> Near:
        """Return the points in or near some balloons.

        Parameters
        ----------
        which : (K,) array
            Their numbers, each once.
        place : (K, 3 + M) array
        factors : (K, M, 2) array
        """
        which = self._numbers[which]
        renewed = self._look(which, place, factors)
        if not renewed and self._last and np.array_equal(self._last[0][0], which):
            return self._last[0][1]
        own = self._points_of(which)
        count = np.array([len(part) for part in own], dtype=np.int64)
        points = np.concatenate([np.empty(0, dtype=np.intp), *own])
        result = Near(count, points, self._table)
        self._last[:] = [(which.copy(), result)]
        return result

    def _look(self, which: IntArray, place: FloatArray, factors: FloatArray) -> bool:
        """Look up anew what has moved too far; tell whether anything has."""
        stale = self._moved(which, place, factors)
        if len(stale):
            self._renew(which[stale], place[stale], factors[stale])
        return bool(len(stale))

    def _points_of(self, which: IntArray) -> list[IntArray]:
        """Return the points near some balloons, by their columns."""
        return [self._own[number] for number in which]

    def _renew(self, which: IntArray, place: FloatArray, factors: FloatArray) -> None:
        found_for_each = self._squares.near(self._reach[which], place, factors)
        for number, found in zip(which, found_for_each, strict=True):
            self._own[number] = found


class NearWalls(NearWall):
    """The same for balloons before several walls of one vein, one after the other.

    Parameters
    ----------
    parts : sequence of NearWall
        Of the balloons before each wall.
    """

    def __init__(self, parts: Sequence[NearWall]) -> None:
        self._parts = tuple(parts)
        counts = [len(part._numbers) for part in parts]
        self._part = np.repeat(np.arange(len(parts)), counts)
        self._begin = np.cumsum([0, *counts])
        self._table = np.concatenate([part._table for part in parts])
        self._shift = np.cumsum([0, *(len(part._table) for part in parts)])
        self._numbers = np.arange(sum(counts))
        self._last = []

    def _look(self, which: IntArray, place: FloatArray, factors: FloatArray) -> bool:
        part, renewed = self._part[which], False
        for number, one in enumerate(self._parts):
            rows = part == number
            if rows.any():
                own = which[rows] - self._begin[number]
                renewed |= one._look(own, place[rows], factors[rows])
        return renewed

    def _points_of(self, which: IntArray) -> list[IntArray]:
        part = self._part[which]
        return [
            self._parts[one]._own[number - self._begin[one]] + self._shift[one]
            for one, number in zip(part, which, strict=True)
        ]


class Squares:
    """Squared distances of many places to all points of a wall: one product of two matrices.

    |X + Σ s F − c|² is a sum over products of X, the fields F = U, W of the modes and the centre;
    what depends on the wall alone is worked out once.

    Parameters
    ----------
    fields : (1 + 2 M, 3, V) array
        The points as imaged and, mode by mode, U and W.
    """

    def __init__(self, fields: FloatArray) -> None:
        count = len(fields)
        self._one, self._other = np.triu_indices(count)
        pairs = zip(self._one, self._other, strict=True)
        products = [np.einsum("kv,kv->v", fields[i], fields[j]) for i, j in pairs]
        self._table = np.concatenate([np.stack(products), fields.reshape(3 * count, -1)])
        self._twice = np.where(self._one == self._other, 1.0, 2.0)

    def to(self, place: FloatArray, factors: FloatArray) -> FloatArray:
        """Return the squares (K, V), mm², for centres and amplitudes (K, 3 + M).

        Parameters
        ----------
        place : (K, 3 + M) array
        factors : (K, M, 2) array
            α and β of the modes at these amplitudes.
        """
        centre = place[:, :3]
        share = np.concatenate([np.ones((len(place), 1)), factors.reshape(len(place), -1)], axis=1)
        both = self._twice * share[:, self._one] * share[:, self._other]
        across = -2.0 * share[:, :, None] * centre[:, None, :]
        rows = np.concatenate([both, across.reshape(len(place), -1)], axis=1)
        result = rows @ self._table
        result += np.einsum("ni,ni->n", centre, centre)[:, None]
        return np.asarray(result)

    def near(self, reach_mm: FloatArray, place: FloatArray, factors: FloatArray) -> list[IntArray]:
        """Return the points within ``KEPT_MM`` of each of K balloons, or inside it.

        Parameters
        ----------
        reach_mm : (K,) array
        place, factors : arrays
            As of :meth:`to`.
        """
        near = self.to(place, factors) < ((reach_mm + KEPT_MM) ** 2)[:, None]
        ball, point = np.divmod(np.flatnonzero(near), near.shape[1])
        return np.split(point, np.searchsorted(ball, np.arange(1, len(near))))
