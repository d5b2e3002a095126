"""A signature in the lower margin of a finished report, as poppler reads it."""

from __future__ import annotations

import subprocess

import pytest
from printed import pages_of, tool, words_of
from report.inputs import report_of

from veinfit.errors import InputError
from veinfit.report.paper.pdf import write_pdf
from veinfit.report.paper.stamp import NO_ROOM, stamped

LINES = (
    "Signed by Ærøskøbing Łucja (reader 1), 2026-11-29 14:03 UTC+1.",
    "SHA-256 of the results " + "0123456789abcdef" * 4,
)


@pytest.fixture(scope="module")
def pdf(anatomy, fits) -> bytes:
    return write_pdf(report_of(anatomy, fits))


def test_every_page_says_who_signed_and_nothing_else_is_changed(pdf, tmp_path):
    signed = stamped(pdf, LINES)
    assert signed.startswith(pdf)
    before, after = pages_of(pdf, tmp_path), pages_of(signed, tmp_path)
    assert len(before) == len(after)
    for plain, page in zip(before, after, strict=True):
        assert all(line in page and line not in plain for line in LINES)
        rest = page
        for line in LINES:
            rest = rest.replace(line, "")
        assert sorted(rest.split()) == sorted(plain.split())
    for (width, height), words in words_of(signed, tmp_path):
        for left, top, right, bottom, _ in words:
            assert left >= 0 and right <= width and top >= 0 and bottom <= height - 8
    # The file is whole for a reader that repairs nothing.
    told = subprocess.run(
        [tool("pdfinfo"), "-struct-text", str(tmp_path / "boxes.pdf")],
        capture_output=True,
        encoding="utf-8",
    )
    assert told.stderr == "" and LINES[0] in " ".join(told.stdout.split())


def test_a_line_that_is_too_long_stays_on_the_page(pdf, tmp_path):
    signed = stamped(pdf, ["W" * 300, "\u4e00\U0001f600 <b>&"])
    (width, _), words = words_of(signed, tmp_path)[0]
    (long,) = [word for word in words if word[4].startswith("WWWW")]
    assert long[2] <= width - 30
    # Signs that the font does not have.
    assert "?? <b>&" in pages_of(signed, tmp_path)[0]


def test_a_file_without_room_is_refused(pdf):
    with pytest.raises(InputError, match="no room for a signature"):
        stamped(pdf.replace(b"FormXob", b"OtherXo"), LINES)
    with pytest.raises(InputError) as told:
        stamped(b"%PDF-1.4 nothing", LINES)
    assert str(told.value) == NO_ROOM
