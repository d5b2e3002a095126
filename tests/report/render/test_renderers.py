"""Both renderers against closed forms, against each other, and what happens when one fails."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from veinfit.frames import SUPERIOR
from veinfit.report.render import plain_renderer, vtk_renderer
from veinfit.report.render.composite import flatten
from veinfit.report.render.scene import (
    Camera,
    Layer,
    Pass,
    Raster,
    TranslucentBody,
    View,
    passes_of,
    plain_layer,
    revolved,
    sphere_profile,
)
from veinfit.surface import Surface

RADIUS_MM = 14.0
BALL = revolved(sphere_profile(2 * RADIUS_MM, 121), np.zeros(3), SUPERIOR, sides=240)
TOWARDS = np.array([0.6, -0.8, 0.0])
CAMERA = Camera(np.zeros(3), TOWARDS, SUPERIOR, 0.2, 200, 160)


def _vtk(passes: tuple[Pass, ...], scale: int = 2) -> list[Raster]:
    try:
        return list(vtk_renderer.paint(passes, scale))
    except vtk_renderer.GraphicsUnavailable as fault:
        pytest.skip(f"no off-screen graphics on this machine: {fault}")


def _plain(passes: tuple[Pass, ...], scale: int = 2) -> list[Raster]:
    return list(plain_renderer.paint(passes, scale))


# That the two draw alike is looked at once among the quick tests.
@pytest.fixture(params=[_plain, pytest.param(_vtk, marks=pytest.mark.slow)], ids=["plain", "vtk"])
def paint(request: pytest.FixtureRequest) -> Callable[..., list[Raster]]:
    return request.param


def _one(paint: Callable[..., list[Raster]], *layers: Layer, scale: int = 2) -> Raster:
    return paint((Pass(CAMERA, layers),), scale)[0]


def _grid(scale: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Places of the pixels' middles in mm, right and up of the focal point."""
    x = (np.arange(200 * scale) + 0.5) / scale - 100
    y = 80 - (np.arange(160 * scale) + 0.5) / scale
    return np.meshgrid(0.2 * x, 0.2 * y)


def test_a_ball_covers_its_circle_at_its_depth(paint: Callable[..., list[Raster]]) -> None:
    raster = _one(paint, plain_layer(BALL, "#808080"))
    seen = np.isfinite(raster.depth)
    pixel_mm2 = (0.2 / 2) ** 2
    assert seen.sum() * pixel_mm2 == pytest.approx(np.pi * RADIUS_MM**2, rel=0.004)
    x, y = _grid()
    inner = np.hypot(x, y) < 0.9 * RADIUS_MM
    exact = -np.sqrt(RADIUS_MM**2 - x[inner] ** 2 - y[inner] ** 2)
    assert raster.depth[inner] == pytest.approx(exact, abs=0.03)
    assert (raster.colour[~seen] == 255).all()


def test_what_faces_the_viewer_can_be_left_out(paint: Callable[..., list[Raster]]) -> None:
    raster = _one(paint, plain_layer(BALL, "#808080", cull="facing"))
    assert raster.depth[160, 200] == pytest.approx(RADIUS_MM, abs=0.03)
    raster = _one(paint, plain_layer(BALL, "#808080", cull="averted"))
    assert raster.depth[160, 200] == pytest.approx(-RADIUS_MM, abs=0.03)


def test_what_lies_beyond_a_plane_is_cut_away(paint: Callable[..., list[Raster]]) -> None:
    clip = (np.array([0.0, 0.0, 3.0]), SUPERIOR)
    raster = _one(paint, plain_layer(BALL, "#808080", clip=clip))
    _, y = _grid()
    seen = np.isfinite(raster.depth)
    assert y[seen].max() == pytest.approx(3.0, abs=0.11)
    assert y[seen].min() == pytest.approx(-RADIUS_MM, abs=0.11)


def test_the_nearer_of_two_is_shown_whatever_the_order(paint: Callable[..., list[Raster]]) -> None:
    near = Surface(BALL.points * 0.5 + 20 * TOWARDS, BALL.faces)
    layers = [plain_layer(BALL, "#ff0000"), plain_layer(near, "#0000ff")]
    for order in (layers, layers[::-1]):
        raster = _one(paint, *order)
        red, _, blue = raster.colour[160, 200]
        assert blue > 100 > red


def test_a_layer_that_is_set_back_loses(paint: Callable[..., list[Raster]]) -> None:
    back = plain_layer(BALL, "#ff0000", set_back_mm=0.5)
    for order in ((back, plain_layer(BALL, "#00ff00")), (plain_layer(BALL, "#00ff00"), back)):
        raster = _one(paint, *order)
        inner = np.hypot(*_grid()) < 0.98 * RADIUS_MM
        red, green = raster.colour[inner, 0], raster.colour[inner, 1]
        assert (green > red).all()


def test_a_set_back_layer_is_cut_at_the_same_place(paint: Callable[..., list[Raster]]) -> None:
    # The plane is perpendicular to the view: only what is behind it stays.
    clip = (np.zeros(3), TOWARDS)
    plain = _one(paint, plain_layer(BALL, "#808080", clip=clip))
    back = _one(paint, plain_layer(BALL, "#808080", clip=clip, set_back_mm=0.5))
    same = np.isfinite(plain.depth) == np.isfinite(back.depth)
    assert same.mean() > 0.999
    assert back.depth[160, 200] - plain.depth[160, 200] == pytest.approx(0.5, abs=0.01)


def test_bands_end_at_their_values(paint: Callable[..., list[Raster]]) -> None:
    palette = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])
    layer = Layer(BALL, palette, BALL.points[:, 2].copy(), np.array([-4.0, 5.0]))
    raster = _one(paint, layer)
    _, y = _grid()
    seen = np.isfinite(raster.depth)
    band = raster.colour.argmax(axis=2)
    # A pixel's own half width, and 0.006 mm of a colour table's step.
    for low, high, wanted in ((-20, -4.1, 0), (-3.9, 4.9, 1), (5.1, 20, 2)):
        inside = seen & (y > low) & (y < high)
        assert (band[inside] == wanted).all()


def test_light_from_the_viewer_alone_shows_the_slope(paint: Callable[..., list[Raster]]) -> None:
    layer = Layer(BALL, np.ones((1, 3)), ambient=0.0)
    raster = paint((Pass(CAMERA, (layer,), facing_light=True),), 2)[0]
    x, y = _grid()
    inner = np.hypot(x, y) < 0.9 * RADIUS_MM
    slope = np.sqrt(1 - (x[inner] ** 2 + y[inner] ** 2) / RADIUS_MM**2)
    assert raster.colour[inner, 0] / 255 == pytest.approx(slope, abs=0.02)


def test_both_renderers_show_the_same() -> None:
    clip = (np.zeros(3), np.array([0.3, 0.2, 1.0]))
    layers = (
        plain_layer(BALL, "#c9b8ae", clip=clip),
        plain_layer(Surface(BALL.points * 0.4, BALL.faces), "#17376e"),
    )
    a, b = (_one(p, *layers) for p in (_plain, _vtk))
    agree = np.isfinite(a.depth) == np.isfinite(b.depth)
    assert agree.mean() > 0.995
    assert np.abs(a.colour.astype(int) - b.colour).mean() < 1.0


def test_a_triangle_larger_than_the_picture_fills_it() -> None:
    right, up = CAMERA.right, CAMERA.up
    huge = Surface(
        np.array([-900 * right - 900 * up, 900 * right - 900 * up, 900 * up]), np.array([[0, 1, 2]])
    )
    raster = _one(_plain, plain_layer(huge, "#808080"))
    assert np.isfinite(raster.depth).all()


def test_the_same_passes_give_the_same_pixels(paint: Callable[..., list[Raster]]) -> None:
    first, second = (_one(paint, plain_layer(BALL, "#c9b8ae")) for _ in range(2))
    assert (first.colour == second.colour).all()
    assert (first.depth == second.depth).all()


def test_a_translucent_body_lets_the_wall_show_through() -> None:
    behind = Surface(BALL.points * 0.5 - 20 * TOWARDS, BALL.faces)
    translucent_body = TranslucentBody(BALL, np.array([0.0, 0.5, 0.6]), 0.2, 0.6)
    view = View(CAMERA, (plain_layer(behind, "#ff0000"),), (translucent_body,))
    solid, body = _plain(passes_of(view))
    without = flatten(solid, [], 2)
    blended = flatten(solid, [(translucent_body, body)], 2)
    assert blended.shape == (160, 200, 3)
    middle = blended[80, 100].astype(int)
    # A fifth of the translucent_body's own colour over four fifths of what is behind it.
    expected = 0.8 * without[80, 100] + 0.2 * 255 * translucent_body.colour
    assert middle == pytest.approx(expected, abs=3)
    # Denser at the rim: 13.5 of 14 mm off the middle.
    rim = blended[80, 100 + round(13.5 / 0.2)].astype(float)
    assert rim.sum() < 0.75 * 3 * 255


def test_a_translucent_body_behind_the_wall_is_hidden() -> None:
    front = Surface(BALL.points * 1.2 + 40 * TOWARDS, BALL.faces)
    translucent_body = TranslucentBody(BALL, np.array([0.0, 0.5, 0.6]), 0.2, 0.6)
    view = View(CAMERA, (plain_layer(front, "#c9b8ae"),), (translucent_body,))
    solid, body = _plain(passes_of(view))
    assert (flatten(solid, [(translucent_body, body)], 2) == flatten(solid, [], 2)).all()


def _bad_worker(monkeypatch: pytest.MonkeyPatch, folder: Path, code: str) -> None:
    script = folder / "worker.py"
    script.write_text(textwrap.dedent(code), encoding="utf-8")
    monkeypatch.setattr(vtk_renderer.worker, "__file__", str(script))


CRASH = """
    import os, signal
    os.kill(os.getpid(), signal.SIGSEGV)
"""
LATE_CRASH = """
    import os, signal, sys
    import numpy as np
    from pathlib import Path
    folder = Path(sys.argv[1])
    np.save(folder / "colour-0.npy", np.zeros((320, 400, 3), dtype=np.uint8))
    np.save(folder / "depth-0.npy", np.zeros((320, 400), dtype=np.float32))
    (folder / "done-0").touch()
    os.kill(os.getpid(), signal.SIGSEGV)
"""
BLANK = LATE_CRASH.replace("np.zeros((320, 400), dtype", "np.full((320, 400), np.inf, dtype")
HANG = "import time; time.sleep(60)"
ERROR = "raise SystemExit(3)"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (CRASH, "signal 11"),
        (LATE_CRASH, "signal 11"),
        (BLANK, "nothing was drawn"),
        (ERROR, "code 3"),
        (HANG, "longer than"),
    ],
    ids=["crash", "late crash", "blank", "error", "hang"],
)
def test_a_child_that_fails_is_told_in_words(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, code: str, words: str
) -> None:
    _bad_worker(monkeypatch, tmp_path, code)
    monkeypatch.setattr(vtk_renderer, "START_ALLOWANCE_S", 1.0 if code == HANG else 60.0)
    passes = tuple(Pass(CAMERA, (plain_layer(BALL, "#808080"),)) for _ in range(2))
    rasters: Iterator[Raster] = vtk_renderer.paint(passes, 2)
    with pytest.raises(vtk_renderer.GraphicsUnavailable, match=words):
        list(rasters)
