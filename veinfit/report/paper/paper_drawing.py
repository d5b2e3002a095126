"""The report's small drawings on a printed page, through reportlab's graphics."""

from __future__ import annotations

import io
from functools import singledispatch
from typing import Any

from reportlab.graphics import shapes
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.utils import ImageReader

from veinfit.report.paper.tagged import Plot
from veinfit.report.render.drawing import TYPE_PX, Area, Circle, Drawing, Line, Pixels, Words

PLAIN, BOLD = "veinfit", "veinfit-bold"
"""Names of the two fonts in a document."""

PT_PER_PX = 0.75
"""Points a CSS pixel (CSS Values 4, 6.2)."""

SMALLEST_PT = 8.0
"""Nothing on paper is written smaller."""


def on_paper(drawing: Drawing, width: float) -> Any:
    """Return a drawing as a block of a printed page, at most ``width`` points wide.

    Its proportions stay; its writing is never smaller than :data:`SMALLEST_PT`.
    """
    scale = min(PT_PER_PX, width / drawing.width)
    page = Plot(scale * drawing.width, scale * drawing.height)
    page._alt = drawing.alt
    # Down on the screen is up on paper: heights are counted from the drawing's foot.
    for shape in drawing.shapes:
        page.add(_put(shape, scale, drawing.height))
    return page


@singledispatch
def _put(shape: object, scale: float, height: float) -> Any:
    raise TypeError(f"no such shape on paper: {type(shape).__name__}")


class _Picture(shapes.DirectDraw):  # type: ignore[misc]
    """A picture inside a drawing: the library's own kind cannot be written in binary."""

    _attrMap = None

    def __init__(self, png: bytes, box: tuple[float, float, float, float]) -> None:
        self.png, self.box = png, box

    def drawDirectly(self, renderer: Any) -> None:
        """Draw onto the page behind the renderer."""
        renderer._canvas.drawImage(ImageReader(io.BytesIO(self.png)), *self.box)


def _ink(colour: str, opacity: float = 1.0) -> Color | None:
    if not colour:
        return None
    plain = HexColor(colour)
    return Color(plain.red, plain.green, plain.blue, opacity)


def _dash(dash: tuple[float, ...], scale: float) -> list[float] | None:
    return [scale * part for part in dash] or None


@_put.register
def _(line: Line, scale: float, height: float) -> Any:
    places = scale * (line.points * [1.0, -1.0] + [0.0, height])
    look = {
        "strokeColor": _ink(line.colour), "strokeWidth": scale * line.width,
        "strokeDashArray": _dash(line.dash, scale), "strokeLineJoin": 1,
    }  # fmt: skip
    if line.closed:
        return shapes.Polygon(places.ravel().tolist(), fillColor=_ink(line.fill), **look)
    return shapes.PolyLine(places.ravel().tolist(), **look)


@_put.register
def _(circle: Circle, scale: float, height: float) -> Any:
    return shapes.Circle(
        scale * circle.x, scale * (height - circle.y), scale * circle.radius,
        fillColor=_ink(circle.fill), strokeColor=_ink(circle.colour),
        strokeWidth=scale * circle.width, strokeDashArray=_dash(circle.dash, scale),
    )  # fmt: skip


@_put.register
def _(area: Area, scale: float, height: float) -> Any:
    return shapes.Rect(
        scale * area.left, scale * (height - area.top - area.height),
        scale * area.width, scale * area.height,
        fillColor=_ink(area.fill, area.opacity), strokeColor=None,
    )  # fmt: skip


@_put.register
def _(pixels: Pixels, scale: float, height: float) -> Any:
    box = (
        scale * pixels.left, scale * (height - pixels.top - pixels.height),
        scale * pixels.width, scale * pixels.height,
    )  # fmt: skip
    return _Picture(pixels.png, box)


@_put.register
def _(words: Words, scale: float, height: float) -> Any:
    written = shapes.String(
        0.0, 0.0, words.text, fontName=BOLD if words.bold else PLAIN,
        fontSize=max(scale * TYPE_PX, SMALLEST_PT), fillColor=_ink(words.colour),
        textAnchor=words.anchor,
    )  # fmt: skip
    x, y = scale * words.x, scale * (height - words.y)
    turn = (0.0, 1.0, -1.0, 0.0, x, y) if words.turned else (1.0, 0.0, 0.0, 1.0, x, y)
    return shapes.Group(written, transform=turn)
