"""The report on paper: a summary and two pages a vein or more, with text that can be selected."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any, Literal

from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Spacer,
    TableStyle,
)

from veinfit.report.answers.parts import VeinPart, vein_parts, warnings
from veinfit.report.cautions import CAUTIONS, warning_line
from veinfit.report.charts.aims import aim_key
from veinfit.report.charts.image_planes import TITLE as IMAGE_TITLE
from veinfit.report.colours import ALARM, INK, MUTED, GapBand, gap_bands, over_widest
from veinfit.report.model import Report
from veinfit.report.paper.fitting import fitted
from veinfit.report.paper.paper_drawing import PLAIN
from veinfit.report.paper.pdf_blocks import (
    ACCENT,
    GUTTER,
    HEAD_PT,
    LINE,
    LINED,
    SMALL_PT,
    TINT,
    Bookmark,
    columns,
    gap_key,
    labelled,
    measures_table,
    note_blocks,
    picture_rows,
    register_fonts,
    rows_of,
    titled,
    with_unit,
    words,
)
from veinfit.report.paper.pdf_summary import summary
from veinfit.report.paper.stamp import ROOM_PT, leave_room
from veinfit.report.paper.tagged import Figures, TaggedCanvas
from veinfit.report.render.drawing import printable, shortened
from veinfit.report.wording import SIGNS

PaperName = Literal["a4", "letter"]

PAPERS: dict[PaperName, tuple[float, float]] = {"a4": A4, "letter": LETTER}
"""Sizes of a page in points, upright."""

MARGIN = 12 * mm
FOOT = 9 * mm
"""Height of the line at the foot of each page."""

HEAD = 5 * mm
"""Height of the line of a warning, which stands on the first page in full."""

NOTES_ON_VEIN = 3
"""So many cautions are printed; other notes are counted, and in report.html."""

OSTIUM_SHARE = 0.74
"""Width of the drawing of the ostium in its column: as high as the aim maps beside it."""

FITS_SHARE = 0.615
"""Width of the table of seats, with two columns, beside the measures: few of its lines break."""

MOST_BESIDE = 3
"""Tables of more balloons take the page's whole width."""

BESIDE_A_CHART = 120 * mm
"""What sets balloons apart stands beside a chart up to this height; there it cannot be broken."""

VIEWS_KEY = (
    "Left: from the side, near wall cut away; arrow, into the vein; violet, ostial plane; "
    "dash-dot, shaft; two-headed arrow, depth of the equator. Right: from the atrium into the "
    "vein; ring, the gap around the clock, darkest {over} mm. Small circle: a leak, with its width."
)
"""What the two views of a picture are; ``over`` is the gap from which on the ring is darkest."""

MAP_KEY = (
    "Colours as in the pictures. Unrolled wall, depth upward in mm: dashed, ostial plane; pale "
    "line, sealing line; ring, leak; chequered, contact off the freezing zone; white, no wall "
    "there."
)
"""What the unrolled maps show."""


def write_pdf(
    report: Report, paper: PaperName = "a4", parts: tuple[VeinPart, ...] | None = None
) -> bytes:
    """Return the report as a PDF file: the same bytes for the same input.

    Parameters
    ----------
    report : Report
    paper : {'a4', 'letter'}
    parts : tuple of VeinPart, optional
        What :func:`veinfit.report.answers.parts.vein_parts` gathers, where that is at hand.

    Returns
    -------
    bytes
    """
    register_fonts()
    shown = vein_parts(report) if parts is None else parts
    with _binary_streams():
        return _printed(report, PAPERS[paper], shown)


@contextmanager
def _binary_streams() -> Iterator[None]:
    """Have pictures written as they are: the library's text form is slow and a quarter larger."""
    before, rl_config.useA85 = rl_config.useA85, 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def _printed(report: Report, size: tuple[float, float], parts: tuple[VeinPart, ...]) -> bytes:
    """Return the file's content."""
    stream = io.BytesIO()
    alarm = warning_line(warnings(report))
    width, height = size[0] - 2 * MARGIN, size[1] - 2 * MARGIN - FOOT - bool(alarm) * HEAD
    body = Frame(MARGIN, MARGIN + FOOT, width, height, 0, 0, 0, 0)
    document = BaseDocTemplate(stream, pagesize=size, invariant=1, lang="en", pageCompression=1)
    document.title = f"Balloon seats, {printable(report.case_id) or 'unnamed case'}"
    document.subject = "Predicted balloon seats in the pulmonary veins; " + CAUTIONS[0]
    document.author = document.creator = f"veinfit {printable(report.version)}"
    foot = _foot(report, size, alarm)
    bands = gap_bands(report.result.settings.seating.contact_tolerance_mm)
    document.addPageTemplates(PageTemplate("page", [body], onPage=foot))
    story = [
        *summary(report, parts, width, height),
        *(b for p in parts for b in _vein(p, width, height, bands)),
        *_on_the_image(parts, width),
    ]
    document.build(story, canvasmaker=partial(TaggedCanvas, initialFontName=PLAIN))
    return stream.getvalue()


def _foot(
    report: Report, size: tuple[float, float], alarm: str
) -> Callable[[TaggedCanvas, Any], None]:
    """Return what draws the foot of a page, and ``alarm`` at the head of all but the first."""
    name = shortened(printable(report.case_id), 60) or "Unnamed case"
    line = f"{name}. {CAUTIONS[0]} {CAUTIONS[2]}"
    width = size[0] - 2 * MARGIN

    def draw(canvas: TaggedCanvas, document: Any) -> None:
        if document.page == 1:
            with canvas.marked("P"):
                leave_room(canvas, MARGIN, MARGIN - ROOM_PT - 1 * mm, width)
        canvas.begin_aside()
        if document.page > 1:
            leave_room(canvas, MARGIN, MARGIN - ROOM_PT - 1 * mm, width)
            if alarm:
                head = words(alarm, SMALL_PT, ALARM, bold=True)
                head.drawOn(canvas, MARGIN, size[1] - MARGIN - head.wrapOn(canvas, width, HEAD)[1])
        canvas.setViewerPreference("DisplayDocTitle", "true")
        canvas.setStrokeColor(HexColor(LINE))
        canvas.setLineWidth(0.6)
        canvas.line(MARGIN, MARGIN + FOOT - 2, size[0] - MARGIN, MARGIN + FOOT - 2)
        said, top, aside = words(line, SMALL_PT, MUTED), MARGIN + FOOT - 4, width - 16 * mm
        said.drawOn(canvas, MARGIN, top - said.wrapOn(canvas, aside - 3 * mm, FOOT)[1])
        canvas.number_of_pages(
            f"{document.page} of ", (MARGIN + aside, top), PLAIN, SMALL_PT, HexColor(MUTED)
        )
        canvas.end_aside()

    return draw


# ---- a vein ---------------------------------------------------------------------------------


def _vein(
    part: VeinPart, width: float, height: float, bands: tuple[GapBand, ...]
) -> list[Flowable]:
    title = part.vein.name + (f", {part.words}" if part.words else "")
    blocks: list[Flowable] = [
        PageBreak(), Bookmark(part.anchor, part.vein.name),
        words(title, HEAD_PT, bold=True, role="H2"), Spacer(1, 1.5),
    ]  # fmt: skip
    if part.branches:
        blocks.append(words(f"Drains {part.branches}.", SMALL_PT))
    if part.fits:
        for sign, column, said in zip(part.signs, part.columns, part.sentences, strict=True):
            blocks.append(labelled((f"{SIGNS[sign]} {column}:", f"{said}."), size=SMALL_PT))
        blocks.append(Spacer(1, 2 * mm))
        missing = "No pictures were made of this vein."
        seats = [shown for shown in part.pictures if shown.picture.balloon != IMAGE_TITLE]
        blocks += picture_rows(seats, width, 58 * mm, missing)
        if seats:
            told = ", ".join(shown.title for shown in seats)
            blocks += [
                words(f"{told}. {VIEWS_KEY.format(over=over_widest(bands))}", SMALL_PT, MUTED),
                gap_key(bands),
                Spacer(1, 2 * mm),
            ]
    blocks += _tables(part, width, height)
    further = fitted(lambda share: _drawings(part, width, bands, share), width, height)
    return [*blocks, PageBreak(), *further]


def _tables(part: VeinPart, width: float, height: float) -> list[Flowable]:
    """Return a vein's predictions and its measures, beside each other where there is room."""
    if not part.fits:
        return _measured(part, 0.5 * (width - GUTTER))
    left = FITS_SHARE * (width - GUTTER)
    if len(part.fits) <= MOST_BESIDE:
        # What stands beside each other stays on one page.
        fits = _fits_table(part, left)
        if fits.wrap(left, height)[1] <= height:
            own = _measured(part, width - GUTTER - left)
            return [columns([[fits], own], [left + GUTTER, width - GUTTER - left], gap=GUTTER)]
    own = _measured(part, 0.5 * (width - GUTTER))
    return [_fits_table(part, width), Spacer(1, 2 * mm), *own]


def _measured(part: VeinPart, width: float) -> list[Flowable]:
    """Return a vein's measures and the gap around the clock."""
    rows = [*part.measures, *part.certainty, *part.ridges]
    blocks: list[Flowable] = [measures_table(rows, {"Trunk length": part.trunk}, width)]
    blocks.append(Spacer(1, 2 * mm))
    if part.narrow_gaps:
        blocks += titled("Where is it weak? The gap around the clock", part.narrow_gaps, width)
    return blocks


def _fits_table(part: VeinPart, width: float) -> Figures:
    count = len(part.fits)
    label = 0.49 if count < 3 else 0.34
    rows: list[list[Any]] = [["", *(words(c, SMALL_PT, bold=True) for c in part.columns)]]
    style = list(LINED)
    for group in part.groups:
        style += [("SPAN", (0, len(rows)), (-1, len(rows))),
                  ("BACKGROUND", (0, len(rows)), (-1, len(rows)), HexColor(TINT))]  # fmt: skip
        rows.append([words(group.question, SMALL_PT, ACCENT, bold=True), *[""] * count])
        for row in group.rows:
            cells = [words(cell.words, SMALL_PT) for cell in row.cells]
            rows.append([words(with_unit(row), SMALL_PT, MUTED), *cells])
    widths = [label * width, *[(1 - label) / count * width] * count]
    return Figures(rows, colWidths=widths, style=TableStyle(style), hAlign="LEFT", repeatRows=1)


def _drawings(
    part: VeinPart, width: float, bands: tuple[GapBand, ...], share: float
) -> list[Flowable]:
    """Return a vein's second page: where it seals, what follows, where it touches.

    Drawings take ``share`` of the width that there is for them.
    """
    blocks: list[Flowable] = [
        words(f"{part.vein.name}, continued", HEAD_PT, bold=True, role="H2"),
        Spacer(1, 1 * mm),
    ]
    third, half = share * (width - 2 * GUTTER) / 3, share * 0.5 * (width - GUTTER)
    ostium = titled("The ostium to scale", part.ostium, OSTIUM_SHARE * third)
    further = [titled(title, drawn, half) for title, drawn in part.further]
    beside = _beside(part)
    odd = (len(further) + (not part.aims)) % 2
    if len(further) > 2 and odd and sum(b.wrap(half, width)[1] for b in beside) <= BESIDE_A_CHART:
        # The room beside the last of them: else these few lines would take a page.
        further.append([Spacer(1, 1 * mm), *beside])
        beside = []
    # Two pages hold what follows from the seats; how the vein narrows is in report.html.
    if part.profile and len(further) < 2:
        further.append(titled("Area along the vein", part.profile, half))
    if part.aims:
        maps = [titled(f"Aim map: {title}", drawn, third) for title, drawn in part.aims]
        blocks += [*rows_of([*maps, ostium], width, 3), words(aim_key(bands), SMALL_PT, MUTED)]
        blocks += [Spacer(1, 1 * mm), *rows_of(further, width, 2)]
    else:
        blocks += rows_of([ostium, *further], width, 2)
    if part.narrow_maps and len(further) <= 2:
        across = min(max(len(part.narrow_maps), 2), 3)
        each = half if across == 2 else third
        maps = [titled(f"The wall unrolled: {t}", d, each) for t, d in part.narrow_maps]
        blocks += [*rows_of(maps, width, across), words(MAP_KEY, SMALL_PT, MUTED)]
    elif part.narrow_maps:
        blocks.append(words("The wall unrolled is in report.html.", SMALL_PT, MUTED))
    blocks += [Spacer(1, 1 * mm), *beside]
    return [*blocks, *note_blocks(part.notes, min(len(part.grave), NOTES_ON_VEIN))]


def _on_the_image(parts: Sequence[VeinPart], width: float) -> list[Flowable]:
    """Return the veins' planes of the image, as wide as the page; nothing without an image."""
    shown = {
        part.vein.name: planes
        for part in parts
        if (planes := [one for one in part.pictures if one.picture.balloon == IMAGE_TITLE])
    }
    if not shown:
        return []
    captions = {
        name: planes[0].picture.caption.removeprefix(f"{name} ") for name, planes in shown.items()
    }
    # What is true of every vein's picture is told once.
    once = len(set(captions.values())) == 1
    blocks: list[Flowable] = [
        PageBreak(),
        words("The veins on the image", HEAD_PT, bold=True, role="H2"),
        *([words(f"Each vein {next(iter(captions.values()))}", SMALL_PT, MUTED)] if once else []),
        Spacer(1, 2 * mm),
    ]
    for name, planes in shown.items():
        title = words(f"{name} {IMAGE_TITLE}", SMALL_PT, bold=True, role="H3")
        picture = picture_rows(planes, width, width, "")
        own = [] if once else [words(planes[0].picture.caption, SMALL_PT, MUTED)]
        blocks.append(KeepTogether([title, *picture, *own, Spacer(1, 2 * mm)]))
    return blocks


def _beside(part: VeinPart) -> list[Flowable]:
    blocks: list[Flowable] = []
    for side in part.comparisons:
        blocks.append(
            words(
                f"{side.first} beside {side.second}, {side.approach}",
                SMALL_PT,
                bold=True,
                role="H3",
            )
        )
        told = [(f"{remark.topic.capitalize()}:", remark.text) for remark in side.remarks]
        blocks.append(labelled(*told, size=SMALL_PT, colour=INK))
        if side.neither:
            blocks.append(labelled(("Neither seals:", f"{side.neither}."), size=SMALL_PT))
        blocks.append(Spacer(1, 2 * mm))
    return blocks
