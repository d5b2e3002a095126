"""Pixels laid straight onto a canvas; loaded where a picture is drawn, as it loads the library."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.artist import Artist


class LaidPixels(Artist):
    """An (H, W, 4) uint8 picture at (left, bottom); the library's own way resamples it first."""

    def __init__(self, pixels: np.ndarray, left: int, bottom: int) -> None:
        super().__init__()
        self._pixels, self._at = pixels, (left, bottom)

    def draw(self, renderer: Any) -> None:
        """Draw it: rows of the renderer's pictures count from the bottom."""
        renderer.draw_image(renderer.new_gc(), *self._at, self._pixels[::-1])
