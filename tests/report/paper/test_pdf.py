"""The printed report: its pages, its words, and that nothing lies over anything else."""

from __future__ import annotations

import io
import re
import subprocess
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from printed import overlaps, pages_of, tool, words_of
from report.inputs import report_of
from reportlab.graphics import shapes
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from veinfit.anatomy.model import Anatomy, AppliedCorrection
from veinfit.notes import Note
from veinfit.report.answers.parts import vein_parts
from veinfit.report.charts.image_planes import TITLE
from veinfit.report.model import Picture
from veinfit.report.paper.paper_drawing import PLAIN, SMALLEST_PT, on_paper
from veinfit.report.paper.pdf import MARGIN, PAPERS, write_pdf
from veinfit.report.paper.pdf_blocks import PICTURES_ACROSS, register_fonts
from veinfit.report.pictures.fit_picture import PAPER_SHARE
from veinfit.report.practice import HELD_OUT
from veinfit.result.provenance import InputFile
from veinfit.seating.further import BestCrossing, CrossingPlace, Crossings
from veinfit.seating.model import Fit
from veinfit.settings import Settings


@pytest.fixture(scope="module")
def printed(anatomy: Anatomy, fits: tuple[Fit, ...]) -> bytes:
    return write_pdf(report_of(anatomy, fits))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_page_of_summary_and_two_a_vein(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path, paper: Any
) -> None:
    pdf = write_pdf(report_of(anatomy, fits), paper)
    pages = pages_of(pdf, tmp_path)
    assert len(pages) == 9
    for size, _ in words_of(pdf, tmp_path):
        assert np.allclose(size, PAPERS[paper], atol=0.5)
    for k, page in enumerate(pages, start=1):
        assert f"{k} of 9" in page and "not a medical device" in page
    for first, second, name in zip(
        pages[1::2], pages[2::2], ("LSPV", "LIPV", "RSPV", "RIPV"), strict=True
    ):
        assert first.startswith(name) and second.startswith(f"{name}, continued")


@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_neighbours_and_notes_take_no_further_page(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path, paper: Any
) -> None:
    """On the lower of the two papers tables left a first page half empty, words began a fourth."""
    near = {f"neighbour {k}": 4.2 for k in range(12)}
    fits = tuple(replace(fit, distances_mm=near) for fit in fits)
    notes = [Note("ostium", "the wall shows no clear turn " * 3, v.name, "caution")
             for v in anatomy.veins for _ in range(2)]  # fmt: skip
    Image.new("RGB", (1200, 900), "#dddddd").save(tmp_path / "x.png")
    report = report_of(
        anatomy, fits, notes=tuple(notes), folder=tmp_path,
        pictures=tuple(Picture("x.png", fit.vein, fit.balloon, "c", "a") for fit in fits),
        structures={name: anatomy.wall for name in near},
    )  # fmt: skip
    pages = pages_of(write_pdf(report, paper), tmp_path)
    begun = [re.match(r"([LR][SI]PV),", page) for page in pages]
    assert [found[1] for found in begun if found] == [
        name for name in ("LSPV", "LIPV", "RSPV", "RIPV") for _ in range(2)
    ]
    first = next(k for k, found in enumerate(begun) if found)
    assert all(begun[first:])


@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_the_number_of_a_page_stands_apart_on_the_line_of_the_foot(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path, paper: Any
) -> None:
    """It touched the last word of some names, and stood a quarter of a line higher."""
    for length in range(4, 16):
        report = report_of(anatomy, fits[:1], case_id="x" * length)
        for (_, _), words in words_of(write_pdf(report, paper), tmp_path)[:1]:
            at = next(k for k, word in enumerate(words) if word[4] == "of" and word[1] > 700)
            left, _, _, bottom, number = words[at - 1]
            beside = [w for w in words if abs(w[3] - bottom) < 4 and w[2] <= left]
            assert number == "1" and len(beside) > 8
            assert max(w[2] for w in beside) < left - 5
            assert all(w[3] == pytest.approx(bottom, abs=0.05) for w in beside)


def test_title_language_outline_and_metadata_are_there(printed: bytes, tmp_path: Path) -> None:
    (tmp_path / "m.pdf").write_bytes(printed)
    told = subprocess.run(
        [tool("pdfinfo"), str(tmp_path / "m.pdf")], capture_output=True, check=True, text=True
    ).stdout
    assert re.search(r"Title: +Balloon seats, Larkmoor test", told)
    assert re.search(r"Subject: +Predicted balloon seats", told)
    assert re.search(r"Creator: +veinfit 0.1.0", told)
    assert b"/Lang (en)" in printed and b"/DisplayDocTitle true" in printed
    assert printed.count(b"/Title (Summary)") == 1
    for name in (b"LSPV", b"LIPV", b"RSPV", b"RIPV"):
        assert printed.count(b"/Title (" + name + b")") == 1


def structure(pdf: bytes, folder: Path, *, words: bool = False) -> str:
    """The structure tree as another program reads it: pdfinfo of poppler."""
    (folder / "s.pdf").write_bytes(pdf)
    option = "-struct-text" if words else "-struct"
    return subprocess.run(
        [tool("pdfinfo"), option, str(folder / "s.pdf")], capture_output=True, check=True
    ).stdout.decode()


def test_headings_tables_and_figures_are_told_to_readers_aloud(
    anatomy: Anatomy, fits: tuple[Fit, ...], printed: bytes, tmp_path: Path
) -> None:
    tree = structure(printed, tmp_path)
    assert tree.count("H1 (block)") == 1 and tree.count("H2 (block)") == 2 * 4
    assert tree.count("/Scope /Column") == len(fits)
    assert "/ColSpan 3" in tree and tree.count("TR\n") > 60
    said = structure(printed, tmp_path, words=True)
    row = re.search(r'"Leak width or gap, mm"\n +TD\n +P \(block\)\n +"([\d.]+)"', said)
    assert row and float(row[1]) == pytest.approx(fits[0].leak_width_mm, abs=0.05)
    # Every word that is seen is told, but for the foot of each page.
    feet = r"Larkmoor test\. A planning aid.*?\d of 9"
    seen = re.sub(feet, "", " ".join(pages_of(printed, tmp_path)), flags=re.DOTALL)
    told = re.sub(r"\s", "", "".join(re.findall(r'"(.*)"', said)))
    lost = [word for word in seen.split() if word not in told]
    assert lost == []
    # Marks are closed and no two on a page share a number.
    for packed in re.findall(rb"stream\r?\n(.*?)endstream", printed, re.DOTALL):
        try:
            content = zlib.decompress(packed.strip(b"\r\n"))
        except zlib.error:
            continue
        numbers = re.findall(rb"/MCID (\d+)>> BDC", content)
        assert len(numbers) == len(set(numbers))
        begun = len(numbers) + content.count(b"/Artifact BMC")
        assert content.count(b"EMC") == begun


def font_sizes(pdf: bytes) -> set[float]:
    """Sizes of every font that a page or a drawing asks for, from the file's own streams."""
    found = set()
    for packed in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        try:
            content = zlib.decompress(packed.strip(b"\r\n"))
        except zlib.error:
            continue  # a picture
        found |= {float(n) for n in re.findall(rb"/F[\w+]+ ([\d.]+) Tf", content)}
    return found


def test_no_font_is_smaller_than_eight_points(printed: bytes, tmp_path: Path) -> None:
    sizes = font_sizes(printed)
    # The file holds six decimals: 7.999999 is eight points.
    assert len(sizes) >= 4 and min(sizes) >= 8.0 - 1e-5
    # And as it is seen: no word is lower than one of eight points, measured by the same tool.
    register_fonts()
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=PAPERS["a4"])
    canvas.setFont(PLAIN, 8.0)
    canvas.drawString(100, 100, "eight")
    canvas.save()
    ((_, ((_, top, _, bottom, _),)),) = words_of(stream.getvalue(), tmp_path)
    for _, words in words_of(printed, tmp_path):
        for left, high, right, low, text in words:
            # A line that runs upward is as wide as a word is high.
            assert min(low - high, right - left) >= bottom - top - 0.05 or len(text) < 3, text
            assert low - high >= bottom - top - 0.05, text


@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_the_writing_in_pictures_is_eight_points_too(paper: Any) -> None:
    """Two pictures beside each other share a page's width, less what parts them."""
    across = (PAPERS[paper][0] - 2 * MARGIN - 3 * mm) / PICTURES_ACROSS
    assert PAPER_SHARE * across >= SMALLEST_PT


def test_a_picture_made_for_paper_stands_there_whole(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    stream = io.BytesIO()
    Image.new("RGB", (321, 123), "#808080").save(stream, format="PNG")
    picture = Picture("p.png", "LSPV", "28 mm", "", "a picture", paper=stream.getvalue())
    (tmp_path / "p.png").write_bytes(stream.getvalue())
    pdf = write_pdf(report_of(anatomy, fits[:1], pictures=(picture,), folder=tmp_path))
    (tmp_path / "p.pdf").write_bytes(pdf)
    told = subprocess.run(
        [tool("pdfimages"), "-list", str(tmp_path / "p.pdf")],
        capture_output=True, check=True, text=True,
    ).stdout  # fmt: skip
    assert re.search(r"image +321 +123 ", told)


def test_planes_of_the_image_stand_at_the_end_as_wide_as_the_page(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    stream = io.BytesIO()
    Image.new("RGB", (1200, 430), "#808080").save(stream, format="PNG")
    (tmp_path / "p.png").write_bytes(stream.getvalue())
    planes = Picture("p.png", "LSPV", TITLE, "Squares of 60 mm.", "x", paper=stream.getvalue())
    plain = pages_of(write_pdf(report_of(anatomy, fits)), tmp_path)
    pdf = write_pdf(report_of(anatomy, fits, pictures=(planes,), folder=tmp_path))
    pages = pages_of(pdf, tmp_path)
    # Without an image nothing changes; with one, there are pages behind the others.
    assert len(pages) == len(plain) + 1 and not any(TITLE in page for page in plain)
    assert "The veins on the image" in pages[-1] and "Squares of 60 mm." in pages[-1]
    (tmp_path / "p.pdf").write_bytes(pdf)
    command = [tool("pdfimages"), "-list", str(tmp_path / "p.pdf")]
    told = subprocess.run(command, capture_output=True, check=True, text=True).stdout
    (row,) = (line.split() for line in told.splitlines() if " 1200 " in line)
    # 1200 pixels over the width of the page: pixels an inch.
    width = PAPERS["a4"][0] - 2 * MARGIN
    assert float(row[12]) == pytest.approx(1200 / (width / 72), abs=1.0)


@pytest.mark.slow
def test_the_map_of_the_septum_is_on_paper(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    places = tuple(CrossingPlace(0.0, y, 0.0, "28 mm", 2.0 + 0.1 * y, {}) for y in (0.0, 5.0, -5.0))
    best = BestCrossing("28 mm", 0.0, 5.0, 0.0, 2.5, 2.0, 0.5)
    report = report_of(anatomy, fits, crossings=Crossings(places, (best,), True))
    text = " ".join(pages_of(write_pdf(report), tmp_path)[:2])
    assert "Where the septum is crossed" in text and "the estimated place" in text
    assert {"2.00", "2.50", "1.50"} <= set(re.findall(r"\d\.\d\d", text))


@pytest.mark.slow
def test_the_map_of_the_septum_is_on_the_page_of_its_title(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    """Whatever stands before it: title and key ended one page, the map began the next."""
    grid = [(x, y) for x in range(-15, 20, 5) for y in range(-15, 20, 5)]
    places = tuple(
        CrossingPlace(0.0, x, y, "28 mm", 2.0 + 0.01 * x, dict.fromkeys(("LSPV",), 1.0))
        for x, y in grid
    )
    crossings = Crossings(places, (BestCrossing("28 mm", 0.0, 15.0, 0.0, 2.15, 2.0, 0.5),), True)
    vein, *_ = anatomy.veins
    apart = set()
    for lines in range(0, 44, 4):
        one = AppliedCorrection(
            vein.name, "ostium moved", who="reader 2", why="seen otherwise " * 8 * lines,
            automatic=vein, corrected=vein,
        )  # fmt: skip
        told = replace(anatomy, corrections=(one,))
        pages = pages_of(write_pdf(report_of(told, fits, crossings=crossings), parts=()), tmp_path)
        at = [
            [k for k, page in enumerate(pages) if words in page]
            for words in ("Where the septum is crossed", "5 mm from the best")
        ]
        assert at[0] == at[1] and len(at[0]) == 1, lines
        apart.add(at[0][0])
    assert apart == {0, 1}


def test_the_overview_says_from_where_it_is_seen_and_what_its_lines_are(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    report = report_of(anatomy, fits, folder=tmp_path)
    key = "Left: from behind. Right: from the front. Sizes are d_max × d_min of the ostium."
    assert not any(key in page for page in pages_of(write_pdf(report), tmp_path))
    Image.new("RGB", (1200, 900)).save(tmp_path / "overview.png")
    overview = (Picture("overview.png", "", "", "c", "a"),)
    first, second, *_ = pages_of(write_pdf(replace(report, pictures=overview)), tmp_path)
    assert key in " ".join(first.split()) + " ".join(second.split())


def test_maps_that_paper_has_no_room_for_are_said_to_be_elsewhere(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    report = report_of(anatomy, fits)
    part, *others = vein_parts(report)
    assert part.narrow_maps
    several = tuple((f"{k + 1} seats together", part.ostium) for k in range(3))
    parts = (replace(part, further=several), *others)
    text = " ".join(pages_of(write_pdf(report, parts=parts), tmp_path))
    assert text.count("The wall unrolled is in report.html.") == 1
    assert text.count("The wall unrolled: 28") == len(others)


def test_the_same_input_gives_the_same_bytes(
    anatomy: Anatomy, fits: tuple[Fit, ...], printed: bytes
) -> None:
    assert write_pdf(report_of(anatomy, fits)) == printed


def test_the_summary_answers_for_every_fit(
    anatomy: Anatomy, fits: tuple[Fit, ...], printed: bytes, tmp_path: Path
) -> None:
    summary = pages_of(printed, tmp_path)[0]
    told = re.findall(r"([●◐○–]) (28|31) mm (not assessed|likely|uncertain|unlikely)", summary)
    assert told == [("–", f"{fit.balloon_mm:g}", "not assessed") for fit in fits]
    likely = tuple(replace(fit, seal_probability=0.11 * k) for k, fit in enumerate(fits, start=1))
    summary = pages_of(write_pdf(report_of(anatomy, likely)), tmp_path)[0]
    told = re.findall(r"([●◐○]) (?:28|31) mm (likely|uncertain|unlikely) ([\d.]+)", summary)
    assert [float(n) for *_, n in told] == pytest.approx([0.11 * k for k in range(1, 9)])
    assert [(sign, word) for sign, word, _ in told] == (
        [("○", "unlikely")] * 3 + [("◐", "uncertain")] * 2 + [("●", "likely")] * 3
    )
    assert "ab" * 32 in summary.replace(" ", "")
    assert "coaxial approach, which is assumed" in summary


def test_figures_of_the_default_settings_are_not_told_of_others(
    anatomy: Anatomy, fits: tuple[Fit, ...], printed: bytes, tmp_path: Path
) -> None:
    assert f"28 mm alone seals {HELD_OUT.only_smaller:.2f}" in pages_of(printed, tmp_path)[0]
    hard = Settings.from_mapping({"seating": {"ring_stiffness_kpa_per_mm": 4.0}})
    summary = pages_of(write_pdf(report_of(anatomy, fits, settings=hard)), tmp_path)[0]
    assert "alone seals" not in summary and "differs from them" in summary


def test_the_input_verdict_and_the_approach_come_first(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    notes = (
        Note("seating", "something else"),
        Note("seating", "the septal crossing was estimated", "septal_crossing", "caution"),
        Note("verdict", "good to 1 mm"),
    )
    summary = pages_of(write_pdf(report_of(anatomy, fits, notes=notes)), tmp_path)[0]
    at = [
        summary.index(t)
        for t in ("good to 1 mm", "was estimated", "measurement confidence", "else")
    ]
    assert at == sorted(at)
    assert summary.count("good to 1 mm") == 1


def test_a_warning_stands_on_every_page_that_names_veins(
    anatomy: Anatomy, fits: tuple[Fit, ...], printed: bytes, tmp_path: Path
) -> None:
    doubted = replace(
        anatomy, notes=(*anatomy.notes, Note("names", "left may be right", severity="warning"))
    )
    pages = pages_of(write_pdf(report_of(doubted, fits)), tmp_path)
    assert pages[0].startswith("Warning: left may be right")
    short = "Warning: the frame may be wrong; left and right, and every name, are doubtful"
    assert len(pages) > 3 and all(page.startswith(short) for page in pages[1:])
    assert not any("Warning" in page for page in pages_of(printed, tmp_path))


@pytest.mark.slow
def test_nothing_lies_over_anything_else_and_nothing_is_too_small(
    six_veins: tuple[Anatomy, tuple[Fit, ...]],
    without_seat: Callable[[Fit], Fit],
    tmp_path: Path,
) -> None:
    """Six veins, three balloons, long names, one vein without a seat, many notes."""
    anatomy, fits = six_veins
    fits = tuple(without_seat(fit) if fit.vein == "RMPV" else fit for fit in fits)
    notes = tuple(
        Note("ostium", f"remark {k}: " + "the plane could be placed in two ways, " * 3, "LSPV",
             "caution" if k % 2 else "info")
        for k in range(15)
    )  # fmt: skip
    near = {"oesophagus": 4.2, "right_phrenic_nerve_course_of_the_lower_third": 7.1}
    fits = tuple(replace(fit, distances_mm=near) for fit in fits)
    Image.new("RGB", (1200, 900), "#dddddd").save(tmp_path / "x.png")
    pictures = [Picture("x.png", "", "", "c", "a")]
    pictures += [Picture("x.png", fit.vein, fit.balloon, "c", "a") for fit in fits]
    report = report_of(
        anatomy, fits, notes=notes, case_id="Larkmoor " + "very-long-name-" * 8,
        pictures=tuple(pictures), folder=tmp_path,
        structures={name: anatomy.wall for name in near},
    )  # fmt: skip
    for paper in PAPERS:
        sheets = words_of(write_pdf(report, paper), tmp_path)
        # Two a vein, where a table of three balloons and eight notes has room.
        assert 2 + 2 * 6 <= len(sheets) <= 2 + 3 * 6
        for (width, height), words in sheets:
            for left, top, right, bottom, text in words:
                assert left >= 20 and right <= width - 20, text
                assert top >= 20 and bottom <= height - 8, text
                assert bottom - top >= SMALLEST_PT - 1e-6, (text, bottom - top)
            assert overlaps(words) == []


def test_what_sets_balloons_apart_stands_beside_an_odd_chart(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    """Below them it would begin a page of a few lines; the ostium is the first chart here."""
    report = report_of(anatomy, fits)
    parts = vein_parts(report)
    charts = tuple((f"chart {k}", parts[0].gaps) for k in range(4))
    for count, beside in ((4, True), (3, False)):
        told = (replace(parts[0], further=charts[:count]), *parts[1:])
        ((width, _), words), *_ = words_of(write_pdf(report, parts=told), tmp_path)[2:]
        (left,) = (at for at, _, _, _, text in words if text == "beside")
        assert (left > 0.5 * width) == beside


def test_notes_that_do_not_fit_are_counted(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    notes = tuple(Note("ostium", f"doubt {k}.", "LSPV", "caution") for k in range(5))
    notes += tuple(Note("ostium", f"remark {k}.", "LSPV") for k in range(30))
    notes += tuple(Note("surface", f"repair {k}.") for k in range(30))
    pages = pages_of(write_pdf(report_of(anatomy, fits, notes=notes)), tmp_path)
    assert re.search(r"\d more notes are in report.html", pages[0])
    own = " ".join(pages[1:3])
    assert "doubt 2." in own and "doubt 3." not in own and "remark 0." not in own
    assert "32 more notes are in report.html" in own


HOSTILE = "<b>&amp;</b> <img src='file:///etc/passwd'/> ](x) \\ %s {{x}} </para> ü\x00\x07"


def test_no_name_can_become_markup(anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path) -> None:
    vein = replace(anatomy.veins[0], name=HOSTILE, branches=(HOSTILE,))
    fit = replace(
        fits[0], vein=HOSTILE, balloon=HOSTILE, reason=HOSTILE, leak_side=HOSTILE,
        distances_mm={HOSTILE: 1.0}, notes=(Note(HOSTILE, HOSTILE, HOSTILE, "caution"),),
    )  # fmt: skip
    report = report_of(
        replace(anatomy, veins=(vein,), unmeasured={HOSTILE + "2": HOSTILE}), (fit,),
        case_id=HOSTILE, version=HOSTILE, image_date=HOSTILE,
        inputs=(InputFile(HOSTILE, HOSTILE, 1, HOSTILE),), structures={HOSTILE: anatomy.wall},
        pictures=(Picture(HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE),), folder=tmp_path,
    )  # fmt: skip
    pdf = write_pdf(report)
    text = " ".join(pages_of(pdf, tmp_path))
    assert "<b>&amp;</b> <img src='file:///etc/passwd'/>" in text
    assert b"/URI" not in pdf and b"/JavaScript" not in pdf and b"/Launch" not in pdf


@pytest.mark.slow
def test_missing_pictures_and_empty_cases_are_told(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    pages = pages_of(write_pdf(report_of(anatomy, fits)), tmp_path)
    assert "No overview picture was made." in pages[0]
    assert "No pictures were made of this vein." in pages[1]
    gone = (Picture("pictures/LSPV-28.png", "LSPV", "28", "c", "a"),)
    pages = pages_of(write_pdf(report_of(anatomy, fits, pictures=gone, folder=tmp_path)), tmp_path)
    assert "pictures/LSPV-28.png is missing" in pages[1]
    bare = replace(anatomy, veins=(), appendage=None, mitral=None, ridges=(), notes=())
    (page,) = pages_of(write_pdf(report_of(bare, (), case_id="")), tmp_path)
    assert "No vein was measured" in page and "Unnamed case" in page
    pages = pages_of(write_pdf(report_of(anatomy, ())), tmp_path)
    assert len(pages) == 9 and "no balloon was tried" in pages[0]


def test_a_table_that_is_longer_than_a_page_goes_on_on_the_next(
    anatomy: Anatomy, tmp_path: Path
) -> None:
    """A long reason stands in every line of a vein in which no balloon came to rest."""
    vein = anatomy.veins[0]
    why = "no balloon comes to rest, for its start lies outside the blood of the vein " * 3
    fits = tuple(
        Fit(vein.name, name, 28.0, "transseptal", "not assessed", why.strip())
        for name in ("28 mm", "31 mm")
    )
    pages = pages_of(write_pdf(report_of(replace(anatomy, veins=(vein,)), fits)), tmp_path)
    told = [page.count("outside the blood") for page in pages[1:]]
    assert len([count for count in told if count]) > 1
    assert f"{len(pages)} of {len(pages)}" in pages[-1]


def test_drawings_keep_their_proportions_and_their_writing(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    """What the page draws is drawn on paper, in its own proportions, every word of it."""
    for part in vein_parts(report_of(anatomy, fits)):
        for drawing in (part.gaps, part.ostium, part.profile, *(d for _, d in part.maps)):
            assert drawing is not None
            block = on_paper(drawing, 200.0)
            assert block.width <= 200.001
            assert block.height / block.width == pytest.approx(drawing.height / drawing.width)
            groups = [one for one in block.contents if isinstance(one, shapes.Group)]
            written = [group.contents[0] for group in groups]
            assert tuple(one.text for one in written) == drawing.texts
            assert min(one.fontSize for one in written) >= 8.0


def test_pages_are_not_blank_when_seen(printed: bytes, tmp_path: Path) -> None:
    path = tmp_path / "seen.pdf"
    path.write_bytes(printed)
    subprocess.run(
        [tool("pdftoppm"), "-r", "40", "-png", str(path), str(tmp_path / "p")], check=True
    )
    seen = sorted(tmp_path.glob("p-*.png"))
    assert len(seen) == 9
    for picture in seen[2::2]:
        with Image.open(picture) as image:
            pixels = np.asarray(image.convert("RGB")).astype(int)
        blue = (pixels[..., 2] - pixels[..., 0] > 50).sum()
        assert blue > 30, "the contact band of the unrolled wall"
