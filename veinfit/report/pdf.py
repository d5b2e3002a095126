"""The report on paper: one page of summary and one a vein, with text that can be selected."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal
from xml.sax.saxutils import escape

from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepInFrame, Paragraph, Spacer, Table, TableStyle
from reportlab.platypus import Image as PageImage

from veinfit.notes import Note
from veinfit.report.canvas import printable
from veinfit.report.colours import INK, MUTED
from veinfit.report.correction_table import COMPARED, correction_rows
from veinfit.report.model import ReportInput
from veinfit.report.page import (
    ShownPicture,
    VeinPart,
    all_notes,
    headlines,
    shown_pictures,
    unmeasured,
    vein_parts,
    warnings,
)
from veinfit.report.pages import CAUTIONS
from veinfit.report.pdf_drawing import BOLD, PLAIN, Drawing
from veinfit.report.tables import Cell, Row
from veinfit.report.wording import Mark, mark, number

PaperName = Literal["a4", "letter"]

PAPERS: dict[PaperName, tuple[float, float]] = {"a4": A4, "letter": LETTER}
"""Sizes of a page in points, upright."""

MARGIN = 12 * mm
FOOT = 9 * mm
"""Height of the line at the foot of each page."""

GUTTER = 5 * mm

TYPE_PT, SMALL_PT, HEAD_PT, TITLE_PT = 7.6, 6.6, 13.0, 17.0
"""Type sizes."""

PICTURE_QUALITY = 88
"""Quality, of 100, of the pictures: no loss that can be seen on paper."""

ACCENT, LINE, TINT, WARN = "#0d5563", "#c6cdd3", "#eef3f4", "#7a3b00"
ALARM = "#a30000"

SIGNS: dict[Mark, str] = {"closed": "●", "half": "◐", "open": "○", "none": "–"}
"""The signs of the verdicts, as characters."""

PICTURES_ACROSS = 3
"""So many pictures stand beside each other; more take a second row."""

MAPS_ON_VEIN = 2
"""So many unrolled maps fit on a vein's page and are still readable; more take a second page."""

NOTES_ON_SUMMARY, NOTES_ON_VEIN = 10, 8
"""So many notes are printed on a page, cautions first; more are counted, and in report.html."""


MAP_KEY = (
    "Colours as in the pictures. Dashed: ostial plane; pale line: sealing line; ring: leak; "
    "chequered: contact off the freezing zone; white: no wall there."
)
"""What the unrolled maps show."""


def write_pdf(
    report: ReportInput, paper: PaperName = "a4", parts: tuple[VeinPart, ...] | None = None
) -> bytes:
    """Return the report as a PDF file: the same bytes for the same input.

    Parameters
    ----------
    report : ReportInput
    paper : {'a4', 'letter'}
    parts : tuple of VeinPart, optional
        What :func:`veinfit.report.page.vein_parts` gathers, where that is at hand.
    """
    _fonts()
    stream = io.BytesIO()
    with _binary_streams():
        _write(stream, report, PAPERS[paper], vein_parts(report) if parts is None else parts)
    return stream.getvalue()


@contextmanager
def _binary_streams() -> Iterator[None]:
    """Have pictures written as they are: the library's text form is slow and a quarter larger."""
    before, rl_config.useA85 = rl_config.useA85, 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def _write(
    stream: io.BytesIO,
    report: ReportInput,
    size: tuple[float, float],
    parts: tuple[VeinPart, ...],
) -> None:
    canvas = Canvas(stream, pagesize=size, invariant=1, lang="en", pageCompression=1)
    canvas.setTitle(f"Balloon seats, {printable(report.case_id) or 'unnamed case'}")
    canvas.setSubject("Predicted balloon seats in the pulmonary veins; " + CAUTIONS[0])
    canvas.setCreator(f"veinfit {printable(report.version)}")
    pages = 1 + sum(1 + _continued(part) for part in parts)
    _summary(canvas, size, report, parts)
    _foot(canvas, size, report, 1, pages)
    done = 1
    for part in parts:
        canvas.showPage()
        canvas.bookmarkPage(part.anchor)
        canvas.addOutlineEntry(printable(part.vein.name), part.anchor)
        _vein_page(canvas, size, report, part)
        done += 1
        _foot(canvas, size, report, done, pages)
        if _continued(part):
            canvas.showPage()
            _map_page(canvas, size, part)
            done += 1
            _foot(canvas, size, report, done, pages)
    canvas.save()


def _fonts() -> None:
    if PLAIN in pdfmetrics.getRegisteredFontNames():
        return
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in ((PLAIN, "DejaVuSans.ttf"), (BOLD, "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, folder / file))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)


def _style(size: float, colour: str = INK, *, bold: bool = False) -> ParagraphStyle:
    return ParagraphStyle(
        "x", fontName=BOLD if bold else PLAIN, fontSize=size, leading=1.22 * size,
        textColor=HexColor(colour), splitLongWords=1,
    )  # fmt: skip


def _words(text: str, size: float = TYPE_PT, colour: str = INK, *, bold: bool = False) -> Paragraph:
    """Return text as a block; nothing in it is markup."""
    return Paragraph(escape(printable(text)), _style(size, colour, bold=bold))


def _labelled(label: str, text: str, size: float = TYPE_PT, colour: str = INK) -> Paragraph:
    """Return text after a label in bold."""
    words = f"<b>{escape(printable(label))}</b> {escape(printable(text))}"
    return Paragraph(words, _style(size, colour))


def _place(
    canvas: Canvas, blocks: Sequence[Flowable], x: float, top: float, width: float, height: float
) -> float:
    """Put blocks below each other, made smaller where they do not fit; return their bottom."""
    box = KeepInFrame(width, height, list(blocks), mode="shrink")
    used = min(box.wrapOn(canvas, width, height)[1], height)
    box.drawOn(canvas, x, top - used)
    return top - used


def _foot(canvas: Canvas, size: tuple[float, float], report: ReportInput, k: int, of: int) -> None:
    name = printable(report.case_id) or "Unnamed case"
    line = f"{CAUTIONS[0]} Decisions rest with the licensed physician and local rules."
    width = size[0] - 2 * MARGIN
    canvas.setStrokeColor(HexColor(LINE))
    canvas.setLineWidth(0.6)
    canvas.line(MARGIN, MARGIN + FOOT - 2, size[0] - MARGIN, MARGIN + FOOT - 2)
    cells = [[_words(f"{name}. {line}", SMALL_PT, MUTED), _words(f"{k} of {of}", SMALL_PT, MUTED)]]
    _place(
        canvas, [Table(cells, colWidths=[width - 18 * mm, 18 * mm], style=_BARE)],
        MARGIN, MARGIN + FOOT - 3, width, FOOT - 3,
    )  # fmt: skip


# ---- the summary ----------------------------------------------------------------------------


def _summary(
    canvas: Canvas, size: tuple[float, float], report: ReportInput, parts: Sequence[VeinPart]
) -> None:
    width, top = size[0] - 2 * MARGIN, size[1] - MARGIN
    approaches = " and a ".join(dict.fromkeys(f.approach for p in parts for f in p.fits))
    assumed = f"What the geometry predicts for a {approaches} approach, which is assumed. "
    alarms = warnings(report)
    blocks: list[Flowable] = [
        *(_labelled("Warning:", note.text, colour=ALARM) for note in alarms),
        _words("Predicted balloon seats in the pulmonary veins", TYPE_PT, ACCENT, bold=True),
        _words(report.case_id or "Unnamed case", TITLE_PT, bold=True),
        Spacer(1, 2),
        _words((assumed if approaches else "") + " ".join(CAUTIONS), TYPE_PT, MUTED),
    ]
    told = headlines(report)
    for label, note in told:
        blocks.append(_labelled(f"{label}:", note.text, colour=_note_colour(note)))
    top = _place(canvas, blocks, MARGIN, top, width, 45 * mm) - 3 * mm
    table = _glance_table(report, parts, width)
    origin = _origin(report)
    corrected = _corrected(report)
    first = {*alarms, *(note for _, note in told)}
    notes = _notes([n for n in all_notes(report) if n not in first], NOTES_ON_SUMMARY)
    below = (
        sum(_height(canvas, block, width) for block in (table, *corrected, *notes, *origin))
        + 6 * mm
    )
    room = top - MARGIN - FOOT
    picture = shown_pictures(report, [p for p in report.pictures if not p.vein])
    high = min(125 * mm, max(room - below, 0.25 * room))
    top = _pictures(canvas, picture, top, width, high, "No overview picture was made.")
    _place(
        canvas, [table, Spacer(1, 2 * mm), *corrected, *notes, Spacer(1, 2 * mm), *origin],
        MARGIN, top - 2 * mm, width, top - 2 * mm - MARGIN - FOOT,
    )  # fmt: skip


def _corrected(report: ReportInput) -> list[Flowable]:
    blocks: list[Flowable] = []
    for row in correction_rows(report.anatomy.corrections):
        pairs = zip(COMPARED, row.values, strict=True)
        values = "; ".join(f"{title} {a} automatic, {b} corrected" for (_, title), (a, b) in pairs)
        told = f"{row.what}, by {row.who}: {row.why}. {values}."
        blocks.append(_labelled(f"Corrected by hand, {row.vein}:", told, SMALL_PT))
    return blocks


def _height(canvas: Canvas, block: Flowable, width: float) -> float:
    return float(block.wrapOn(canvas, width, 10_000)[1])


GLANCE_HEAD = (
    "Vein", "Ostium, mm", "Balloon", "Does it close?", "Where not?", "Depth, mm", "Contact",
    "Confidence",
)  # fmt: skip


def _glance_table(report: ReportInput, parts: Sequence[VeinPart], width: float) -> Flowable:
    rows: list[list[Any]] = [[_words(h, SMALL_PT, bold=True) for h in GLANCE_HEAD]]
    style = [*_LINED, ("LINEBELOW", (0, 0), (-1, 0), 1.0, HexColor(INK))]
    for part in parts:
        first = len(rows)
        sure = f"{part.confidence}; ostium ± {part.error} mm"
        lead = [
            _words(part.vein.name, TYPE_PT, bold=True),
            _words(f"{part.size}, ovality {part.ovality}", SMALL_PT),
        ]
        for g in part.glances:
            deep = " deep" if g.fit.deep else ""
            verdict = f"{SIGNS[mark(g.fit)]} {g.verdict}"
            rows.append(
                [
                    *lead,
                    _words(g.balloon, SMALL_PT),
                    _words(f"{verdict}; {g.probability}" if g.probability else verdict, SMALL_PT),
                    _words(g.where, SMALL_PT),
                    _words(_cell(g.depth) + deep, SMALL_PT),
                    _words(_cell(g.arc) + ("°" if g.arc.value else ""), SMALL_PT),
                    _words(sure, SMALL_PT),
                ]
            )
            lead, sure = ["", ""], ""
        if not part.glances:
            rows.append([*lead, _words("no balloon was tried", SMALL_PT), "", "", "", "",
                         _words(sure, SMALL_PT)])  # fmt: skip
        style.append(("LINEABOVE", (0, first), (-1, first), 0.8, HexColor(MUTED)))
    for name, reason in unmeasured(report):
        row = len(rows)
        rows.append([_words(name, TYPE_PT, bold=True), _words(f"not measured: {reason}", SMALL_PT),
                     "", "", "", "", "", ""])  # fmt: skip
        style.append(("SPAN", (1, row), (-1, row)))
    if len(rows) == 1:
        return _words("No vein was measured; the notes say why.")
    shares = (0.1, 0.13, 0.1, 0.2, 0.2, 0.08, 0.07, 0.12)
    return Table(rows, colWidths=[share * width for share in shares], style=TableStyle(style))


def _origin(report: ReportInput) -> list[Flowable]:
    files = "; ".join(
        f"{file.role}{f' ({file.format})' if file.format else ''} SHA-256 {file.sha256}"
        for file in report.inputs
    )
    told = (
        f"Made {report.created} by veinfit {report.version}. Image date "
        f"{report.image_date or 'not stated'}; cardiac phase {report.cardiac_phase or 'not stated'}"
        f"; atrial volume {number(report.anatomy.volume_ml, 0)} ml. Inputs: {files or 'none'}. "
        "Settings, definitions and all notes: report.html. Lengths in mm, in the patient's frame "
        "(LPS)."
    )
    return [_words(told, SMALL_PT, MUTED)]


# ---- a vein ---------------------------------------------------------------------------------


def _vein_page(
    canvas: Canvas, size: tuple[float, float], report: ReportInput, part: VeinPart
) -> None:
    width, top = size[0] - 2 * MARGIN, size[1] - MARGIN
    title = part.vein.name + (f", {part.words}" if part.words else "")
    blocks: list[Flowable] = [_words(title, HEAD_PT, bold=True), Spacer(1, 1.5)]
    if part.branches:
        blocks.append(_words(f"Drains {part.branches}.", TYPE_PT))
    for column, fit, sentence in zip(part.columns, part.fits, part.sentences, strict=True):
        blocks.append(_labelled(f"{SIGNS[mark(fit)]} {column}:", f"{sentence}."))
    top = _place(canvas, blocks, MARGIN, top, width, 34 * mm) - 2 * mm
    if part.fits:
        top = _pictures(canvas, part.pictures, top, width, 66 * mm,
                        "No pictures were made of this vein.") - 2 * mm  # fmt: skip
    notes = _notes(part.notes, NOTES_ON_VEIN)
    notes_high = min(sum(_height(canvas, note, width) for note in notes), 42 * mm)
    bottom = MARGIN + FOOT + notes_high + 2 * mm
    left = 0.5 * (width - GUTTER)
    if _wide(part):
        _place(canvas, _tables(part, width), MARGIN, top, width, top - bottom)
    else:
        _place(canvas, _tables(part, left), MARGIN, top, left, top - bottom)
        _place(canvas, _drawings(part, left), MARGIN + left + GUTTER, top, left, top - bottom)
    _place(canvas, notes, MARGIN, bottom - 1 * mm, width, notes_high + 1 * mm)


def _tables(part: VeinPart, width: float) -> list[Flowable]:
    blocks: list[Flowable] = []
    if part.fits:
        count = len(part.fits)
        label = 0.46 if count < 3 else 0.34
        rows: list[list[Any]] = [["", *(_words(c, SMALL_PT, bold=True) for c in part.columns)]]
        style = list(_LINED)
        for group in part.groups:
            style += [("SPAN", (0, len(rows)), (-1, len(rows))),
                      ("BACKGROUND", (0, len(rows)), (-1, len(rows)), HexColor(TINT))]  # fmt: skip
            rows.append([_words(group.question, SMALL_PT, ACCENT, bold=True), *[""] * count])
            for row in group.rows:
                cells = [_words(_cell(cell), SMALL_PT) for cell in row.cells]
                rows.append([_words(_with_unit(row), SMALL_PT, MUTED), *cells])
        widths = [label * width, *[(1 - label) / count * width] * count]
        table = Table(rows, colWidths=widths, style=TableStyle(style), hAlign="LEFT")
        blocks += [table, Spacer(1, 2 * mm)]
    if not _continued(part):
        blocks += [*_beside(part), _measures(part, width)]
    return blocks


def _beside(part: VeinPart) -> list[Flowable]:
    blocks: list[Flowable] = []
    for side in part.comparisons:
        blocks.append(
            _words(f"{side.first} beside {side.second}, {side.approach}", SMALL_PT, bold=True)
        )
        for remark in side.remarks:
            tie = " (tie)" if remark.tie else ""
            blocks.append(_labelled(f"{remark.topic.capitalize()}:", remark.text + tie, SMALL_PT))
        if side.open_arcs:
            arcs = "; ".join(arc.words for arc in side.open_arcs)
            blocks.append(_labelled("Neither seals:", f"open with both: {arcs}.", SMALL_PT))
        blocks.append(Spacer(1, 2 * mm))
    return blocks


def _measures(part: VeinPart, width: float) -> Flowable:
    measured = [*part.measures, *part.certainty, *part.ridges]
    pairs = [[_with_unit(row), _cell(row.cells[0])] for row in measured]
    pairs.append(["Trunk length", part.trunk])
    return Table(
        [[_words(a, SMALL_PT, MUTED), _words(b, SMALL_PT)] for a, b in pairs],
        colWidths=[0.6 * width, 0.4 * width],
        style=TableStyle(list(_LINED)),
        hAlign="LEFT",
    )


def _wide(part: VeinPart) -> bool:
    """Whether a vein's table takes the page's whole width: balloons with several approaches."""
    return len(part.fits) > PICTURES_ACROSS


def _continued(part: VeinPart) -> bool:
    """Whether a vein has more to show than its page has room for."""
    return len(part.maps) > MAPS_ON_VEIN or _wide(part)


def _maps(maps: Sequence[tuple[str, str]], width: float) -> list[Flowable]:
    blocks: list[Flowable] = []
    for title, drawing in maps:
        blocks.append(_words(f"The wall unrolled: {title}", SMALL_PT, bold=True))
        blocks.append(Drawing(str(drawing), width))
    return blocks


def _map_page(canvas: Canvas, size: tuple[float, float], part: VeinPart) -> None:
    """Draw a vein's second page: the unrolled maps, the words and the measures."""
    width, top = size[0] - 2 * MARGIN, size[1] - MARGIN
    title = [
        _words(f"{part.vein.name}, continued", HEAD_PT, bold=True),
        _words(MAP_KEY, SMALL_PT, MUTED),
        Spacer(1, 2 * mm),
    ]
    top = _place(canvas, title, MARGIN, top, width, 20 * mm)
    across = 0.5 * (width - GUTTER)
    beside = _drawings(part, across) if _wide(part) else []
    beside += [*_beside(part), _measures(part, across)]
    for x, blocks in ((MARGIN, _maps(part.maps, across)), (MARGIN + across + GUTTER, beside)):
        _place(canvas, blocks, x, top, across, top - MARGIN - FOOT)


def _drawings(part: VeinPart, width: float) -> list[Flowable]:
    blocks: list[Flowable] = []

    def add(title: str, *drawings: str) -> None:
        blocks.append(_words(title, SMALL_PT, bold=True))
        blocks.extend(Drawing(str(drawing), width) for drawing in drawings)
        blocks.append(Spacer(1, 1 * mm))

    if part.gaps:
        add("Where not? The gap around the clock, seen from the atrium", part.gaps)
    if not _continued(part):
        blocks += _maps(part.maps, width)
        if part.maps:
            blocks += [_words(MAP_KEY, SMALL_PT, MUTED), Spacer(1, 1 * mm)]
    beside = [Drawing(str(part.ostium), 0.48 * width)]
    if part.profile:
        beside.append(Drawing(str(part.profile), 0.5 * width))
    blocks.append(_words("The ostium to scale, and the area along the vein", SMALL_PT, bold=True))
    blocks.append(Table([beside], style=_BARE, hAlign="LEFT"))
    return blocks


# ---- parts ----------------------------------------------------------------------------------


_BARE = TableStyle(
    [("VALIGN", (0, 0), (-1, -1), "TOP"), *((f"{side}PADDING", (0, 0), (-1, -1), 0)
     for side in ("LEFT", "RIGHT", "TOP", "BOTTOM"))]
)  # fmt: skip
_LINED = (
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(LINE)),
    ("LEFTPADDING", (0, 0), (-1, -1), 2),
    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
    ("TOPPADDING", (0, 0), (-1, -1), 0.8),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.4),
    # Of empty cells, which else are as high as a line of the library's own type.
    ("FONTSIZE", (0, 0), (-1, -1), 1),
    ("LEADING", (0, 0), (-1, -1), 1),
)


def _with_unit(row: Row) -> str:
    return row.label if row.unit in ("", "1") else f"{row.label}, {row.unit}"


def _cell(cell: Cell) -> str:
    return f"{cell.text} {cell.reason}" if not cell.value and cell.reason else cell.text


def _note_colour(note: Note) -> str:
    return {"info": INK, "caution": WARN, "warning": ALARM}[note.severity]


def _notes(notes: Sequence[Note], most: int) -> list[Flowable]:
    blocks: list[Flowable] = []
    for note in notes[:most]:
        about = f" on {note.subject}" if note.subject else ""
        label = f"{note.kind}{about} ({note.stage}):"
        blocks.append(_labelled(label, note.text, SMALL_PT, _note_colour(note)))
    if len(notes) > most:
        blocks.append(_words(f"{len(notes) - most} more notes are in report.html.", SMALL_PT))
    return blocks


def _pictures(
    canvas: Canvas,
    pictures: Sequence[ShownPicture],
    top: float,
    width: float,
    height: float,
    missing: str,
) -> float:
    """Put pictures beside each other, all alike; return where they end."""
    if not pictures:
        return _place(canvas, [_words(missing, TYPE_PT, MUTED)], MARGIN, top, width, 8 * mm)
    count = min(len(pictures), PICTURES_ACROSS)
    across = (width - (count - 1) * 3 * mm) / count
    cells: list[Any] = [_picture(shown, across, height) for shown in pictures]
    cells += [""] * (-len(cells) % count)
    rows = [cells[k : k + count] for k in range(0, len(cells), count)]
    widths = [across + 3 * mm] * (count - 1) + [across]
    table = Table(rows, colWidths=widths, style=_BARE, hAlign="LEFT")
    return _place(canvas, [table], MARGIN, top, width, len(rows) * (height + 6 * mm))


def _picture(shown: ShownPicture, width: float, height: float) -> Flowable:
    content = shown.content
    if content is None:
        return _words(f"The picture {shown.picture.file} is missing.", SMALL_PT, MUTED)
    wide, high = ImageReader(io.BytesIO(content)).getSize()
    scale = min(width / wide, height / high)
    return PageImage(io.BytesIO(_jpeg(content)), scale * wide, scale * high)


def _jpeg(content: bytes) -> bytes:
    from PIL import Image

    stream = io.BytesIO()
    with Image.open(io.BytesIO(content)) as image:
        image.convert("RGB").save(stream, format="JPEG", quality=PICTURE_QUALITY, subsampling=0)
    return stream.getvalue()
