"""Where a label goes: boxes, and the best free place near an anchor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

THROUGH_A_LABEL, OVER_A_LEADER = 500.0, 150.0
"""What a leader line through a label, and one over another, are as bad as: pixels of leader line.

The first is worse than a label on the atrium, where its plate leaves it legible.
"""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in pixels: left, top, right, bottom; y runs down."""

    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: Box, margin: float = 0.0) -> bool:
        """Whether the two have a point in common, with ``margin`` between them."""
        return (
            self.left < other.right + margin
            and other.left < self.right + margin
            and self.top < other.bottom + margin
            and other.top < self.bottom + margin
        )

    def holds(self, other: Box) -> bool:
        """Whether ``other`` lies inside."""
        return (
            self.left <= other.left
            and self.top <= other.top
            and other.right <= self.right
            and other.bottom <= self.bottom
        )

    @property
    def size(self) -> tuple[float, float]:
        """Width and height."""
        return self.right - self.left, self.bottom - self.top

    @property
    def corners(self) -> np.ndarray:
        """The four corners, (4, 2), in order."""
        x, y = (self.left, self.right, self.right, self.left), (self.top, self.bottom)
        return np.stack([x, np.repeat(y, 2)], axis=1)

    def nearest(self, point: np.ndarray) -> np.ndarray:
        """Return the point of the rectangle that is nearest to ``point`` (2,)."""
        return np.array(
            [np.clip(point[0], self.left, self.right), np.clip(point[1], self.top, self.bottom)]
        )


def free_place(
    anchor: np.ndarray,
    size: tuple[float, float],
    within: Box,
    occupied: Sequence[Box],
    unit: float,
    *,
    avoid: np.ndarray | None = None,
    away_from: np.ndarray | None = None,
    labels: Sequence[tuple[Box, np.ndarray]] = (),
) -> Box | None:
    """Return the best free place for a label: near its anchor, else anywhere.

    Its leader line rather crosses none of the ``labels`` that are there, nor their own lines
    (2, 2), which in turn rather do not run under it.
    """
    half = 0.5 * np.array(size)
    low = np.array([within.left, within.top]) + half
    high = np.array([within.right, within.bottom]) - half
    taken = np.array([(t.left, t.top, t.right, t.bottom) for t in occupied])
    taken = taken.reshape(-1, 4) + 2 * unit * np.array([-1, -1, 1, 1])
    for middles in (
        _around(anchor, half, unit),
        _everywhere(low, high, 24 * unit),
    ):
        inside = ((middles >= low) & (middles <= high)).all(axis=1)
        middles = middles[inside]
        first, last = middles - half, middles + half
        clash = np.all(first[:, None] < taken[None, :, 2:], axis=2)
        clash &= np.all(taken[None, :, :2] < last[:, None], axis=2)
        middles = middles[~clash.any(axis=1)]
        if len(middles):
            cost = _costs(middles, half, anchor, avoid, away_from, unit)
            cost += _crossings(middles, half, anchor, labels)
            x, y = middles[int(np.argmin(cost))].tolist()
            return Box(x - half[0], y - half[1], x + half[0], y + half[1])
    return None


def _around(anchor: np.ndarray, half: np.ndarray, unit: float) -> np.ndarray:
    """Middles (N, 2) of labels of half size ``half`` around a place, near ones first."""
    distance, turn = np.meshgrid(
        np.array([16, 34, 56, 84, 118, 160, 210, 270]) * unit,
        np.arange(0, 2 * np.pi, np.pi / 12),
        indexing="ij",
    )
    direction = np.stack([np.cos(turn), np.sin(turn)], axis=-1).reshape(-1, 2)
    return np.asarray(
        anchor + direction * (distance.reshape(-1) + np.abs(direction) @ half)[:, None]
    )


def _everywhere(low: np.ndarray, high: np.ndarray, step: float) -> np.ndarray:
    """Middles (N, 2) on a grid from ``low`` to ``high``."""
    x, y = np.meshgrid(np.arange(low[0], high[0], step), np.arange(low[1], high[1], step))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _crossings(
    middles: np.ndarray,
    half: np.ndarray,
    anchor: np.ndarray,
    labels: Sequence[tuple[Box, np.ndarray]],
) -> np.ndarray:
    """Weigh what a leader from ``anchor`` to each place, and the label there, would cross."""
    cost = np.zeros(len(middles))
    ends = np.clip(anchor, middles - half, middles + half)
    starts = np.broadcast_to(anchor, ends.shape)
    for box, (start, end) in labels:
        low, high = np.array([box.left, box.top]), np.array([box.right, box.bottom])
        cost += THROUGH_A_LABEL * enters(starts, ends, low, high)
        cost += THROUGH_A_LABEL * enters(start, end, middles - half, middles + half)
        cost += OVER_A_LEADER * _cross(starts, ends, start, end)
    return cost


def enters(starts: np.ndarray, ends: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Whether lines (N, 2) run through rectangles (N, 2); one of either goes with many."""
    along = ends - starts
    with np.errstate(divide="ignore", invalid="ignore"):
        first, last = (low - starts) / along, (high - starts) / along
    # A line that runs along an axis is between the two sides of the other one, or is not.
    between = (low <= starts) & (starts <= high)
    into = np.where(along == 0, np.where(between, 0.0, 2.0), np.minimum(first, last))
    out = np.where(along == 0, np.where(between, 1.0, -1.0), np.maximum(first, last))
    return np.asarray(np.maximum(into.max(axis=-1), 0.0) < np.minimum(out.min(axis=-1), 1.0))


def _cross(starts: np.ndarray, ends: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Whether lines (N, 2) cross the one from ``start`` to ``end``, each within its length."""

    def side(a: np.ndarray, b: np.ndarray, point: np.ndarray) -> np.ndarray:
        (ax, ay), (bx, by) = np.moveaxis(b - a, -1, 0), np.moveaxis(point - a, -1, 0)
        return np.asarray(ax * by - ay * bx)

    apart = side(starts, ends, start) * side(starts, ends, end) < 0
    return np.asarray(apart & (side(start, end, starts) * side(start, end, ends) < 0))


def _costs(
    middles: np.ndarray,
    half: np.ndarray,
    anchor: np.ndarray,
    avoid: np.ndarray | None,
    away_from: np.ndarray | None,
    unit: float,
) -> np.ndarray:
    """Weigh places for a label, in pixels of leader line that they are as bad as."""
    direction = middles - anchor
    cost = np.linalg.norm(np.maximum(np.abs(direction) - half, 0.0), axis=1) / unit
    if avoid is not None and len(avoid):
        # In units of the label's half size: what lies within 1 both ways is under it.
        tree = cKDTree(avoid / half)
        under = tree.query_ball_point(middles / half, 1.0, p=np.inf, return_length=True)
        cost += np.where(under > 0, 60.0, 0.0)
        cost += np.minimum(300.0, 20000.0 * under / len(avoid))
    if away_from is not None:
        out = anchor - away_from
        norm = np.linalg.norm(out) * np.linalg.norm(direction, axis=1)
        cost += 40.0 * (1.0 - direction @ out / np.maximum(norm, 1e-9))
    return np.asarray(cost)
