"""A small drawing as values: written as SVG on the page, by reportlab's graphics on paper.

Places are CSS pixels, y down, as on a screen.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from markupsafe import Markup

from veinfit.report.colours import INK, PAPER
from veinfit.vectors import FloatArray

TYPE_PX = 12.0
"""Size of all writing in a drawing."""

Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line through points (N, 2); a polygon where it is ``closed``."""

    points: np.ndarray
    colour: str
    width: float
    dash: tuple[float, ...] = ()
    fill: str = ""
    closed: bool = False

    @property
    def svg(self) -> Markup:
        """The line as markup."""
        steps = " ".join(f"{x:.2f},{y:.2f}" for x, y in self.points.tolist())
        return _svg(
            '<{} points="{}" fill="{}" stroke="{}" stroke-width="{}" stroke-dasharray="{}" '
            'stroke-linejoin="round"/>',
            "polygon" if self.closed else "polyline", steps, self.fill or "none", self.colour,
            float(self.width), _dashed(self.dash),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Circle:
    """A circle; ``fill`` empty leaves it open, ``colour`` empty without a rim."""

    x: float
    y: float
    radius: float
    colour: str = ""
    width: float = 1.0
    dash: tuple[float, ...] = ()
    fill: str = ""

    @property
    def svg(self) -> Markup:
        """The circle as markup."""
        return _svg(
            '<circle cx="{}" cy="{}" r="{}" fill="{}" stroke="{}" stroke-width="{}"'
            ' stroke-dasharray="{}"/>',
            float(self.x), float(self.y), float(self.radius), self.fill or "none",
            self.colour or "none", float(self.width), _dashed(self.dash),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Area:
    """A filled rectangle without a rim."""

    left: float
    top: float
    width: float
    height: float
    fill: str
    opacity: float = 1.0

    @property
    def svg(self) -> Markup:
        """The rectangle as markup."""
        return _svg(
            '<rect x="{}" y="{}" width="{}" height="{}" fill="{}" fill-opacity="{}"/>',
            float(self.left), float(self.top), float(self.width), float(self.height), self.fill,
            float(self.opacity),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Pixels:
    """A PNG file's content, stretched over a rectangle, each pixel with a sharp border."""

    left: float
    top: float
    width: float
    height: float
    png: bytes

    @property
    def svg(self) -> Markup:
        """The picture as markup, its content inside."""
        return _svg(
            '<image x="{}" y="{}" width="{}" height="{}" preserveAspectRatio="none" '
            'style="image-rendering:pixelated" href="data:image/png;base64,{}"/>',
            float(self.left), float(self.top), float(self.width), float(self.height),
            base64.b64encode(self.png).decode("ascii"),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """One line of writing; ``turned`` runs upward."""

    x: float
    y: float
    text: str
    anchor: Anchor = "start"
    colour: str = INK
    bold: bool = False
    turned: bool = False

    @property
    def svg(self) -> Markup:
        """The line as markup."""
        turn = _svg(' transform="rotate(-90 {} {})"', float(self.x), float(self.y))
        return _svg(
            '<text x="{}" y="{}"{} text-anchor="{}" fill="{}" font-weight="{}" '
            'font-family="inherit" font-size="{}">{}</text>',
            float(self.x), float(self.y), turn if self.turned else Markup(""), self.anchor,
            self.colour, "bold" if self.bold else "normal", f"{TYPE_PX:g}", self.text,
        )  # fmt: skip


Shape = Line | Circle | Area | Pixels | Words


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A whole drawing, with words for those who cannot see it."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    alt: str

    @property
    def svg(self) -> Markup:
        """The drawing as inline SVG; the same for the same drawing."""
        return _svg(
            '<svg viewBox="0 0 {} {}" width="{}" height="{}" role="img" aria-label="{}">{}</svg>',
            float(self.width), float(self.height), float(self.width), float(self.height),
            self.alt, Markup("").join(shape.svg for shape in self.shapes),
        )  # fmt: skip

    @property
    def file(self) -> str:
        """The drawing as an SVG file of its own, on white."""
        size = float(self.width), float(self.height)
        return _svg(
            '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {} {}" width="{}" height="{}" '
            'role="img" aria-label="{}" font-family="DejaVu Sans, Liberation Sans, sans-serif">'
            '<rect width="{}" height="{}" fill="{}"/>{}</svg>\n',
            *size, *size, self.alt, *size, PAPER,
            Markup("").join(shape.svg for shape in self.shapes),
        )  # fmt: skip

    def __html__(self) -> str:
        """Stand for itself in a page's template."""
        return self.svg

    @property
    def texts(self) -> tuple[str, ...]:
        """All that is written in it, in order."""
        return tuple(shape.text for shape in self.shapes if isinstance(shape, Words))


def path(
    points: FloatArray,
    colour: str,
    width: float,
    *,
    dash: tuple[float, ...] = (),
    fill: str = "",
    closed: bool = False,
) -> Line:
    """Return a line through points (N, 2)."""
    return Line(np.asarray(points, dtype=float), colour, width, dash, fill, closed)


def legend(x: float, y: float, colour: str, dash: tuple[float, ...], words: str) -> list[Shape]:
    """Return a piece of a line and what it stands for."""
    line = path(np.array([[x, y - 4], [x + 34, y - 4]]), colour, 2.4, dash=dash)
    return [line, Words(x + 42, y, words)]


def printable(text: str) -> str:
    """Replace what cannot be drawn in one line (control characters, odd spaces) by a space."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else " " for c in text)


def shortened(text: str, length: int) -> str:
    """Cut ``text`` to ``length`` characters, an ellipsis for what went.

    Parameters
    ----------
    text : str
    length : int

    Returns
    -------
    str
    """
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def _dashed(dash: Sequence[float]) -> str:
    return " ".join(f"{part:g}" for part in dash) or "none"


def _svg(template: str, *values: object) -> Markup:
    """Return markup with values put in, escaped; numbers with two decimals."""
    return Markup(template).format(*map(_shown, values))


def _shown(value: object) -> object:
    if isinstance(value, float):
        return f"{value:.2f}"
    # Control characters are no part of any markup.
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value
