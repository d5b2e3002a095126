"""Blocks of the printed report: words, tables, notes and pictures."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, Spacer, TableStyle

from veinfit.notes import Note
from veinfit.report.answers.tables import Row
from veinfit.report.colours import ALARM, INK, MUTED, GapBand
from veinfit.report.paper.fonts import BOLD_FILE, PLAIN_FILE, font_file
from veinfit.report.paper.paper_drawing import BOLD, PLAIN, SMALLEST_PT, on_paper
from veinfit.report.paper.tagged import Figures, Layout, Photo, Text
from veinfit.report.pictures.fit_picture import PAPER_QUALITY, fit_layout
from veinfit.report.pictures.overview import overview_layout
from veinfit.report.pictures.shown import ShownPicture
from veinfit.report.render.drawing import Area, Drawing, Shape, Words, printable

TYPE_PT, SMALL_PT, HEAD_PT, TITLE_PT = 9.0, SMALLEST_PT, 13.0, 17.0
"""Type sizes."""

ACCENT, LINE, TINT, WARN = "#0d5563", "#c6cdd3", "#eef3f4", "#7a3b00"

GUTTER = 5 * mm

PICTURES_ACROSS = 2
"""So many pictures stand beside each other; more take a further row."""

PICTURES_AT_HAND = 32
"""So many pictures are kept for the second round, in which pages have their numbers."""

BARE = TableStyle(
    [("VALIGN", (0, 0), (-1, -1), "TOP"), *((f"{side}PADDING", (0, 0), (-1, -1), 0)
     for side in ("LEFT", "RIGHT", "TOP", "BOTTOM"))]
)  # fmt: skip
LINED = (
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(LINE)),
    ("LEFTPADDING", (0, 0), (-1, -1), 2),
    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
    ("TOPPADDING", (0, 0), (-1, -1), 0.4),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
    # Of empty cells, which else are as high as a line of the library's own type.
    ("FONTNAME", (0, 0), (-1, -1), PLAIN),
    ("FONTSIZE", (0, 0), (-1, -1), SMALLEST_PT),
    ("LEADING", (0, 0), (-1, -1), SMALLEST_PT),
)


def register_fonts() -> None:
    """Make the two fonts known to the library."""
    if PLAIN in pdfmetrics.getRegisteredFontNames():
        return
    for name, file in ((PLAIN, PLAIN_FILE), (BOLD, BOLD_FILE)):
        pdfmetrics.registerFont(TTFont(name, font_file(file)))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)


class Bookmark(Flowable):  # type: ignore[misc]
    """An entry of the document's outline: takes no room."""

    def __init__(self, key: str, title: str) -> None:
        super().__init__()
        self.key, self.title, self.width, self.height = key, printable(title), 0.0, 0.0

    def draw(self) -> None:
        """Name the place where the block came to stand."""
        self.canv.bookmarkHorizontal(self.key, 0, 12)
        self.canv.addOutlineEntry(self.title, self.key, 0, 0)


def _style(size: float, colour: str = INK, *, bold: bool = False) -> ParagraphStyle:
    return ParagraphStyle(
        "x", fontName=BOLD if bold else PLAIN, fontSize=size, leading=1.2 * size,
        textColor=HexColor(colour), splitLongWords=1,
    )  # fmt: skip


def words(
    text: str, size: float = TYPE_PT, colour: str = INK, *, bold: bool = False, role: str = "P"
) -> Text:
    """Return text as a block; nothing in it is markup; ``role`` tells a heading."""
    block = Text(escape(printable(text)), _style(size, colour, bold=bold))
    block.role = role
    return block


def labelled(*pairs: tuple[str, str], size: float = TYPE_PT, colour: str = INK) -> Text:
    """Return texts in one block, each after a label in bold."""
    told = " ".join(
        f"<b>{escape(printable(label))}</b> {escape(printable(text))}" for label, text in pairs
    )
    return Text(told, _style(size, colour))


def columns(
    blocks: Sequence[Sequence[Flowable]], widths: Sequence[float], gap: float = 0.0
) -> Layout:
    """Put columns of blocks beside each other; ``gap`` is left free in all but the last."""
    free = [("RIGHTPADDING", (0, 0), (-2, -1), gap)] if gap else []
    style = TableStyle([*BARE.getCommands(), *free])
    return Layout([list(map(list, blocks))], colWidths=list(widths), style=style, hAlign="LEFT")


def rows_of(blocks: Sequence[Sequence[Flowable]], width: float, across: int) -> list[Flowable]:
    """Put blocks beside each other, ``across`` to a row."""
    each = (width - (across - 1) * GUTTER) / across
    widths = [*[each + GUTTER] * (across - 1), each]
    filled = [*blocks, *[[]] * (-len(blocks) % across)]
    return [
        columns(filled[k : k + across], widths, gap=GUTTER) for k in range(0, len(filled), across)
    ]


def gap_key(bands: Sequence[GapBand]) -> Flowable:
    """Return the colours of the gap and what they stand for, in one line."""
    shapes: list[Shape] = [Words(0, 13, "Gap, mm", bold=True)]
    x = 76.0
    for band in bands:
        shapes.append(Area(x, 2, 22, 13, band.colour))
        shapes.append(Words(x + 27, 13, band.label))
        x += 27 + 7.4 * len(band.label) + 16
    return on_paper(Drawing(x, 18, tuple(shapes), "Colours of the gap"), 10_000)


def with_unit(row: Row) -> str:
    """Name a line of a table with its unit."""
    return row.label if row.unit in ("", "1") else f"{row.label}, {row.unit}"


def measures_table(rows: Sequence[Row], more: Mapping[str, str], width: float) -> Figures:
    """Return lines of one value each; ``more`` are lines of words."""
    pairs = [(with_unit(row), row.cells[0].words) for row in rows] + list(more.items())
    return Figures(
        [[words(a, SMALL_PT, MUTED), words(b, SMALL_PT)] for a, b in pairs],
        colWidths=[0.7 * width, 0.3 * width],
        style=TableStyle(list(LINED)),
        hAlign="LEFT",
    )


def note_blocks(notes: Sequence[Note], most: int) -> list[Flowable]:
    """Return notes, cautions first as they come; those beyond ``most`` are counted."""
    blocks: list[Flowable] = []
    for note in notes[:most]:
        about = f" on {note.subject}" if note.subject else ""
        label = f"{note.kind}{about} ({note.stage}):"
        blocks.append(labelled((label, note.text), size=SMALL_PT, colour=note_colour(note)))
    if len(notes) > most:
        blocks.append(words(f"{len(notes) - most} more notes are in report.html.", SMALL_PT))
    return blocks


def note_colour(note: Note) -> str:
    """Return the colour of a note's words."""
    return {"info": INK, "caution": WARN, "warning": ALARM}[note.severity]


def picture_rows(
    pictures: Sequence[ShownPicture], width: float, height: float, missing: str
) -> list[Flowable]:
    """Put pictures beside each other, all alike."""
    if not pictures:
        return [words(missing, TYPE_PT, MUTED)]
    count = min(len(pictures), PICTURES_ACROSS)
    across = (width - (count - 1) * 3 * mm) / count
    cells: list[Any] = [_picture(shown, across, height) for shown in pictures]
    cells += [""] * (-len(cells) % count)
    rows = [cells[k : k + count] for k in range(0, len(cells), count)]
    widths = [across + 3 * mm] * (count - 1) + [across]
    return [Layout(rows, colWidths=widths, style=BARE, hAlign="LEFT"), Spacer(1, 2 * mm)]


def _picture(shown: ShownPicture, width: float, height: float) -> Flowable:
    if shown.content is None:
        return words(f"The picture {shown.picture.file} is missing.", SMALL_PT, MUTED)
    content, wide, high = _views(shown)
    scale = min(width / wide, height / high)
    photo = Photo(io.BytesIO(content), scale * wide, scale * high)
    photo.alt = shown.picture.alt
    return photo


@lru_cache(maxsize=PICTURES_AT_HAND)
def _views(shown: ShownPicture) -> tuple[bytes, int, int]:
    """Return the views of a picture alone as JPEG: what is written about them is in the text."""
    from PIL import Image

    stream = io.BytesIO()
    paper, warned = shown.picture.paper, shown.picture.warned
    with Image.open(io.BytesIO(paper or shown.content or b"")) as image:
        size = image.size
        if paper and image.format == "JPEG":
            return paper, *size
        if paper:
            image.convert("RGB").save(stream, "JPEG", quality=PAPER_QUALITY, subsampling=0)
            return stream.getvalue(), *size
        first, last = (
            overview_layout(size, warned).areas
            if not shown.picture.vein
            else (fit_layout(size, warned).side, fit_layout(size, warned).axial)
        )
        views = image.convert("RGB").crop(
            (int(first.left), int(first.top), int(last.right) + 1, int(last.bottom) + 1)
        )
        views.save(stream, format="JPEG", quality=PAPER_QUALITY, subsampling=0)
    return stream.getvalue(), *views.size


def titled(title: str, drawing: Drawing, width: float) -> list[Flowable]:
    """Return a drawing under its title."""
    return [words(title, SMALL_PT, bold=True, role="H3"), on_paper(drawing, width)]
