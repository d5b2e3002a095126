from __future__ import annotations

import io
import signal
import textwrap
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from veinfit.anatomy.model import Anatomy
from veinfit.anatomy.wall_parts import vein_vertices
from veinfit.notes import Note
from veinfit.report.cautions import PICTURE_CAUTION, warning_line
from veinfit.report.charts.standing_alone import with_caution
from veinfit.report.colours import INK, gap_bands, rgb
from veinfit.report.pictures.fit_picture import draw_footer, draw_header, fit_layout
from veinfit.report.pictures.fit_scene import frame_vein, ring_radius_mm
from veinfit.report.pictures.fit_side import equator_end
from veinfit.report.pictures.mitral_rim import (
    DASH_MM,
    SPACE_MM,
    broken,
    mitral_lines,
)
from veinfit.report.pictures.overview import (
    OverviewLayout,
    landmarks,
    overview_caption,
    overview_layout,
)
from veinfit.report.pictures.pictures import draw_pictures
from veinfit.report.pictures.shown import ShownPicture
from veinfit.report.render import vtk_renderer
from veinfit.report.render.canvas import Canvas
from veinfit.report.render.drawing import Drawing, printable
from veinfit.report.render.placing import Box
from veinfit.report.wording import headline
from veinfit.seating.model import Fit
from veinfit.settings import ReportSettings

SMALL = (600, 450)


def _pixels(path: Path) -> np.ndarray:
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def _near(pixels: np.ndarray, colour: str, within: int = 12) -> np.ndarray:
    return np.abs(pixels - np.rint(255 * rgb(colour)).astype(int)).max(axis=-1) <= within


@pytest.fixture(scope="module")
def drawn(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, tuple]:
    folder = tmp_path_factory.mktemp("case")
    pictures = draw_pictures(anatomy, fits[:2], {}, folder, renderer="plain", for_report=True)
    return folder, pictures


def test_a_page_shows_what_the_file_holds(drawn: tuple[Path, tuple]) -> None:
    """What is made for the page while the pixels are at hand is what the file would give."""
    folder, pictures = drawn
    for picture in pictures:
        content = (folder / picture.file).read_bytes()
        shown = [ShownPicture(one, "", content) for one in (picture, replace(picture, page=b""))]
        assert picture.page[8:12] == b"WEBP"
        assert shown[0].source == shown[1].source
        with Image.open(io.BytesIO(picture.page)) as small:
            off = np.asarray(small.convert("RGB")) - _pixels(folder / picture.file).astype(float)
        assert np.abs(off).mean() < 2.0
    assert ShownPicture(pictures[0], "", None).source == ""


def test_one_overview_and_one_picture_for_each_fit(drawn: tuple[Path, tuple]) -> None:
    folder, pictures = drawn
    assert [p.file for p in pictures] == [
        "pictures/overview.png",
        "pictures/LSPV-28-coaxial.png",
        "pictures/LSPV-31-coaxial.png",
    ]
    assert [(p.vein, p.balloon) for p in pictures] == [("", ""), ("LSPV", "28"), ("LSPV", "31")]
    assert sorted(p.name for p in (folder / "pictures").iterdir()) == [
        "LSPV-28-coaxial.png",
        "LSPV-31-coaxial.png",
        "overview.png",
    ]
    for picture in pictures:
        assert _pixels(folder / picture.file).shape == (900, 1200, 3)
        assert len(picture.alt) > 40 and len(picture.caption) > 40
        assert not picture.notes


def test_captions_carry_the_figures(drawn: tuple[Path, tuple], fits: tuple[Fit, ...]) -> None:
    _, pictures = drawn
    leak, depth = fits[0].leak_width_mm, fits[0].depth_mm
    assert leak is not None and depth is not None
    caption = pictures[1].caption.replace("\u00a0", " ")
    assert f"{leak:.2f} mm wide" in caption
    assert f"{depth:.1f}".replace("-", "−") in caption
    assert "coaxial approach assumed" in caption.lower()


def test_the_clock_ring_is_painted_with_the_gap(
    drawn: tuple[Path, tuple], anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    folder, pictures = drawn
    layout = fit_layout((1200, 900))
    frame = frame_vein(anatomy.veins[0], fits[:2], *layout.view_px)
    middle = np.array([layout.axial.left, layout.axial.top]) + np.array(layout.view_px) / 2
    radius = ring_radius_mm(frame) / frame.axial.mm_per_px
    bands = gap_bands(0.5)
    for fit, picture in zip(fits[:2], pictures[1:], strict=True):
        pixels = _pixels(folder / picture.file)
        checked = 0
        for reading in fit.clock:
            # Readings at a band's edge may be drawn with either colour, ticks cover the hours.
            edges = [0.5, 1.0, 2.0, 3.0, 5.0]
            if reading.clock_h % 1 == 0 or min(abs(reading.gap_mm - e) for e in edges) < 0.1:
                continue
            turn = np.radians(30 * reading.clock_h)
            x, y = middle + radius * np.array([np.sin(turn), -np.cos(turn)])
            band = next(b for b in bands if b.high_mm is None or reading.gap_mm <= b.high_mm)
            assert _near(pixels[round(y), round(x)], band.colour), (fit.balloon, reading)
            checked += 1
        assert checked > 6


def test_a_clock_without_readings_is_a_line_and_no_white_band(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    """White is near to the colour of a gap over 5 mm."""
    (_, picture) = draw_pictures(
        anatomy, [replace(fits[0], clock=())], {}, tmp_path, renderer="plain"
    )
    layout = fit_layout((1200, 900))
    frame = frame_vein(anatomy.veins[0], fits[:1], *layout.view_px)
    middle = np.array([layout.axial.left, layout.axial.top]) + np.array(layout.view_px) / 2
    turn = np.radians(np.arange(5.0, 360.0, 10.0))
    radius = ring_radius_mm(frame) / frame.axial.mm_per_px
    at = np.rint(middle + radius * np.stack([np.sin(turn), -np.cos(turn)], axis=1)).astype(int)
    ring = _pixels(tmp_path / picture.file)[at[:, 1], at[:, 0]]
    assert _near(ring, INK, within=60).mean() > 0.8


@pytest.mark.parametrize(
    "seat",
    [
        {"sealed": True, "occluded": True, "deep": True},
        {"sealed": False, "occluded": True, "deep": False},
        {"sealed": False, "occluded": False, "leak_width_mm": 12.34, "leak_clock_h": 10.0,
         "leak_side": "posterior-inferior"},
    ],
)  # fmt: skip
@pytest.mark.parametrize("size", [(1200, 900), SMALL])
def test_no_line_above_a_picture_is_cut(fits, seat, size, monkeypatch) -> None:
    """The last words may be "but deep"."""
    bounds = {"seal_probability_low": 0.23, "seal_probability_high": 0.98}
    fit = replace(fits[0], seal_probability=0.69, **bounds, **seat)
    written: list[str] = []
    monkeypatch.setattr(Canvas, "write", lambda self, x, y, text, *_, **__: written.append(text))
    layout, words = fit_layout(size), ReportSettings()
    below = Box(layout.side.left, layout.side.top, layout.axial.right, layout.side.bottom)
    draw_header(Canvas(size), fit, below, words, "renamed by hand from RSPV, ostium set by hand")
    assert printable(headline(fit, words)) in written
    assert written[0].endswith("(renamed by hand from RSPV, ostium set by hand)")


def test_contact_is_seen_on_the_wall(drawn: tuple[Path, tuple]) -> None:
    folder, pictures = drawn
    layout = fit_layout((1200, 900))
    for picture in pictures[1:]:
        pixels = _pixels(folder / picture.file)
        for area in (layout.side, layout.axial):
            part = pixels[int(area.top) : int(area.bottom), int(area.left) : int(area.right)]
            # Darkened by light and tinted by the balloon, but blue as nothing else: the balloon
            # itself is as green as it is blue.
            red, green, blue = np.moveaxis(part.astype(int), -1, 0)
            assert ((blue > red + 60) & (blue > green + 25)).mean() > 0.01


@pytest.mark.slow
def test_the_same_input_gives_the_same_bytes(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    for name in ("a", "b"):
        draw_pictures(anatomy, fits[:1], {}, tmp_path / name, size_px=SMALL, renderer="plain")
    for file in (tmp_path / "a" / "pictures").iterdir():
        assert file.read_bytes() == (tmp_path / "b" / "pictures" / file.name).read_bytes()


@pytest.mark.slow
def test_the_graphics_library_gives_the_same_bytes_twice(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    try:
        for name in ("a", "b"):
            draw_pictures(anatomy, fits[:1], {}, tmp_path / name, size_px=SMALL, renderer="vtk")
    except vtk_renderer.GraphicsUnavailable as fault:
        pytest.skip(f"no off-screen graphics on this machine: {fault}")
    for file in (tmp_path / "a" / "pictures").iterdir():
        assert file.read_bytes() == (tmp_path / "b" / "pictures" / file.name).read_bytes()


def test_where_the_library_crashes_the_plain_renderer_takes_over(
    anatomy: Anatomy,
    fits: tuple[Fit, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    script = tmp_path / "worker.py"
    script.write_text(
        textwrap.dedent(
            """
            import os, signal, sys
            print("noise of a library", file=sys.stderr)
            os.kill(os.getpid(), signal.SIGSEGV)
            """
        ),
        encoding="utf-8",
    )
    monkeypatch.setattr(vtk_renderer.worker, "__file__", str(script))
    pictures = draw_pictures(anatomy, fits[:1], {}, tmp_path, size_px=SMALL)
    assert len(pictures) == 2
    for picture in pictures:
        (note,) = picture.notes
        assert note.stage == "pictures"
        assert f"signal {int(signal.SIGSEGV)}" in note.text
        assert "libegl1" in note.text
        assert (tmp_path / picture.file).exists()
    assert capfd.readouterr() == ("", "")
    with pytest.raises(vtk_renderer.GraphicsUnavailable):
        draw_pictures(anatomy, fits[:1], {}, tmp_path, size_px=SMALL, renderer="vtk")


@pytest.mark.slow
def test_any_name_becomes_a_file_of_its_own(
    six_veins: tuple[Anatomy, tuple[Fit, ...]], tmp_path: Path
) -> None:
    anatomy, fits = six_veins
    hostile = fits[-1]
    same = [
        hostile,
        replace(hostile, balloon="../../31"),
        replace(hostile, balloon="..\\..\\31"),
        replace(hostile, balloon="\u0000\n"),
        replace(hostile, balloon="a" * 300),
        hostile,
    ]
    pictures = draw_pictures(anatomy, same, {}, tmp_path, size_px=SMALL, renderer="plain")
    files = [p.file for p in pictures]
    assert len({f.lower() for f in files}) == len(files)
    inside = (tmp_path / "pictures").resolve()
    assert all((tmp_path / f).resolve().parent == inside for f in files)
    assert {p.name for p in inside.iterdir()} == {f.split("/")[1] for f in files}


@pytest.mark.slow
def test_fits_without_seat_patch_or_clock_are_drawn(
    anatomy: Anatomy,
    fits: tuple[Fit, ...],
    without_seat: Callable[[Fit], Fit],
    tmp_path: Path,
) -> None:
    bare = Fit("RIPV", "28", 28.0, "coaxial", "cannot reach", reason="the sheath is too short")
    gap = fits[1].patch_gap_mm
    assert gap is not None
    far = np.where(np.arange(len(gap)) % 7 == 0, np.inf, gap)
    some = [
        without_seat(fits[0]),
        replace(fits[1], clock=(), patch_gap_mm=far),
        replace(fits[2], patch=None, patch_gap_mm=None),
        replace(fits[3], outcome="not assessed", reason="a cut end", occluded=None, sealed=None),
        replace(bare, vein="nowhere"),
        bare,
    ]
    pictures = draw_pictures(anatomy, some, {}, tmp_path, size_px=SMALL, renderer="plain")
    assert len(pictures) == 6  # the overview, and every fit of a vein that is there
    assert "passes through" in pictures[1].caption
    assert "without a balloon" in pictures[1].alt
    assert "the sheath is too short" in pictures[-1].caption


def test_an_atrium_without_veins_and_landmarks_is_drawn(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    bare = replace(anatomy, veins=(), appendage=None, mitral=None, ridges=())
    (picture,) = draw_pictures(bare, fits, {}, tmp_path, size_px=SMALL, renderer="plain")
    assert "0 veins" in picture.caption


def test_structures_are_drawn_and_named(anatomy: Anatomy, tmp_path: Path) -> None:
    line = np.stack([np.zeros(30), np.full(30, 36.0), np.linspace(-40, 40, 30)], axis=1)
    with_line, without = (
        draw_pictures(anatomy, (), s, tmp_path / n, size_px=SMALL, renderer="plain")[0]
        for n, s in (("a", {"oesophagus": line, "empty": np.zeros((0, 3))}), ("b", {}))
    )
    assert "oesophagus" in with_line.alt and "empty" not in with_line.alt
    a, b = _pixels(tmp_path / "a" / with_line.file), _pixels(tmp_path / "b" / without.file)
    assert (a != b).any(axis=-1).mean() > 0.005


def test_every_vein_is_named_in_the_overview(six_veins: tuple[Anatomy, tuple[Fit, ...]]) -> None:
    anatomy, _ = six_veins
    named = [mark.text for mark in landmarks(anatomy, {})]
    assert named == [*(vein.name for vein in anatomy.veins), "LAA", "MV"]
    assert all(vein.name in overview_caption(anatomy) for vein in anatomy.veins)


def test_every_picture_says_what_it_is_not(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[str] = []
    write = Canvas.write

    def noted(canvas: Canvas, x: float, y: float, text: str, *more: Any, **options: Any) -> Any:
        written.append(text)
        assert y < canvas.height
        return write(canvas, x, y, text, *more, **options)

    monkeypatch.setattr(Canvas, "write", noted)
    for size in (SMALL, (400, 300), (900, 400)):
        written.clear()
        drawn = draw_pictures(anatomy, fits[:1], {}, tmp_path, size_px=size, renderer="plain")
        assert " ".join(written).count(PICTURE_CAUTION) == len(drawn) == 2
    alone = with_caution(Drawing(200.0, 100.0, (), ""))
    assert " ".join(alone.texts) == PICTURE_CAUTION
    assert all(100.0 < words.y < alone.height for words in alone.shapes)


def test_a_mitral_rim_that_is_estimated_is_drawn_broken(anatomy: Anatomy) -> None:
    assert anatomy.mitral is not None
    line = max(mitral_lines(anatomy), key=len)
    told = replace(anatomy, mitral=replace(anatomy.mitral, source="estimated"))
    strokes = broken(line)
    assert len(mitral_lines(told)) >= len(strokes) > 5
    length = [np.linalg.norm(np.diff(s, axis=0), axis=1).sum() for s in (line, *strokes)]
    assert np.allclose(length[1:-1], DASH_MM)
    assert len(strokes) == np.ceil(length[0] / (DASH_MM + SPACE_MM))
    names = {mark.text: mark.figures for mark in landmarks(told, {})}
    assert names["MV"] == "estimated"
    assert {mark.text: mark.figures for mark in landmarks(anatomy, {})}["MV"] == ""


def test_a_veins_wall_is_what_lies_past_its_ostium(anatomy: Anatomy) -> None:
    owned = [set(vein_vertices(anatomy.wall, vein).tolist()) for vein in anatomy.veins]
    for k, vein in enumerate(anatomy.veins):
        points = anatomy.wall.points[sorted(owned[k])]
        assert len(points) > 200
        assert ((points - vein.ostium.centre) @ vein.ostium.normal > 0).all()
        across = points - np.outer(points @ vein.axis, vein.axis)
        assert np.linalg.norm(across, axis=1).max() < 16
    assert len(set.union(*owned)) == sum(map(len, owned))


def test_a_picture_that_is_too_small_is_refused(anatomy: Anatomy, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="at least 400 × 300"):
        draw_pictures(anatomy, (), {}, tmp_path, size_px=(300, 300), renderer="plain")


@pytest.mark.parametrize(
    "size",
    [
        (600, 450),
        *(pytest.param(size, marks=pytest.mark.slow) for size in ((900, 1000), (1500, 700))),
    ],
)
def test_any_size_and_shape_is_kept(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path, size: tuple[int, int]
) -> None:
    pictures = draw_pictures(anatomy, fits[:1], {}, tmp_path, size_px=size, renderer="plain")
    for picture in pictures:
        assert _pixels(tmp_path / picture.file).shape == (size[1], size[0], 3)


def test_a_warning_stands_on_every_picture_and_hides_nothing(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    doubt = Note("names", "left may be right", severity="warning")
    doubted = replace(anatomy, notes=(*anatomy.notes, doubt))
    lines: list[tuple[Box, str]] = []
    write = Canvas.write

    def noted(canvas: Canvas, x: float, y: float, text: str, *more: Any, **options: Any) -> Any:
        written = write(canvas, x, y, text, *more, **options)
        size, weight = more[0], options.get("bold", False)
        span = canvas.measure(text, size, bold=weight)
        lines.append((Box(x, y, x + span.right - span.left, y + span.bottom - span.top), text))
        return written

    monkeypatch.setattr(Canvas, "write", noted)
    for size in (SMALL, (400, 300), (900, 400)):
        lines.clear()
        drawn = draw_pictures(doubted, fits[:1], {}, tmp_path, size_px=size, renderer="plain")
        alarms = [(box, text) for box, text in lines if text == warning_line([doubt])]
        assert len(alarms) == len(drawn) == 2
        assert all(box.right < size[0] for box, _ in alarms)
        tops = overview_layout(size, True).areas[0].top, fit_layout(size, True).side.top
        for (box, _), top, plain in zip(
            alarms, tops, (overview_layout(size), fit_layout(size)), strict=True
        ):
            assert box.bottom < top
            first = plain.areas[0] if isinstance(plain, OverviewLayout) else plain.side
            assert top > first.top
        assert all(one.warned and one.alt.startswith("Warning: ") for one in drawn)
    assert warning_line(anatomy.notes) == ""


@pytest.mark.parametrize("ring", [True, False])
def test_the_scale_below_a_picture_says_where_it_ends_on_the_ring(
    fits: tuple[Fit, ...], ring: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[str] = []
    right: list[float] = []

    def noted(canvas: Canvas, x: float, y: float, text: str, size: float, **options: Any) -> None:
        written.append(text)
        right.append(x + canvas.measure(text, size, bold=options.get("bold", False)).right)

    monkeypatch.setattr(Canvas, "write", noted)
    layout = fit_layout((1200, 900))
    below = Box(layout.side.left, layout.side.top, layout.axial.right, layout.side.bottom)
    draw_footer(Canvas((1200, 900)), fits[0], below, gap_bands(0.5), ring=ring)
    assert written[4:7] == ["2–3", "3–5; ring over 3" if ring else "3–5", "over 5 or out of reach"]
    assert max(right[:7]) < below.right


def test_the_equator_is_named_where_the_ostial_plane_is_not() -> None:
    left, right = np.array([130.0, 470.0]), np.array([430.0, 390.0])
    ends = np.stack([right, left])
    assert equator_end(ends, np.array([400.0, 100.0]), 60.0) == pytest.approx(left)
    assert equator_end(ends, np.array([132.0, 440.0]), 60.0) == pytest.approx(right)
