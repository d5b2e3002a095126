"""How many pages blocks take, and which size of drawings saves one."""

from __future__ import annotations

import io
import re
from functools import partial

import pytest
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate

from veinfit.report.paper.fitting import SHARES, fitted, pages
from veinfit.report.paper.paper_drawing import PLAIN, on_paper
from veinfit.report.paper.pdf_blocks import LINED, register_fonts, words
from veinfit.report.paper.tagged import Figures, TaggedCanvas
from veinfit.report.render.drawing import Drawing

WIDTH, HEIGHT = 400.0, 500.0


def drawing(high: float) -> Flowable:
    return on_paper(Drawing(WIDTH / 0.75, high / 0.75, (), "a drawing"), WIDTH)


def printed_pages(blocks: list[Flowable]) -> int:
    """As the library lays them out."""
    stream = io.BytesIO()
    document = BaseDocTemplate(stream, pagesize=(WIDTH, HEIGHT))
    document.addPageTemplates(PageTemplate("page", [Frame(0, 0, WIDTH, HEIGHT, 0, 0, 0, 0)]))
    document.build(blocks, canvasmaker=partial(TaggedCanvas, initialFontName=PLAIN))
    return len(re.findall(rb"/Type /Page\b", stream.getvalue()))


def table(rows: int) -> Flowable:
    cells = [[words("one"), words("two " * 40)] for _ in range(rows)]
    return Figures(cells, colWidths=[WIDTH / 2] * 2, style=LINED)


@pytest.mark.parametrize(
    ("kinds", "count"),
    [
        ((200, 300), 1),
        ((200, 301), 2),
        ((499, "text", 450), 3),
        ((300, "table", 100), 2),
        (("table", "table", 480), 3),
        ((490, "line", "line"), 2),
    ],
)
def test_pages_are_counted_as_the_library_fills_them(
    kinds: tuple[float | str, ...], count: int
) -> None:
    register_fonts()
    made = {
        "text": lambda: words("word " * 200),
        "line": lambda: words("w"),
        "table": lambda: table(6),
    }

    def blocks() -> list[Flowable]:
        return [made[k]() if isinstance(k, str) else drawing(k) for k in kinds]

    assert pages(blocks(), WIDTH, HEIGHT) == count == printed_pages(blocks())


@pytest.mark.parametrize(
    ("high", "before", "share"),
    [
        (400, 0, SHARES[0]),  # there is room
        (400, 120, SHARES[1]),  # the largest that saves the page
        (400, 145, SHARES[2]),
        (400, 450, SHARES[0]),  # none saves it
        (530, 0, SHARES[1]),
    ],
)
def test_drawings_are_as_large_as_the_fewest_pages_allow(
    high: float, before: float, share: float
) -> None:
    register_fonts()
    first = [drawing(before)] if before else []
    made: dict[int, float] = {}

    def make(size: float) -> list[Flowable]:
        block = drawing(size * high)
        made[id(block)] = size
        kept.append(block)
        return [block]

    kept: list[Flowable] = []
    (block,) = fitted(make, WIDTH, HEIGHT, first)
    assert made[id(block)] == share
