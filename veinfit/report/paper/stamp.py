"""A signature on a report that is finished: not one of its bytes is changed.

What is printed is added behind the file as ISO 32000-1, 7.5.6 has it for updates: the one object
that every page draws in its lower margin, empty when the report is written, is given again.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from functools import lru_cache

from reportlab.lib.colors import HexColor
from reportlab.pdfbase.ttfonts import TTFontFace, makeToUnicodeCMap
from reportlab.pdfgen.canvas import Canvas

from veinfit.errors import InputError
from veinfit.report.colours import INK
from veinfit.report.paper.fonts import PLAIN_FILE, font_file
from veinfit.report.paper.paper_drawing import SMALLEST_PT
from veinfit.report.render.drawing import printable

ROOM = "signature"
"""Name of the empty room in the lower margin of every page."""

ROOM_PT = 2.5 * SMALLEST_PT
"""Its height: two lines."""

LEADING = 1.2
MOST_SIGNS = 255
"""A font of one byte a sign has no more."""

LAST_SIGN = 0xFFFF
"""Greatest code that the library tells readers of."""

NO_ROOM = (
    "the PDF of these results has no room for a signature: it was written by an earlier version; "
    "run the case again, look it over, then sign"
)


def leave_room(canvas: Canvas, left: float, bottom: float, width: float) -> None:
    """Draw the empty room of a signature on a page."""
    if not canvas.hasForm(ROOM):
        canvas.beginForm(ROOM, 0, 0, width, ROOM_PT)
        # The library fills a form without content with words of its own.
        canvas.setLineWidth(0)
        canvas.endForm()
    canvas.saveState()
    canvas.translate(left, bottom)
    canvas.doForm(ROOM)
    canvas.restoreState()


def stamped(pdf: bytes, lines: Sequence[str]) -> bytes:
    """Return a report with lines of text in the room that it left for them on every page.

    Parameters
    ----------
    pdf : bytes
        As :func:`veinfit.report.paper.pdf.write_pdf` returns it; the result begins with it.
    lines : sequence of str
        At most two.

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        It has no such room.
    """
    found = re.search(rb"/FormXob\.%s (\d+) 0 R" % ROOM.encode(), pdf)
    tail = pdf[pdf.rfind(b"trailer") :]
    before = re.search(rb"startxref\s+(\d+)", tail)
    kept = [re.search(rb"/%s (\d+ \d+ R)" % name, tail) for name in (b"Root", b"Info")]
    size, width = re.search(rb"/Size (\d+)", tail), None
    if found:
        at = pdf.find(b"\n%s 0 obj" % found[1])
        width = re.search(rb"/BBox \[ 0 0 ([\d.]+) ", pdf[at : at + 400])
    if not (found and before and size and width and all(kept)):
        raise InputError(NO_ROOM)
    room, first = int(found[1]), int(size[1])
    face = _face()
    told = [_known(line, face) for line in lines]
    signs = [ord(c) for c in dict.fromkeys(" " + "".join(told))][:MOST_SIGNS]
    font, descriptor, program, meaning = range(first, first + 4)
    widths = " ".join(f"{face.getCharWidth(code):.0f}" for code in signs)
    box = " ".join(f"{v:.0f}" for v in face.bbox)
    subset = face.makeSubset(signs)
    objects = {
        room: _stream(
            f"/Type /XObject /Subtype /Form /BBox [0 0 {width[1].decode()} {ROOM_PT:g}] "
            f"/Resources << /Font << /S {font} 0 R >> >>",
            _drawn(told, signs, face, float(width[1])),
        ),
        font: (
            f"<< /Type /Font /Subtype /TrueType /BaseFont /SIGNED+DejaVuSans /FirstChar 0 "
            f"/LastChar {len(signs) - 1} /Widths [{widths}] /FontDescriptor {descriptor} 0 R "
            f"/ToUnicode {meaning} 0 R >>"
        ).encode(),
        descriptor: (
            f"<< /Type /FontDescriptor /FontName /SIGNED+DejaVuSans /Flags 4 /FontBBox [{box}] "
            f"/ItalicAngle 0 /Ascent {face.ascent:.0f} /Descent {face.descent:.0f} "
            f"/CapHeight {face.capHeight:.0f} /StemV {face.stemV:.0f} "
            f"/FontFile2 {program} 0 R >>"
        ).encode(),
        program: _stream(f"/Length1 {len(subset)}", subset),
        meaning: _stream("", makeToUnicodeCMap("SIGNED+DejaVuSans", signs).encode()),
    }
    return _updated(pdf, objects, first + 4, before[1], [one[0] for one in kept if one])


@lru_cache
def _face() -> TTFontFace:
    return TTFontFace(font_file(PLAIN_FILE))


def _known(line: str, face: TTFontFace) -> str:
    """Return a line of signs that the font has."""
    has = face.charToGlyph
    return "".join(c if ord(c) in has and ord(c) <= LAST_SIGN else "?" for c in printable(line))


def _drawn(lines: Sequence[str], signs: list[int], face: TTFontFace, width: float) -> bytes:
    """Return the operators that write lines, the first uppermost, none wider than the room."""
    code = {sign: k for k, sign in enumerate(signs)}
    ink = " ".join(f"{c:.3f}" for c in HexColor(INK).rgb())
    drawn = [f"{ink} rg"]
    for k, line in enumerate(lines, 1):
        # What no longer fits into the font is written as its first sign, a blank.
        codes = [code.get(ord(c), 0) for c in line]
        wide = sum(face.getCharWidth(signs[c]) for c in codes) / 1000
        type_pt = min(SMALLEST_PT, width / wide) if wide else SMALLEST_PT
        text = "".join(f"{c:02X}" for c in codes)
        y = ROOM_PT - LEADING * SMALLEST_PT * k + 0.3 * SMALLEST_PT
        drawn.append(f"BT /S {type_pt:.2f} Tf 0 {y:.2f} Td <{text}> Tj ET")
    return "\n".join(drawn).encode()


def _stream(entries: str, content: bytes) -> bytes:
    packed = zlib.compress(content, 9)
    head = f"<< {entries} /Filter /FlateDecode /Length {len(packed)} >>\nstream\n"
    return head.encode() + packed + b"\nendstream"


def _updated(
    pdf: bytes, objects: dict[int, bytes], size: int, before: bytes, entries: list[bytes]
) -> bytes:
    """Return the file with objects added or given again behind it."""
    out = bytearray(pdf if pdf.endswith(b"\n") else pdf + b"\n")
    places = {}
    for number, content in objects.items():
        places[number] = len(out)
        out += b"%d 0 obj\n%s\nendobj\n" % (number, content)
    at = len(out)
    out += b"xref\n"
    for number in sorted(places):
        out += b"%d 1\n%010d 00000 n \n" % (number, places[number])
    told = b" ".join(entries)
    out += b"trailer\n<< /Size %d %s /Prev %s >>\n" % (size, told, before)
    out += b"startxref\n%d\n%%%%EOF\n" % at
    return bytes(out)
