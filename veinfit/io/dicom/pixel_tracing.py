"""Tells contours that were traced along the pixels of a mask from those that were drawn.

A contour says nothing of the pixels that it was made of, and programs trace them in four ways:

- midway between the centres of a pixel inside and of one outside, as contouring a mask at the half
  level does: corners are cut;
- at a level of smooth values, between the same centres, but not midway;
- along the borders of pixels: all lines run along rows and columns;
- from centre to centre of the outermost pixels inside, as border following does [1]_: what lies on
  the line is inside too, and the line as it stands is half a pixel too small all around.

Each leaves its corners on a lattice or on its lines, from which the pixels, and so the mask, are
had back exactly.

References
----------
.. [1] Suzuki S., Abe K. Topological structural analysis of digitized binary images by border
   following. Computer Vision, Graphics, and Image Processing 1985.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from veinfit.vectors import FloatArray

Manner = Literal["midway", "level", "borders", "centres"]

JITTER_MM = 0.03
"""Coordinates of one row or column of pixels agree to this: above the rounding to 0.01 mm."""

LEAST_STEP_MM = 0.12
"""Half of the finest pixel: some jitters wide, so that no drawn contour lies on it by chance."""

LEAST_LINES = 6
"""Rows, and columns, that tell a lattice."""

OFF_PIXELS = 0.1
"""A corner this close to its place on the lattice, in pixels, lies on it."""

BINS = 360
"""Of a quarter turn, in which directions of lines are counted: a quarter of a degree."""

LEVEL_DIGITS = 2
"""To these digits of a mm, corners on one row of pixels share their place."""

LEVEL_SHARES = (0.7, 0.5, 0.3, 0.2)
"""A place that holds this share of the corners of the fullest is taken for a row."""

DIRECTIONS = 3
"""So many of the commonest directions of a contour's lines are tried as those of rows."""


@dataclass(frozen=True, slots=True, eq=False)
class PixelTracing:
    """The pixels that contours were traced along, and how.

    Attributes
    ----------
    turn_rad : float
        From the first axis of the plane to the rows of pixels.
    pixel_mm : (2,) array
        Edges of a pixel along rows and columns.
    centre_mm : (2,) array
        Of one pixel, along rows and columns.
    manner : str
    """

    turn_rad: float
    pixel_mm: FloatArray
    centre_mm: FloatArray
    manner: Manner

    def in_pixels(self, contour: FloatArray) -> FloatArray:
        """Return corners (N, 2) of the plane, mm, in pixels; centres have whole numbers."""
        return np.asarray((turned(contour, self.turn_rad) - self.centre_mm) / self.pixel_mm)

    def fits(self, contours: Sequence[FloatArray]) -> bool:
        """Tell whether contours (N, 2) of the plane were traced along these pixels."""
        corners = [self.in_pixels(contour) for contour in contours]
        ends = [np.roll(c, -1, axis=0) for c in corners]
        return self._lie_on(np.concatenate(corners), np.concatenate(ends))

    def _lie_on(self, start: FloatArray, end: FloatArray) -> bool:
        if self.manner == "level":
            away = np.abs(start - np.rint(start)) * self.pixel_mm
            return bool((away.min(axis=1) <= JITTER_MM / 2).all())
        twice = 2.0 * start
        whole = np.rint(twice)
        if (np.abs(twice - whole) > 2 * OFF_PIXELS).any():
            return False
        odd = whole.astype(int) % 2 == 1
        step = np.abs(np.rint(2.0 * end) - whole)
        straight = (step == 0).any(axis=1)
        if self.manner == "borders":
            return bool(odd.all() and straight.all())
        if self.manner == "centres":
            return bool(not odd.any() and (straight | (step[:, 0] == step[:, 1])).all())
        # A line along a row or column of pixels is their border.
        on_border = (odd[:, 0] & (step[:, 0] == 0)) | (odd[:, 1] & (step[:, 1] == 0))
        still = (step == 0).all(axis=1)
        cut = step[:, 0] == step[:, 1]
        return bool((odd.sum(axis=1) == 1).all() and (on_border | still | cut).all())


def turned(points: FloatArray, turn_rad: float) -> FloatArray:
    """Return points (N, 2) along axes that are turned."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return np.asarray(points @ np.array([[c, -s], [s, c]]))


def find_tracing(contours: Sequence[FloatArray]) -> PixelTracing | None:
    """Return the pixels that all contours (N, 2), mm, were traced along; None where they were not.

    Parameters
    ----------
    contours : sequence of (N, 2) array
        Corners in the plane; contours of all slices together.
    """
    for turn in _directions(contours):
        corners = turned(np.concatenate(contours), turn)
        lattice = [_lattice(corners[:, axis]) for axis in range(2)]
        if any(found is None for found in lattice):
            continue
        step, first = (np.array(v) for v in zip(*[f for f in lattice if f], strict=True))
        at_first = PixelTracing(turn, step, first, "centres")
        tried = [
            *(
                PixelTracing(turn, 2 * step, first + step * (i, j), "midway")
                for i in (0, 1)
                for j in (0, 1)
            ),
            replace(at_first, centre_mm=first + step / 2, manner="borders"),
            at_first,
        ]
        for tracing in tried:
            if tracing.fits(contours):
                return tracing
    return _level_tracing(contours)


def _level_tracing(contours: Sequence[FloatArray]) -> PixelTracing | None:
    """Return the pixels between whose centres, along rows and columns, all corners lie."""
    corners = np.round(np.concatenate(contours), LEVEL_DIGITS)
    counted = [np.unique(corners[:, axis], return_counts=True) for axis in range(2)]
    # From the rows that most corners lie on: chance repeats a place too, but less often.
    for share in LEVEL_SHARES:
        lattice = [_lattice(places[n >= share * n.max()]) for places, n in counted]
        if any(found is None for found in lattice):
            continue
        step, first = (np.array(v) for v in zip(*[f for f in lattice if f], strict=True))
        tracing = PixelTracing(0.0, step, first, "level")
        if (step >= 2 * LEAST_STEP_MM).all() and tracing.fits(contours):
            # Midway between centres many corners lie too: the widest pixels that fit are meant.
            wider = [
                replace(tracing, pixel_mm=step * (1 + i, 1 + j), centre_mm=first + step * (a, b))
                for i, j in ((1, 1), (1, 0), (0, 1))
                for a in range(1 + i)
                for b in range(1 + j)
            ]
            return next((t for t in wider if t.fits(contours)), tracing)
    return None


def _directions(contours: Sequence[FloatArray]) -> Iterator[float]:
    """Yield directions that rows of pixels may have: the axis, and the commonest of lines."""
    yield 0.0
    lines = np.concatenate([np.roll(c, -1, axis=0) - c for c in contours])
    length = np.hypot(*lines.T)
    lines, length = lines[length > 0], length[length > 0]
    quarter = np.pi / 2
    angle = np.arctan2(lines[:, 1], lines[:, 0]) % quarter
    weight = np.bincount((angle / quarter * BINS).astype(int) % BINS, length, BINS)
    for _ in range(DIRECTIONS):
        middle = (int(weight.argmax()) + 0.5) / BINS * quarter
        away = (angle - middle + quarter / 2) % quarter - quarter / 2
        near = np.abs(away) <= 1.5 * quarter / BINS
        # Of a line from corner to corner the direction errs by its length.
        yield float(middle + np.average(away[near], weights=length[near] ** 2))
        weight[np.arange(weight.argmax() - 2, weight.argmax() + 3) % BINS] = 0.0


def _lattice(values: FloatArray) -> tuple[float, float] | None:
    """Return step and first value of an even lattice that all values lie on, mm."""
    ordered = np.sort(values)
    part = np.concatenate([[0], np.cumsum(np.diff(ordered) > JITTER_MM)])
    lines = np.bincount(part, ordered) / np.bincount(part)
    if len(lines) < LEAST_LINES:
        return None
    gaps = np.diff(lines)
    step = float(gaps.min())
    if step < LEAST_STEP_MM:
        return None
    number = np.concatenate([[0], np.cumsum(np.rint(gaps / step))])
    step, first = (float(v) for v in np.polyfit(number, lines, 1))
    if np.abs(values - first - step * np.rint((values - first) / step)).max() > JITTER_MM:
        return None
    return step, first
