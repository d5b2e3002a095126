"""Pictures of one's choice from a finished case, by the library and by the command."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from veinfit import case
from veinfit.anatomy.model import Anatomy
from veinfit.case.writing import ARCHIVE
from veinfit.cli import main
from veinfit.errors import InputError
from veinfit.io.results.archive import archived
from veinfit.report.colours import (
    CONTACT,
    DARK_TONES,
    INK,
    MUTED,
    PAPER,
    PLANE,
    contrast,
    gap_bands,
    rgb,
)
from veinfit.report.pictures.one_view import Style, draw_growing, draw_still, draw_turning
from veinfit.report.render.canvas import Canvas
from veinfit.report.render.look import Look, parse_look
from veinfit.report.render.projection import projection_name, viewer_angles
from veinfit.result.provenance import Provenance
from veinfit.seating.model import Fit
from veinfit.settings import Settings
from veinfit.vectors import unit

SMALL = Style(size_px=(480, 360), renderer="plain")


@pytest.fixture(scope="module")
def vein_fits(fits: tuple[Fit, ...]) -> tuple[Fit, ...]:
    return tuple(fit for fit in fits if fit.vein == "LSPV")


def pixels(content: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(content)) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def count(picture: np.ndarray, colour: str, tolerance: int = 25) -> int:
    return int((np.abs(picture - rgb(colour) * 255).max(axis=2) < tolerance).sum())


@pytest.mark.parametrize(
    ("text", "look"),
    [
        ("axis", Look("axis")),
        ("Side", Look("side")),
        ("AP", Look("angles", 0, 0)),
        ("pa", Look("angles", 180, 0)),
        ("LAO45", Look("angles", 45, 0)),
        ("RAO 30°, caudal 10°", Look("angles", -30, -10)),
        ("lpo30-cra20", Look("angles", 150, 20)),
        ("RPO40", Look("angles", -140, 0)),
        ("left-lateral", Look("angles", 90, 0)),
        ("AP caudal15", Look("angles", 0, -15)),
        ("from the head", Look("angles", 0, 90)),
    ],
)
def test_views_are_read_as_the_trade_writes_them(text: str, look: Look) -> None:
    assert parse_look(text) == look


def test_a_views_name_is_read_back_as_itself() -> None:
    for lao in range(-180, 181, 15):
        for cranial in (-90, -30, 0, 20):
            name = projection_name(lao, cranial)
            look = parse_look(name)
            assert projection_name(look.lao_deg, look.cranial_deg) == name


@pytest.mark.parametrize("text", ["", "LAO", "XAO30", "LAO45 up20", "AP cranial95", "LAO200", "45"])
def test_other_words_are_refused_with_what_there_is(text: str) -> None:
    with pytest.raises(InputError, match="view"):
        parse_look(text)


@pytest.mark.slow
def test_the_same_input_gives_the_same_pixels(anatomy: Anatomy, vein_fits: tuple[Fit, ...]) -> None:
    look = parse_look("LAO45 cranial20")
    once = draw_still(anatomy, vein_fits[0], vein_fits, look, SMALL)
    again = draw_still(anatomy, vein_fits[0], vein_fits, look, SMALL)
    assert once == again
    assert pixels(once.content).shape == (360, 480, 3)
    other = draw_still(anatomy, vein_fits[0], vein_fits, parse_look("RAO30"), SMALL)
    assert other.content != once.content


def test_captions_tell_the_view_and_the_figures(
    anatomy: Anatomy, vein_fits: tuple[Fit, ...]
) -> None:
    fit = vein_fits[0]
    for text, words in [
        ("axis", "From the atrium into the vein (RAO"),
        ("LAO45 cranial20", "Seen from LAO 45°, cranial 20°, near wall cut away"),
    ]:
        caption = draw_still(anatomy, fit, vein_fits, parse_look(text), SMALL).caption
        assert words in caption or text == "axis"
        assert f"{fit.depth_mm:.1f}".replace("-", "−") in caption
        assert "LSPV, 28" in caption
    whole = draw_still(anatomy, fit, vein_fits, parse_look("PA"), replace(SMALL, cutaway=False))
    assert "Seen from PA, wall as it is" in whole.caption


def test_the_axis_is_seen_against_itself(anatomy: Anatomy, vein_fits: tuple[Fit, ...]) -> None:
    """The projection that the caption names is the one down the vein's axis."""
    axis = next(v.axis for v in anatomy.veins if v.name == "LSPV")
    caption = draw_still(anatomy, vein_fits[0], vein_fits, Look("axis"), SMALL).caption
    assert f"({projection_name(*viewer_angles(-axis))})" in caption


def test_dark_and_light_show_the_same(anatomy: Anatomy, vein_fits: tuple[Fit, ...]) -> None:
    look = parse_look("side")
    light = pixels(draw_still(anatomy, vein_fits[1], vein_fits, look, SMALL).content)
    dark = pixels(
        draw_still(anatomy, vein_fits[1], vein_fits, look, replace(SMALL, dark=True)).content
    )
    assert tuple(light[0, 0]) == (255, 255, 255)
    assert np.allclose(dark[0, 0], rgb(DARK_TONES[PAPER]) * 255, atol=1)
    assert count(light, CONTACT) > 100
    assert abs(count(light, CONTACT) - count(dark, CONTACT)) < 0.25 * count(light, CONTACT)
    assert count(dark, PAPER, 3) < 0.02 * dark[..., 0].size
    for colour in (INK, MUTED, PLANE):
        assert contrast(DARK_TONES[colour], DARK_TONES[PAPER]) >= 4.5


def test_the_wall_hides_the_balloon_unless_cut_away(
    anatomy: Anatomy, vein_fits: tuple[Fit, ...]
) -> None:
    look = parse_look("side")
    cut = draw_still(anatomy, vein_fits[0], vein_fits, look, SMALL)
    whole = draw_still(anatomy, vein_fits[0], vein_fits, look, replace(SMALL, cutaway=False))
    assert cut.content != whole.content
    bare = draw_still(anatomy, vein_fits[0], vein_fits, look, replace(SMALL, scale_bar=False))
    changed = np.argwhere((pixels(cut.content) != pixels(bare.content)).any(axis=2))
    assert len(changed)
    # The bar lies in the lower left corner; labels may move into the room that it leaves.
    assert changed[:, 1].min() < 60


def test_a_fit_without_a_seat_is_drawn_without_a_balloon(
    anatomy: Anatomy, vein_fits: tuple[Fit, ...], without_seat: Callable[[Fit], Fit]
) -> None:
    gone = tuple(map(without_seat, vein_fits))
    for text in ("axis", "side", "PA"):
        for cutaway in (True, False):
            drawn = draw_still(
                anatomy, gone[0], gone, parse_look(text), replace(SMALL, cutaway=cutaway)
            )
            assert "No figures without a seat" in drawn.caption


@pytest.mark.slow
def test_a_turning_picture_turns_once(anatomy: Anatomy, vein_fits: tuple[Fit, ...]) -> None:
    drawn = draw_turning(anatomy, vein_fits[0], vein_fits, parse_look("AP"), SMALL, 8)
    again = draw_turning(anatomy, vein_fits[0], vein_fits, parse_look("AP"), SMALL, 8)
    assert drawn.content == again.content
    assert "turning once, from AP" in drawn.caption
    with Image.open(io.BytesIO(drawn.content)) as image:
        assert (image.n_frames, image.size, image.info["loop"]) == (8, (480, 360), 0)
        shown = []
        for k in range(8):
            image.seek(k)
            shown.append(np.asarray(image.convert("RGB")).astype(int))
    differences = [np.abs(a - shown[0]).mean() for a in shown[1:]]
    assert min(differences) > 1


def test_a_growing_balloon_takes_more_room_and_shrinks_again(
    anatomy: Anatomy, vein_fits: tuple[Fit, ...]
) -> None:
    one = vein_fits[0]
    grown = [replace(one, balloon="28 mm grown in place", balloon_mm=size) for size in (28.0, 31.0)]
    drawn = draw_growing(anatomy, grown, parse_look("side"), SMALL)
    with Image.open(io.BytesIO(drawn.content)) as shown:
        pixels = np.asarray(shown.convert("RGB")).reshape(-1, 3)
    for band in gap_bands(0.5):
        off = np.abs(pixels - np.rint(255 * rgb(band.colour))).max(axis=1)
        assert (off == 0).sum() > 50, band.label
    assert " to 31 mm" in drawn.caption
    with Image.open(io.BytesIO(drawn.content)) as image:
        assert image.size == (480, 360)
        pictures = []
        for k in range(image.n_frames):
            image.seek(k)
            pictures.append(np.asarray(image.convert("RGB")).astype(int))
    # Up and back: it ends as it began, and the largest differs from both.
    assert np.array_equal(pictures[0], pictures[-1])
    middle = pictures[len(pictures) // 2]
    assert np.abs(middle - pictures[0]).mean() > 0.3


def test_without_growth_the_command_says_why(folder: Path, tmp_path: Path) -> None:
    out = str(tmp_path / "grown.gif")
    words = ["picture", str(folder), "--vein", "LSPV", "--balloon", "28", "--growth"]
    assert main([*words, "--out", out]) == 2
    assert main([*words, "--out", str(tmp_path / "grown.png")]) == 2
    assert not list(tmp_path.iterdir())


# ---- the command ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    provenance = Provenance(
        "Larkmoor test", None, None, "lps", "mm", "coaxial", (), (), {"veinfit": "0"}, "2026"
    )
    lost = replace(anatomy, unmeasured={"RMPV": "too short"})
    result = case.CaseResult(lost, fits, {}, (), Settings(), provenance)
    place = tmp_path_factory.mktemp("case")
    (place / ARCHIVE).write_bytes(archived(result))
    return place


def test_the_command_draws_from_the_folder_alone(
    folder: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    before = {p: p.read_bytes() for p in folder.iterdir()}
    out = tmp_path / "a.png"
    command = ["picture", str(folder), "--vein", "ripv", "--balloon", "28 mm", "--view", "PA",
               "--size", "400x300", "--background", "dark", "--out", str(out)]  # fmt: skip
    assert main(command) == 0
    told = capfd.readouterr().out
    assert "Seen from PA" in told and "not a medical device" in told
    first = out.read_bytes()
    assert pixels(first).shape == (300, 400, 3)
    assert main([*command, "--quiet"]) == 0
    assert out.read_bytes() == first
    assert capfd.readouterr().out == ""
    assert {p: p.read_bytes() for p in folder.iterdir()} == before
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"--vein": "RMPV"}, "not measured: too short"),
        ({"--vein": "XYZ"}, "it has LSPV, LIPV, RSPV, RIPV"),
        ({"--balloon": "23"}, "there are 28, 31"),
        ({"--approach": "transseptal"}, "it has coaxial"),
        ({"--view": "sideways"}, "write axis, side, AP"),
        ({"--size": "wide"}, "width x height"),
        ({"--size": "40x30"}, "400x300 to"),
        ({"--size": "9000x9000"}, "4000x4000"),
        ({"--out": "x.jpg"}, ".png or .gif"),
        ({"--out": "no/such/folder/x.png"}, "there is no folder"),
        ({"--frames": "3"}, "8 to 120"),
        ({"case": "nowhere"}, "pass the folder that assess wrote"),
    ],
)
def test_bad_requests_are_told_in_one_line(
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    change: dict[str, str],
    told: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("veinfit.report.render.vtk_renderer.paint", lambda *_: pytest.fail("drawn"))
    given = {"--vein": "LSPV", "--balloon": "28", "--out": "x.png", "case": str(folder), **change}
    words = ["picture", given.pop("case"), "--quiet", *(w for pair in given.items() for w in pair)]
    assert main(words) == 2
    error = capfd.readouterr().err
    assert error.count("\n") == 1 and told in error
    assert list(tmp_path.iterdir()) == []


def test_a_plane_seen_from_its_face_is_drawn_as_the_ostium_that_lies_in_it(
    anatomy: Anatomy, vein_fits: tuple[Fit, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its line across the cut lay far beside the vein, and the depth's arrow was too short."""
    fit = vein_fits[0]
    vein = next(v for v in anatomy.veins if v.name == fit.vein)
    assert fit.centre is not None and fit.depth_mm is not None and abs(fit.depth_mm) > 2.0
    written: list[str] = []
    lines: list[tuple[np.ndarray, dict[str, Any]]] = []
    text, line = Canvas.write, Canvas.line

    def noted(canvas: Canvas, x: float, y: float, words: str, *more: Any, **options: Any) -> Any:
        written.append(words)
        return text(canvas, x, y, words, *more, **options)

    def drawn(canvas: Canvas, points: np.ndarray, colour: str, *more: Any, **options: Any) -> Any:
        if colour == PLANE and "dash" in options:
            lines.append((np.asarray(points), options))
        return line(canvas, points, colour, *more, **options)

    monkeypatch.setattr(Canvas, "write", noted)
    monkeypatch.setattr(Canvas, "line", drawn)
    across = unit(np.cross(vein.ostium.normal, [0.0, 0.0, 1.0]))
    for share, face_on in ((1.0, True), (0.8, True), (0.6, False), (0.0, False)):
        towards = -share * vein.ostium.normal + np.sqrt(1.0 - share**2) * across
        written.clear()
        lines.clear()
        draw_still(anatomy, fit, vein_fits, Look("angles", *viewer_angles(towards)), SMALL)
        assert ("ostium" in written) is face_on and ("ostial plane" in written) is not face_on
        assert any(words.startswith("depth ") for words in written) is not face_on
        ((points, options),) = lines
        assert options.get("closed", False) is face_on
        assert len(points) == (len(vein.ostium.contour.points) if face_on else 2)
        if face_on:
            assert (points > 0).all() and (points < SMALL.size_px).all()
