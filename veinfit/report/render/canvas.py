"""A flat picture to write on: lines and words in pixels, labels that never overlap."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from veinfit.report.colours import DARK_TONES, INK, PAPER
from veinfit.report.render.drawing import printable
from veinfit.report.render.placing import Box, free_place
from veinfit.report.render.png_file import png_file
from veinfit.report.render.quiet_fonts import without_warnings
from veinfit.report.render.wrapping import broken

DESIGN_SIZE = (1200, 900)
"""The size in pixels for which type sizes and distances are given; others scale with it."""

BODY_PX, SMALL_PX, TITLE_PX = 22.0, 19.0, 34.0
"""Type sizes: still readable where two pictures of 1200 pixels share a page's width."""

_MEASURED: dict[tuple[str, float, bool], tuple[float, float, float]] = {}
"""Widths of texts that were measured, and their heights above and below the base of their letters,
by text, size in pixels and weight."""

_SHARE_BEFORE = {"left": 0.0, "top": 0.0, "center": 0.5, "right": 1.0, "bottom": 1.0}
"""Share of a line's width or height that lies before the place at which it is written."""

PX_AN_INCH = 100
"""Resolution of the canvas."""

_PT_PER_PX = 72 / PX_AN_INCH
"""Points a pixel on the canvas."""


def unit_px(size_px: tuple[int, int]) -> float:
    """Return how many pixels a design pixel takes in a picture of ``size_px``."""
    return min(size_px[0] / DESIGN_SIZE[0], size_px[1] / DESIGN_SIZE[1])


class Canvas:
    """A picture of ``size_px`` on white paper.

    Drawing goes through matplotlib's Agg canvas alone, with its own defaults:
    no user's configuration and no display has a say. ``unit`` is the size of a
    design pixel, where it does not follow from ``size_px``; nothing is written
    smaller than ``least_px`` pixels, and then few words are written.
    """

    def __init__(
        self,
        size_px: tuple[int, int],
        *,
        dark: bool = False,
        unit: float | None = None,
        least_px: float = 0.0,
    ) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
        from matplotlib.transforms import Affine2D

        self.width, self.height = size_px
        self._tones = DARK_TONES if dark else {}
        self.unit = unit or unit_px(size_px)
        self._least_px = least_px
        inches = self.width / PX_AN_INCH, self.height / PX_AN_INCH
        self._figure = Figure(inches, dpi=PX_AN_INCH, facecolor=self.tone(PAPER))
        # The library has no types.
        agg: Any = FigureCanvasAgg
        self._agg = agg(self._figure)
        # Straight onto the figure: axes would cut everything at their rim a second time.
        self._to_figure = Affine2D().scale(1.0, -1.0).translate(0.0, self.height)
        self._renderer: Any = self._agg.get_renderer()
        self._taken: list[Box] = []
        self._labels: list[tuple[Box, np.ndarray]] = []

    @property
    def terse(self) -> bool:
        """Whether the writing is so large that there is room for few words."""
        return self._least_px > 0.0

    def tone(self, colour: str) -> str:
        """Return what stands for a colour of lines and writing on this canvas."""
        return self._tones.get(colour, colour)

    def image(self, pixels: np.ndarray, left: int, top: int) -> None:
        """Put an (H, W, 3) uint8 picture down, its upper left corner at (left, top)."""
        from veinfit.report.render.laid_pixels import LaidPixels

        opaque = np.full((*pixels.shape[:2], 4), 255, dtype=np.uint8)
        opaque[..., :3] = pixels
        bottom = self.height - top - pixels.shape[0]
        item = LaidPixels(opaque, left, bottom)
        item.set_zorder(-1)
        self._figure.add_artist(item)

    def line(
        self,
        points: np.ndarray,
        colour: str = INK,
        width: float = 2.0,
        *,
        dash: tuple[float, ...] = (),
        casing: str | None = PAPER,
        clip: Box | None = None,
        closed: bool = False,
        above: float = 2.0,
    ) -> None:
        """Draw a polyline (N, 2), with a pale ``casing`` that sets it off from any ground."""
        from matplotlib.lines import Line2D

        path = np.asarray(points, dtype=float)
        if closed:
            path = np.concatenate([path, path[:1]])
        strokes = [] if casing is None else [(casing, width + 2.2, ())]
        for k, (stroke, thick, pattern) in enumerate([*strokes, (colour, width, dash)]):
            thick *= self.unit * _PT_PER_PX
            style: Any = "-"
            if pattern:
                style = (0, tuple(d * self.unit * _PT_PER_PX / thick for d in pattern))
            item = Line2D(
                path[:, 0],
                path[:, 1],
                color=self.tone(stroke),
                linewidth=thick,
                linestyle=style,
                solid_capstyle="round",
                dash_capstyle="butt",
                zorder=above + 0.01 * k,
                alpha=0.75 if k < len(strokes) else 1.0,
            )
            self._add(item, clip)

    def segments(
        self,
        ends: np.ndarray,
        colours: Sequence[str],
        width: float,
        *,
        casing: str | None = None,
        clip: Box | None = None,
        above: float = 2.0,
    ) -> None:
        """Draw separate lines (S, 2, 2), in a colour for all or one each."""
        from matplotlib.patches import PathPatch

        from veinfit.report.render.joined_lines import joined

        rounds = [] if casing is None else [([casing], width + 3.0)]
        for k, (shades, thick) in enumerate([*rounds, (colours, width)]):
            for shade, path in joined(ends, shades):
                item = PathPatch(
                    path, fill=False, edgecolor=self.tone(shade), capstyle="round",
                    linewidth=thick * self.unit * _PT_PER_PX, zorder=above + 0.01 * k,
                )  # fmt: skip
                self._add(item, clip)

    def polygon(
        self,
        points: np.ndarray,
        fill: str,
        *,
        edge: str | None = None,
        width: float = 1.5,
        clip: Box | None = None,
        above: float = 2.0,
    ) -> None:
        """Fill a polygon (N, 2)."""
        from matplotlib.patches import Polygon

        item = Polygon(
            np.asarray(points, dtype=float),
            closed=True,
            facecolor=self.tone(fill),
            edgecolor=self.tone(edge or "none"),
            linewidth=width * self.unit * _PT_PER_PX,
            zorder=above,
        )
        self._add(item, clip)

    def box(self, area: Box, fill: str, *, edge: str | None = None, above: float = 2.0) -> None:
        """Fill a rectangle."""
        self.polygon(area.corners, fill, edge=edge, above=above)

    def circle(
        self,
        centre: np.ndarray,
        radius: float,
        fill: str = "none",
        *,
        edge: str | None = None,
        width: float = 2.0,
        clip: Box | None = None,
        above: float = 2.0,
    ) -> None:
        """Draw a circle of ``radius`` pixels."""
        from matplotlib.patches import Circle

        item = Circle(
            (float(centre[0]), float(centre[1])),
            radius,
            facecolor=self.tone(fill),
            edgecolor=self.tone(edge or "none"),
            linewidth=width * self.unit * _PT_PER_PX,
            zorder=above,
        )
        self._add(item, clip)

    def measure(self, text: str, size: float = BODY_PX, *, bold: bool = False) -> Box:
        """Return the box of ``text`` with its upper left corner at the origin."""
        width, rise, fall = self._measured(text, size, bold)
        return Box(0.0, 0.0, width, rise + fall)

    def _measured(self, text: str, size: float, bold: bool) -> tuple[float, float, float]:
        """Return a line's width, and its height above and below the base of its letters."""
        key = (text, round(max(size * self.unit, self._least_px), 3), bold)
        if key not in _MEASURED:
            from matplotlib.text import Text

            item: Any = Text(
                0.0, 0.0, printable(text), va="baseline",
                fontproperties=self._font(size, bold), parse_math=False,
            )  # fmt: skip
            item.set_figure(self._figure)
            with without_warnings():
                extent = item.get_window_extent(self._renderer)
            _MEASURED[key] = (float(extent.width), float(extent.y1), -float(extent.y0))
        return _MEASURED[key]

    def _font(self, size: float, bold: bool) -> Any:
        from matplotlib.font_manager import FontProperties

        return FontProperties(
            family="DejaVu Sans",
            weight="bold" if bold else "normal",
            size=max(size * self.unit, self._least_px) * _PT_PER_PX,
        )

    def write(
        self,
        x: float,
        y: float,
        text: str,
        size: float = BODY_PX,
        *,
        colour: str = INK,
        across: str = "left",
        down: str = "top",
        bold: bool = False,
        halo: bool = False,
        above: float = 5.0,
    ) -> Box:
        """Write one line and return its box; a ``halo`` sets it off from the picture."""
        from veinfit.report.render.written_line import WrittenLine

        width, rise, fall = self._measured(text, size, bold)
        left = x - _SHARE_BEFORE[across] * width
        top = y - _SHARE_BEFORE[down] * (rise + fall)
        item = WrittenLine(
            printable(text),
            (left, self.height - top - rise),
            self._font(size, bold),
            self.tone(colour),
            halo=(3.2 * self.unit, self.tone(PAPER)) if halo else None,
        )
        item.set_zorder(above)
        self._figure.add_artist(item)
        return Box(left, top, left + width, top + rise + fall)

    def wrapped(
        self, area: Box, text: str, size: float = SMALL_PX, *, colour: str = INK, lines: int = 3
    ) -> float:
        """Write ``text`` into ``area`` over several lines; return where the last one ends.

        What does not fit into ``lines`` lines is cut with an ellipsis.
        """
        rows = self.broken(text, area.size[0], size)
        if len(rows) > lines:
            rows = [*rows[: lines - 1], " ".join(rows[lines - 1 :])]
            while len(rows[-1]) > 1 and self.measure(rows[-1] + "…", size).right > area.size[0]:
                rows[-1] = rows[-1][:-1].rstrip()
            rows[-1] += "…"
        y = area.top
        for row in rows:
            self.write(area.left, y, row, size, colour=colour)
            y += 1.28 * size * self.unit
        return y

    def broken(self, text: str, width: float, size: float) -> list[str]:
        """Break ``text`` into lines of at most ``width`` pixels, long words too."""
        return broken(printable(text), width, lambda words: float(self.measure(words, size).right))

    def reserve(self, *areas: Box) -> None:
        """Keep labels off ``areas``."""
        self._taken.extend(areas)

    def label(
        self,
        anchor: np.ndarray,
        text: str,
        within: Box,
        size: float = BODY_PX,
        *,
        colour: str = INK,
        bold: bool = False,
        second: str = "",
        avoid: np.ndarray | None = None,
        away_from: np.ndarray | None = None,
        leader: bool = True,
    ) -> Box | None:
        """Write a label near ``anchor`` where it overlaps nothing, with a leader line.

        Parameters
        ----------
        anchor : (2,) array
        text : str
        within : Box
            The label stays inside.
        second : str, optional
            A second line, smaller.
        avoid : (N, 2) array, optional
            Places that are better left visible.
        away_from : (2,) array, optional
            The label is rather put on the other side of the anchor.

        Returns
        -------
        Box or None
            Where it was put; None where there was no room, and nothing was drawn.
        """
        lines = [(text, size, bold)] + ([(second, SMALL_PX, False)] if second else [])
        extents = [self.measure(words, px, bold=heavy) for words, px, heavy in lines]
        pad = 5.0 * self.unit
        width = max(extent.right for extent in extents) + 2 * pad
        height = sum(extent.bottom for extent in extents) + (1 + len(lines)) * pad
        box = free_place(
            anchor,
            (width, height),
            within,
            self._taken,
            self.unit,
            avoid=avoid,
            away_from=away_from,
            labels=self._labels,
        )
        if box is None:
            return None
        self._taken.append(box)
        end = box.nearest(anchor)
        self._labels.append((box, np.array([anchor, end])))
        if leader and np.linalg.norm(end - anchor) > 6 * self.unit:
            # A place outside the view is pointed at from inside: titles lie beyond its edge.
            self.line(np.array([anchor, end]), colour, 1.6, clip=within, above=4.0)
        self.plate(box)
        y = box.top + pad
        for (words, px, heavy), extent in zip(lines, extents, strict=True):
            self.write(box.left + pad, y, words, px, colour=colour, bold=heavy)
            y += extent.bottom + pad
        return box

    def plate(self, box: Box) -> None:
        """Put paper under what is written in a box: lines of the picture pass below it."""
        from matplotlib.patches import Rectangle

        item = Rectangle(
            (box.left, box.top), *box.size,
            facecolor=self.tone(PAPER), edgecolor="none", alpha=0.82, zorder=4.5,
        )  # fmt: skip
        self._add(item)

    def png(self) -> bytes:
        """Return the picture as PNG: the same bytes for the same drawing."""
        return png_file(self.pixels(), PX_AN_INCH)

    def jpeg(self, quality: int) -> bytes:
        """Return the picture as JPEG of a quality of 100, with colours as fine as lines."""
        from PIL import Image

        stream, dpi = io.BytesIO(), (PX_AN_INCH, PX_AN_INCH)
        drawn = Image.fromarray(self.pixels())
        drawn.save(stream, "JPEG", dpi=dpi, quality=quality, subsampling=0)
        return stream.getvalue()

    def pixels(self) -> np.ndarray:
        """Return the picture, (H, W, 3) uint8."""
        with without_warnings():
            self._agg.draw()
        return np.ascontiguousarray(np.asarray(self._agg.buffer_rgba())[..., :3])

    def _add(self, item: Any, clip: Box | None = None) -> None:
        item.set_transform(self._to_figure)
        self._figure.add_artist(item)
        if clip is not None:
            from matplotlib.transforms import Bbox

            low, high = self.height - clip.bottom, self.height - clip.top
            item.set_clip_box(Bbox([[clip.left, low], [clip.right, high]]))
