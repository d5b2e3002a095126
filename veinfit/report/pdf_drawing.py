"""The report's small drawings on a printed page: the same markup, drawn as vectors.

Knows what :mod:`veinfit.report.charts` writes and no more: lines, polygons,
rectangles, circles, pictures and single lines of writing.
"""

from __future__ import annotations

import base64
import io
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable

PLAIN, BOLD = "veinfit", "veinfit-bold"
"""Names of the two fonts in a document."""

PT_PER_PX = 0.75
"""Points a CSS pixel (CSS Values 4, 6.2)."""


class Drawing(Flowable):  # type: ignore[misc]
    """A drawing of the report as a block of a printed page, at most ``width`` points wide."""

    def __init__(self, markup: str, width: float) -> None:
        super().__init__()
        self._root = ElementTree.fromstring(markup)
        wide, high = float(self._root.get("width", "1")), float(self._root.get("height", "1"))
        self._scale = min(PT_PER_PX, width / wide)
        self.width, self.height = self._scale * wide, self._scale * high

    def wrap(self, *_: float) -> tuple[float, float]:
        """Return the size, as the layout asks for it."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw onto the page: y runs down in the markup and up in the document."""
        canvas = self.canv
        canvas.saveState()
        canvas.translate(0, self.height)
        canvas.scale(self._scale, -self._scale)
        for element in self._root.iter():
            shape = _SHAPES.get(element.tag.rpartition("}")[2])
            if shape is not None:
                canvas.saveState()
                shape(canvas, element)
                canvas.restoreState()
        canvas.restoreState()


def _paint(canvas: Any, element: ElementTree.Element) -> dict[str, int]:
    """Set the colours and the line of an element; say whether it is filled and lined."""
    fill, stroke = element.get("fill", "none"), element.get("stroke", "none")
    if fill != "none":
        canvas.setFillColor(HexColor(fill), alpha=float(element.get("fill-opacity", "1")))
    if stroke != "none":
        canvas.setStrokeColor(HexColor(stroke))
        canvas.setLineWidth(float(element.get("stroke-width", "1")))
        canvas.setLineJoin(1)
        dash = element.get("stroke-dasharray", "none")
        if dash not in ("none", ""):
            canvas.setDash([float(part) for part in re.split(r"[ ,]+", dash.strip())])
    return {"fill": int(fill != "none"), "stroke": int(stroke != "none")}


def _line(canvas: Any, element: ElementTree.Element) -> None:
    pairs = [pair.split(",") for pair in element.get("points", "").split()]
    points = [(float(x), float(y)) for x, y in pairs]
    if len(points) < 2:
        return
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    if element.tag.endswith("polygon"):
        path.close()
    canvas.drawPath(path, **_paint(canvas, element))


def _numbers(element: ElementTree.Element, *names: str) -> list[float]:
    return [float(element.get(name, "0")) for name in names]


def _rectangle(canvas: Any, element: ElementTree.Element) -> None:
    x, y, width, height = _numbers(element, "x", "y", "width", "height")
    canvas.rect(x, y, width, height, **_paint(canvas, element))


def _circle(canvas: Any, element: ElementTree.Element) -> None:
    x, y, radius = _numbers(element, "cx", "cy", "r")
    canvas.circle(x, y, radius, **_paint(canvas, element))


def _image(canvas: Any, element: ElementTree.Element) -> None:
    x, y, width, height = _numbers(element, "x", "y", "width", "height")
    content = base64.b64decode(element.get("href", "").partition(",")[2])
    canvas.translate(x, y + height)
    canvas.scale(1, -1)
    canvas.drawImage(ImageReader(io.BytesIO(content)), 0, 0, width, height)


def _text(canvas: Any, element: ElementTree.Element) -> None:
    x, y = _numbers(element, "x", "y")
    canvas.translate(x, y)
    turned = re.match(r"rotate\((-?[\d.]+)", element.get("transform", ""))
    if turned:
        canvas.rotate(float(turned[1]))
    canvas.scale(1, -1)
    bold = element.get("font-weight") == "bold"
    canvas.setFont(BOLD if bold else PLAIN, float(element.get("font-size", "12")))
    canvas.setFillColor(HexColor(element.get("fill", "#000000")))
    words = "".join(element.itertext())
    anchor = element.get("text-anchor", "start")
    write = {"middle": canvas.drawCentredString, "end": canvas.drawRightString}
    write.get(anchor, canvas.drawString)(0, 0, words)


_SHAPES: dict[str, Callable[[Any, ElementTree.Element], None]] = {
    "polyline": _line,
    "polygon": _line,
    "rect": _rectangle,
    "circle": _circle,
    "image": _image,
    "text": _text,
}
