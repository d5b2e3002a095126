"""A line of words at a known place; loaded where a picture is drawn, as it loads the library."""

from __future__ import annotations

from typing import Any

from matplotlib.artist import Artist
from matplotlib.font_manager import FontProperties
from matplotlib.patheffects import PathEffectRenderer, withStroke


class WrittenLine(Artist):
    """A line of words whose base begins at (left, up): the library's own lays it out once more.

    Places are counted from the picture's lower left corner; a ``halo`` has a width and a colour.
    """

    def __init__(
        self,
        text: str,
        at: tuple[float, float],
        font: FontProperties,
        colour: str,
        halo: tuple[float, str] | None = None,
    ) -> None:
        super().__init__()
        self._text, self._at, self._font = text, at, font
        self._colour = colour
        self._effects = [] if halo is None else [withStroke(linewidth=halo[0], foreground=halo[1])]

    def draw(self, renderer: Any) -> None:
        """Draw it: renderers take the places of words from the top."""
        if not self._text:
            return
        context = renderer.new_gc()
        context.set_foreground(self._colour)
        target = PathEffectRenderer(self._effects, renderer) if self._effects else renderer
        _, height = renderer.get_canvas_width_height()
        left, up = self._at
        target.draw_text(context, left, height - up, self._text, self._font, 0.0)
        context.restore()
