"""A page about many cases: sections with words, plots and tables, in one file."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import metadata
from typing import Any

from markupsafe import Markup

from veinfit.report.cautions import CAUTIONS
from veinfit.report.colours import INK, MUTED
from veinfit.report.page.pages import environment, template_text

PLOT_STYLE: Any = {
    "svg.hashsalt": "veinfit",
    "svg.fonttype": "path",
    "font.size": 11,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "legend.frameon": False,
}
"""How plots look; with it the same numbers draw the same bytes."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A plot: its picture as a data address, and words for those who do not see it."""

    title: str
    source: str
    caption: str
    alt: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table of words; ``folded`` rows are shown on demand alone, under ``why``."""

    caption: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    folded: Sequence[Sequence[str]] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the page."""

    title: str
    text: Sequence[str] = ()
    figures: Sequence[Figure] = ()
    tables: Sequence[Table] = ()


@dataclass(frozen=True, slots=True)
class Page:
    """What stands on the page, from the top: what was found, before how it was found."""

    title: str
    findings: Sequence[str]
    basis: Sequence[str]
    warnings: Sequence[str]
    sections: Sequence[Section]


def write_study_page(page: Page) -> str:
    """Return the page as HTML that needs nothing else.

    Parameters
    ----------
    page : Page

    Returns
    -------
    str
    """
    return (
        environment()
        .get_template("cohort.html.j2")
        .render(
            page=page,
            cautions=CAUTIONS,
            version=metadata.version("veinfit"),
            style=Markup(template_text("report.css")),
        )
    )


@contextmanager
def plot(width: float, height: float, columns: int = 1, **options: Any) -> Iterator[Any]:
    """Give a figure and its axes in the page's style, inches; closed afterwards.

    Parameters
    ----------
    width, height : float
    columns : int
        Axes beside each other; none where 0.
    options : object
        Keywords of ``Figure.subplots``.

    Yields
    ------
    figure, axes
        ``axes`` is an array where there are several columns or rows.
    """
    import matplotlib

    with matplotlib.rc_context(PLOT_STYLE):
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure as Drawing

        drawing = Drawing(figsize=(width, height), layout="constrained")
        FigureCanvasSVG(drawing)
        yield drawing, drawing.subplots(1, columns, **options) if columns else None


def picture(drawing: Any) -> str:
    """Return a drawn figure as an address that holds it.

    Parameters
    ----------
    drawing : matplotlib.figure.Figure

    Returns
    -------
    str
        A ``data:`` address of its SVG.
    """
    stream = io.BytesIO()
    drawing.savefig(stream, format="svg", metadata={"Date": None})
    return "data:image/svg+xml;base64," + base64.b64encode(stream.getvalue()).decode()


ONE_CASE = "of one case or none"
"""Rows that say nothing of a cohort: they are folded away."""


def folded_table(
    caption: str, columns: Sequence[str], rows: Sequence[tuple[int, Sequence[str]]]
) -> Table:
    """Return a table in which rows that rest on one case or none are folded away.

    Parameters
    ----------
    caption : str
    columns : sequence of str
    rows : sequence of (int, sequence of str)
        How many cases or veins a row rests on, and its cells.

    Returns
    -------
    Table
    """
    many = [row for number, row in rows if number > 1]
    return Table(caption, columns, many, [row for number, row in rows if number <= 1], ONE_CASE)


def number(value: float | None, decimals: int = 2) -> str:
    """Return a number in words; a dash for None.

    Parameters
    ----------
    value : float or None
    decimals : int

    Returns
    -------
    str
        With the minus sign of print.
    """
    if value is None:
        return "–"
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−")


def span(low: float | None, high: float | None, decimals: int = 2) -> str:
    """Return an interval in words; a dash where there is none.

    Parameters
    ----------
    low, high : float or None
    decimals : int

    Returns
    -------
    str
    """
    if low is None or high is None:
        return "–"
    return f"{number(low, decimals)} to {number(high, decimals)}"


def with_span(value: float | None, low: float | None, high: float | None, decimals: int = 2) -> str:
    """Return a number with its interval in brackets; without them where there is none.

    Parameters
    ----------
    value, low, high : float or None
    decimals : int

    Returns
    -------
    str
    """
    bounds = "" if low is None or high is None else f" ({span(low, high, decimals)})"
    return f"{number(value, decimals)}{bounds}"
