"""Fills plane contours: which pixels, or which part of each, lie inside."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from veinfit.vectors import BoolArray, FloatArray, IntArray

SUBSAMPLES = 3
"""Lines a pixel along which the inside is told: shares to about a tenth of a pixel."""


def shares_inside(contours: Sequence[FloatArray], shape: IntArray) -> FloatArray:
    """Return which share of each pixel (I, J) is inside an odd number of contours.

    Parameters
    ----------
    contours : sequence of (N, 2) array
        Corners in pixels; the centre of the first pixel is 0, 0.
    shape : (2,) array
    """
    columns, rows = int(shape[0]), int(shape[1])
    # Along lines of constant second coordinate, lengths inside are exact.
    levels = (np.arange(rows * SUBSAMPLES) + 0.5) / SUBSAMPLES - 0.5
    line, left, right = _spans(contours, levels)
    row, pixel = line // SUBSAMPLES, np.arange(columns)
    covered = np.minimum(pixel + 0.5, right[:, None]) - np.maximum(pixel - 0.5, left[:, None])
    shares = np.zeros((rows, columns))
    np.add.at(shares, row, np.clip(covered, 0.0, 1.0))
    return shares.T / SUBSAMPLES


def pixels_inside(
    contours: Sequence[FloatArray], shape: IntArray, *, with_line: bool = False
) -> BoolArray:
    """Return of which pixels (I, J) the centre is inside an odd number of contours.

    Parameters
    ----------
    contours : sequence of (N, 2) array
        Corners in pixels; the centre of the first pixel is 0, 0.
    shape : (2,) array
    with_line : bool
        Centres on a contour are inside too: corners are whole numbers then, and lines run
        along rows, columns or diagonals.
    """
    columns, rows = int(shape[0]), int(shape[1])
    line, left, right = _spans(contours, np.arange(rows, dtype=np.float64))
    # Counted at where the inside begins and ends.
    change = np.zeros((rows, columns + 1), dtype=np.int64)
    np.add.at(change, (line, np.clip(np.ceil(left), 0, columns).astype(int)), 1)
    np.add.at(change, (line, np.clip(np.ceil(right), 0, columns).astype(int)), -1)
    inside = np.cumsum(change, axis=1)[:, :-1].T > 0
    if with_line:
        for contour in contours:
            start = np.rint(contour).astype(int)
            step = np.roll(start, -1, axis=0) - start
            count = np.maximum(np.abs(step).max(axis=1), 1)
            edge = np.repeat(np.arange(len(start)), count)
            place = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
            on = start[edge] + np.sign(step[edge]) * place[:, None]
            inside[on[:, 0], on[:, 1]] = True
    return np.asarray(inside)


def _spans(
    contours: Sequence[FloatArray], levels: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return spans inside: of which line of constant second coordinate, from where to where."""
    lines, places = [], []
    for contour in contours:
        start, end = contour, np.roll(contour, -1, axis=0)
        low = np.searchsorted(levels, np.minimum(start[:, 1], end[:, 1]))
        high = np.searchsorted(levels, np.maximum(start[:, 1], end[:, 1]))
        edge = np.repeat(np.arange(len(contour)), high - low)
        line = np.arange(len(edge)) - np.repeat(np.cumsum(high - low) - high, high - low)
        a, b = start[edge], end[edge]
        part = (levels[line] - a[:, 1]) / (b[:, 1] - a[:, 1])
        lines.append(line)
        places.append(a[:, 0] + part * (b[:, 0] - a[:, 0]))
    line, place = np.concatenate(lines), np.concatenate(places)
    order = np.lexsort((place, line))
    # A closed curve crosses a line an even number of times.
    return line[order][::2], place[order][::2], place[order][1::2]
