"""A plot's axes: takes values to pixels, draws ticks, labels and titles."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from veinfit.frames import clock_direction, side_words
from veinfit.report.colours import INK, MUTED
from veinfit.report.render.drawing import Anchor, Shape, Words, path
from veinfit.vectors import FloatArray

GRID = "#d4d9dd"

WIDE_PX, NARROW_PX = 620.0, 392.0
"""Widths of a plot around the clock: on the screen, and beside another on paper."""


class Frame:
    """A plot of ``width`` by ``height`` pixels over ranges of values.

    ``below`` pixels are left free under the axis, for a legend.
    """

    def __init__(
        self,
        width: float,
        height: float,
        across: tuple[float, float],
        up: tuple[float, float],
        below: float = 0.0,
    ) -> None:
        self.width, self.height = width, height
        self._across, self._up = across, up
        self._left, self._right = 58.0, width - 16.0
        self._top, self._bottom = 12.0, height - 48.0 - below

    def at(self, x: FloatArray, y: FloatArray) -> np.ndarray:
        """Return pixels (N, 2) of values."""
        (x0, x1), (y0, y1) = self._across, self._up
        u = self._left + (np.asarray(x) - x0) / (x1 - x0) * (self._right - self._left)
        v = self._bottom - (np.asarray(y) - y0) / (y1 - y0) * (self._bottom - self._top)
        return np.stack([u, v], axis=-1)

    def axes(
        self,
        across: str,
        up: str,
        x_ticks: Sequence[float],
        y_ticks: Sequence[float],
        x_labels: Sequence[str] | None = None,
        x_words: Sequence[str] | None = None,
        *,
        grid: bool = True,
    ) -> list[Shape]:
        """Return frame, ticks and titles."""
        parts: list[Shape] = []
        for value in y_ticks:
            ends = self.at(np.array(self._across), np.full(2, value))
            if grid:
                parts.append(path(ends, GRID if value else MUTED, 1.0))
            parts.append(Words(self._left - 7, ends[0][1] + 4, _plain(value), anchor="end"))
        for k, value in enumerate(x_ticks):
            parts += self._tick(
                value,
                k == 0,
                _plain(value) if x_labels is None else x_labels[k],
                "" if x_words is None else x_words[k],
                inside=x_labels is not None,
            )
        box = np.array(
            [[self._left, self._top], [self._left, self._bottom], [self._right, self._bottom]]
        )
        parts.append(path(box, INK, 1.2))
        if across:
            middle = 0.5 * (self._left + self._right)
            parts.append(Words(middle, self._bottom + 38, across, anchor="middle"))
        if up:
            y = 0.5 * (self._top + self._bottom)
            parts.append(Words(14, y, up, anchor="middle", turned=True))
        return parts

    def _tick(
        self, value: float, first: bool, label: str, words: str, *, inside: bool
    ) -> list[Shape]:
        """Return one tick of the axis below; the outer ones write to the inside."""
        x = float(self.at(np.array([value]), np.zeros(1))[0][0])
        anchor: Anchor = "middle"
        if inside and not self._left + 12 < x < self._right - 12:
            anchor = "start" if first else "end"
        x_text = x + {"start": -12.0, "end": 12.0, "middle": 0.0}[anchor]
        parts: list[Shape] = [
            path(np.array([[x, self._bottom], [x, self._bottom + 5]]), INK, 1.0),
            Words(x_text, self._bottom + 19, label, anchor=anchor),
        ]
        if words:
            parts.append(Words(x_text, self._bottom + 34, words, anchor=anchor, colour=MUTED))
        return parts


def clock_labels(
    hours: Sequence[float], axis: FloatArray, width: float
) -> tuple[list[str], list[str]]:
    """Return hours and the words for their sides; a narrow plot has room for few of them.

    Parameters
    ----------
    hours : sequence of float
    axis : (3,) array
        The vein's.
    width : float
        Of the plot, pixels.
    """
    words = [side_words(clock_direction(hour, axis)) for hour in hours]
    if width >= WIDE_PX:
        return [f"{int(hour) or 12} o'clock" for hour in hours], words
    beside = [word if hour % 6 == 3 else "" for hour, word in zip(hours, words, strict=True)]
    return [str(int(hour) or 12) for hour in hours], beside


def _plain(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def ticks(low: float, high: float, wanted: int = 6) -> list[float]:
    """Round values between ``low`` and ``high``."""
    step = _nice_step((high - low) / wanted)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def _nice_step(raw: float) -> float:
    power = 10.0 ** math.floor(math.log10(raw))
    return float(next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-9)))


def nice_ceiling(value: float) -> float:
    """Return a round value not below ``value``."""
    step = _nice_step(value / 5)
    return math.ceil(value / step - 1e-9) * step
