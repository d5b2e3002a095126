"""The 3D view, as data and as a real browser without a network draws it."""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import Browser, browser
from PIL import Image
from report.inputs import report_of
from scipy.spatial import cKDTree

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.anatomy.model import Anatomy
from veinfit.notes import Note
from veinfit.report.colours import CONTACT, rgb
from veinfit.report.model import Report
from veinfit.report.render.projection import projection_name
from veinfit.report.render.scene import side_letters
from veinfit.report.viewer.viewer import embedded_json, script_hash, write_viewer
from veinfit.report.viewer.viewer_packing import pack_gap, pack_mesh, thinned
from veinfit.report.viewer.viewer_scene import viewer_scene
from veinfit.seating.balloon import Balloon
from veinfit.seating.mechanics.modes import shaped_wall
from veinfit.seating.model import Fit
from veinfit.surface import Surface
from veinfit.surface.mesh import select_faces

HOSTILE = '</script><script>alert(1)</script><img src=x onerror="alert(2)">&amp;\u2028'
MOST_BYTES = 8_000_000


@pytest.fixture(scope="module")
def report(anatomy: Anatomy, fits: tuple[Fit, ...]) -> Report:
    line = np.stack([np.full(20, 30.0), np.full(20, 40.0), np.linspace(-40, 40, 20)], axis=1)
    ball = Surface(anatomy.wall.points * 0.3 + [0.0, 60.0, 0.0], anatomy.wall.faces)
    return report_of(
        anatomy,
        fits,
        structures={"right_phrenic_nerve": line, "oesophagus": ball},
        balloons=({"name": "28", "zone_from_deg": 0.0, "zone_to_deg": 80.0},),
    )


@pytest.fixture(scope="module")
def page(report: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("viewer") / "viewer.html"
    path.write_text(write_viewer(report), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def tab(page: Path) -> Iterator[Browser]:
    with browser() as opened:
        opened.size(1280, 900)
        opened.open(page, "window.viewer")
        yield opened


# ---- the data -------------------------------------------------------------------------------


def unpacked(mesh: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    steps = np.frombuffer(base64.b64decode(mesh["points"]), dtype="<u2").reshape(-1, 3)
    faces = np.frombuffer(base64.b64decode(mesh["faces"]), dtype="<u4" if mesh["wide"] else "<u2")
    return np.array(mesh["low"]) + mesh["step"] * steps, faces.reshape(-1, 3)


def test_a_packed_surface_is_the_surface_to_half_a_step(anatomy: Anatomy) -> None:
    points, faces = unpacked(pack_mesh(anatomy.wall))
    step = np.ptp(anatomy.wall.points, axis=0).max() / 65535
    assert np.abs(points - anatomy.wall.points).max() <= 0.51 * step + 1e-4
    assert step < 0.01
    assert np.array_equal(faces, anatomy.wall.faces)


def test_packed_gaps_are_the_gaps_and_out_of_reach_is_the_widest() -> None:
    gap = np.array([-2.0, 0.5, 7.25, 400.0, np.nan, np.inf, -50.0])
    packed = pack_gap(gap)
    steps = np.frombuffer(base64.b64decode(packed["data"]), dtype="<u2")
    shown = packed["low"] + packed["step"] * steps
    assert np.allclose(shown, [-2.0, 0.5, 7.25, 30.0, 30.0, 30.0, -10.0], atol=4e-4)


def test_thinning_keeps_places_values_and_cut_edges(anatomy: Anatomy) -> None:
    wall = anatomy.wall
    thin, kept = thinned(wall, len(wall.faces) // 2)
    assert 0.4 * len(wall.faces) < len(thin.faces) < 0.55 * len(wall.faces)
    assert np.array_equal(thin.points, wall.points[kept])
    assert set(anatomy.mitral.rim.tolist()) <= set(kept.tolist())
    same, every = thinned(wall, len(wall.faces))
    assert same is wall and np.array_equal(every, np.arange(len(wall.points)))


def test_a_patch_is_a_part_of_the_wall_that_is_drawn_around_it(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    """The balloon in one vein shapes the wall for it alone: else the wall covers gap colours."""
    shaped = [replace(fit, **_shaped(anatomy, fit, 1.5)) for fit in fits]
    scene = viewer_scene(report_of(anatomy, tuple(shaped)))
    imaged, _ = unpacked(scene["wall"])
    assert np.abs(imaged - anatomy.wall.points).max() < 0.01
    for vein in scene["veins"]:
        patch, _ = unpacked(vein["patch"])
        off, _ = cKDTree(moved(imaged, vein["wall"])).query(patch)
        assert np.median(off) < 0.02
        assert np.median(cKDTree(imaged).query(patch)[0]) > 0.1


def _shaped(anatomy: Anatomy, fit: Fit, mm: float) -> dict[str, Any]:
    """Return a patch of the wall's own vertices, as a mode of this amplitude leaves it."""
    vein = next(one for one in anatomy.veins if one.name == fit.vein)
    wall = shaped_wall(anatomy.wall, vein, (mm,))
    near = np.linalg.norm(anatomy.wall.points - vein.ostium.centre, axis=1) < 15.0
    return {
        "patch": select_faces(wall, near[wall.faces].all(axis=1))[0],
        "patch_gap_mm": None,
        "shape_amplitudes": (mm,),
    }


def moved(points: np.ndarray, moves: dict[str, Any]) -> np.ndarray:
    by = np.frombuffer(base64.b64decode(moves["by"]), dtype="<i2").reshape(-1, 3)
    out = points.copy()
    out[np.frombuffer(base64.b64decode(moves["which"]), dtype="<u4")] += moves["step"] * by
    return out


def test_six_veins_and_three_balloons_stay_small(
    six_veins: tuple[Anatomy, tuple[Fit, ...]],
) -> None:
    text = write_viewer(report_of(*six_veins))
    assert len(text.encode()) < MOST_BYTES


def test_the_same_input_gives_the_same_view(report: Report, page: Path) -> None:
    assert write_viewer(report) == page.read_text(encoding="utf-8")


def test_a_spheroid_is_drawn_as_one_with_its_rings_on_it(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    balloon = Balloon("28", 28.0, 22.0, profile="spheroid")
    turned = tuple(replace(fit, balloon_section=balloon.half_section()) for fit in fits)
    scene = viewer_scene(
        report_of(
            anatomy, turned, balloons=({"name": "28", "zone_from_deg": 30.0, "zone_to_deg": 80.0},)
        )
    )
    for vein in scene["veins"]:
        fit = vein["fits"][0]
        z, r = np.array(fit["profile"]).T
        assert (z[0], z[-1], r.max()) == pytest.approx((-11.0, 11.0, 14.0), abs=0.005)
        assert np.hypot(z / 11.0, r / 14.0) == pytest.approx(np.ones(len(z)), abs=2e-3)
        rings = np.array(fit["rings"])
        polar = np.degrees(np.arctan2(rings[:, 1], rings[:, 0]))
        assert polar == pytest.approx([30.0, 80.0, 90.0], abs=0.2)
        on_it = np.hypot(rings[:, 0] / 11.0, rings[:, 1] / 14.0)
        assert on_it == pytest.approx(np.ones(3), abs=2e-3)


def test_a_case_without_veins_or_seats_is_still_a_view(
    anatomy: Anatomy, fits: tuple[Fit, ...], without_seat: Callable[[Fit], Fit]
) -> None:
    bare = replace(anatomy, veins=(), appendage=None, mitral=None, ridges=(), notes=())
    assert viewer_scene(report_of(bare, ()))["veins"] == []
    gone = tuple(map(without_seat, fits))
    for vein in viewer_scene(report_of(anatomy, gone))["veins"]:
        assert [fit["centre"] for fit in vein["fits"]] == [None, None]
        assert all(fit["gap"] is None for fit in vein["fits"])


def test_the_septal_crossing_is_marked_and_said_to_be_estimated(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    assert viewer_scene(report_of(anatomy, fits))["marks"] == []
    for source, words in (("estimated", "estimated"), ("landmark", "given")):
        septum = SeptalCrossing(np.array([-20.0, -3.5, 4.0]), source, 0.5)
        (mark,) = viewer_scene(report_of(replace(anatomy, septum=septum), fits))["marks"]
        assert mark["text"] == f"septal crossing, {words}"
        assert mark["at"] == [-20.0, -3.5, 4.0]


def test_text_in_json_cannot_end_the_script() -> None:
    text = str(embedded_json({"a": HOSTILE}))
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == {"a": HOSTILE}


# ---- the page in a browser ------------------------------------------------------------------


def pixels(tab: Browser) -> np.ndarray:
    """Return what the canvas shows, after the next drawing."""
    tab.evaluate("new Promise((f) => requestAnimationFrame(() => requestAnimationFrame(f)))")
    data = tab.evaluate("viewer.canvas.toDataURL('image/png')").partition(",")[2]
    with Image.open(io.BytesIO(base64.b64decode(data))) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def near(picture: np.ndarray, colour: str, tolerance: int = 40) -> int:
    """Count the pixels about as tinted as ``colour``, whatever the light on them."""
    wanted = rgb(colour) * 255
    brightest = picture.max(axis=2, keepdims=True).clip(1)
    even = picture * (wanted.max() / brightest)
    dark = picture.max(axis=2) < 235
    return int((dark & (np.abs(even - wanted).max(axis=2) < tolerance)).sum())


def test_it_draws_with_no_network_and_without_a_fault(tab: Browser, page: Path) -> None:
    shown = pixels(tab)
    assert (shown.min(axis=2) < 235).mean() > 0.05
    assert tab.requests == [page.as_uri()]
    assert tab.faults == []


@pytest.mark.slow
def test_a_vein_a_balloon_and_every_part_can_be_chosen(tab: Browser, report: Report) -> None:
    tab.click("#veins label:nth-of-type(2) input")
    assert tab.evaluate("viewer.state().vein") == 0
    told = tab.evaluate("document.getElementById('told').textContent").replace("\xa0", " ")
    assert "left superior pulmonary vein" in told and "28 mm" in told
    with_gap = pixels(tab)
    assert near(with_gap, CONTACT) > 200
    for part in ("gap", "wall", "balloon", "planes", "structures", "names", "cut"):
        before = pixels(tab)
        tab.click(f"#{part}")
        assert tab.evaluate(f"viewer.state().shown.{part}") is False
        after = pixels(tab)
        if part not in {"names", "structures", "cut"}:
            assert (before != after).any(), part
    assert near(pixels(tab), CONTACT) == 0
    assert (pixels(tab) < 250).sum() == 0
    for part in ("gap", "wall", "balloon", "planes", "structures", "names", "cut"):
        tab.click(f"#{part}")
    assert np.array_equal(pixels(tab), with_gap)
    tab.click("#sizes label:nth-of-type(2) input")
    assert tab.evaluate("viewer.state().fit") == 1
    told = tab.evaluate("document.getElementById('told').textContent").replace("\xa0", " ")
    assert "31 mm" in told and "28 mm" not in told
    tab.click("#home")
    fit = next(f for f in report.result.fits if f.vein == "LSPV" and f.balloon == "31")
    assert np.allclose(tab.evaluate("viewer.state().focal"), fit.centre, atol=0.01)


def test_it_is_worked_by_keys_alone(tab: Browser) -> None:
    tab.evaluate("(viewer.choose(null), viewer.look(0, 0), viewer.canvas.focus())")
    tab.key("ArrowRight")
    tab.key("ArrowUp")
    state = tab.evaluate("viewer.state()")
    assert (state["lao"], state["cranial"]) == (5, 5)
    assert tab.evaluate("document.getElementById('projection').textContent") == "LAO 5°, cranial 5°"
    half = state["half"]
    tab.key("+", "+")
    assert tab.evaluate("viewer.state().half") == pytest.approx(half / 1.15)
    focal = state["focal"]
    tab.key("ArrowLeft", shift=True)
    assert tab.evaluate("viewer.state().focal") != focal
    tab.key("Home")
    assert tab.evaluate("viewer.state().lao") == -180
    reached = []
    for _ in range(14):
        tab.key("Tab")
        reached.append(tab.evaluate("document.activeElement.id || document.activeElement.name"))
    assert {"vein", "wall", "gap", "balloon", "planes", "home"} <= set(reached)


def test_a_drag_turns_and_a_page_may_take_it_over(tab: Browser) -> None:
    tab.evaluate("(viewer.choose(null), viewer.look(0, 0), window.scrollTo(0, 0))")
    x, y, w, h = tab.evaluate(
        "(() => { const b = viewer.canvas.getBoundingClientRect();"
        "return [b.x, b.y, b.width, b.height]; })()"
    )
    tab.drag((x + w / 2, y + h / 2), (x + w / 2 - 100, y + h / 2))
    assert tab.evaluate("viewer.state().lao") == pytest.approx(40, abs=1)
    tab.evaluate(
        "(() => { let on = true; window.moves = []; viewer.intercept((at) => on ? { move: (m) =>"
        " window.moves.push(m.x - at.x), end: () => { on = false; } } : null); })()"
    )
    before = tab.evaluate("viewer.state().lao")
    tab.drag((x + w / 2, y + h / 2), (x + w / 2 + 40, y + h / 2))
    assert tab.evaluate("viewer.state().lao") == before
    assert tab.evaluate("window.moves.at(-1)") == pytest.approx(40, abs=1)


def test_rays_and_places_on_the_screen_are_each_others_inverse(tab: Browser) -> None:
    tab.evaluate("viewer.look(33, -21)")
    point = [12.0, -7.0, 20.0]
    x, y, _ = tab.evaluate(f"viewer.project({point})")
    ray = tab.evaluate(f"viewer.ray({x}, {y})")
    origin, direction = np.array(ray["origin"]), np.array(ray["direction"])
    across = np.cross(np.array(point) - origin, direction)
    assert np.linalg.norm(across) < 1e-6
    assert np.linalg.norm(direction) == pytest.approx(1)


def test_a_body_of_ones_own_is_drawn_and_taken_away(tab: Browser) -> None:
    tab.evaluate("(viewer.choose(null), viewer.reset())")
    before = pixels(tab)
    tab.evaluate("viewer.setBody('handle', {...viewer.sphere([0, 90, 0], 6), colour: [0, 0.8, 0]})")
    assert near(pixels(tab), "#00cc00") > 100
    tab.evaluate("viewer.setBody('handle', null)")
    assert np.array_equal(pixels(tab), before)


@pytest.mark.slow
def test_names_and_letters_are_those_of_the_pictures(tab: Browser) -> None:
    """The page's own script names directions: it must say what the pictures say."""
    for lao, cranial in [(0, 0), (180, 0), (30, 20), (-60, -35), (135, 80), (-100, 10), (0, 90)]:
        tab.evaluate(f"viewer.look({lao}, {cranial})")
        pixels(tab)
        state = tab.evaluate("viewer.state()")
        assert state["name"] == projection_name(lao, cranial)
        for kind, key, sign in (("east", "right", 1), ("west", "right", -1), ("north", "up", 1)):
            word = tab.evaluate(f"document.querySelector('.names .{kind}').textContent")
            assert word == side_letters(sign * np.array(state[key])), (lao, cranial, kind)


def test_the_key_explains_every_line_and_names_keep_off_the_projection(tab: Browser) -> None:
    said = tab.evaluate("document.getElementById('signs').innerText")
    for line in ("shaft and equator", "ostium of a vein", "rim of the mitral opening"):
        assert line in said
    box = (
        "(() => {const b = document.querySelector('%s').getBoundingClientRect();"
        "return [b.left, b.top, b.right, b.bottom]; })()"
    )
    corner = tab.evaluate(box % ".projection")
    # A name that is moved there: its own place lies under the corner's words.
    moved = tab.evaluate(
        "(() => { const overlay = document.createElement('div'), stage = document.getElementById("
        "'stage'); stage.append(overlay); overlay.className = 'names';"
        "createNames(overlay, () => [30, 20, 0])({ view: { right: [1, 0, 0], up: [0, 0, 1] },"
        "w: 800, h: 600, px: 0.1, before: -1, wall: null,"
        "marks: [{ text: 'RSPV', kind: 'name', places: [[0, 0, 0]] }] });"
        "const b = overlay.querySelector('.name').getBoundingClientRect(); overlay.remove();"
        "return [b.left, b.top, b.right, b.bottom]; })()"
    )
    assert moved[0] < corner[2]
    assert moved[1] >= corner[3] - 1.0


@pytest.mark.slow
def test_names_do_not_lie_over_each_other_on_a_small_screen(tab: Browser) -> None:
    tab.size(390, 844)
    for lao in range(-180, 180, 45):
        tab.evaluate(f"viewer.look({lao}, 20)")
        pixels(tab)
        boxes = tab.evaluate(
            "[...document.querySelectorAll('.names .name, .names .near')].map((e) => {"
            "const b = e.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]; })"
        )
        assert len(boxes) >= 3
        for i, a in enumerate(boxes):
            for b in boxes[:i]:
                assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
    wide = "document.documentElement.scrollWidth"
    assert tab.evaluate(wide) <= 390
    tab.size(1280, 900)


def test_no_name_can_become_markup_or_script(
    tab: Browser, anatomy: Anatomy, fits: tuple[Fit, ...], page: Path
) -> None:
    vein = replace(anatomy.veins[0], name=HOSTILE)
    case = replace(anatomy, veins=(vein,))
    fit = replace(
        next(f for f in fits if f.leaks),
        vein=HOSTILE, balloon=HOSTILE, reason=HOSTILE, leak_side=HOSTILE,
        distances_mm={HOSTILE: 4.0},
    )  # fmt: skip
    fit = replace(fit, leaks=tuple(replace(leak, side=HOSTILE) for leak in fit.leaks))
    text = write_viewer(
        report_of(
            case, (fit,), case_id=HOSTILE, version=HOSTILE, structures={HOSTILE: anatomy.wall}
        )
    )
    assert text.count("<script") == 2 and "<img" not in text
    scripts = re.findall(r"<script>(.*?)</script>", text, flags=re.S)
    assert script_hash(scripts[0]) in text
    hostile = page.with_name("hostile.html")
    hostile.write_text(text, encoding="utf-8")
    tab.evaluate("window.alert = () => { throw new Error('alert'); }")
    tab.open(hostile, "window.viewer")
    tab.click("#veins label:nth-of-type(2) input")
    assert tab.evaluate("document.querySelectorAll('img, script:not(#scene)').length") == 1
    assert "</script><script>alert(1)" in tab.evaluate("document.body.innerText")
    assert tab.faults == []
    # And were a script slipped in, the browser would not run it.
    page.with_name("slipped.html").write_text(
        text.replace("</main>", "<script>window.slipped = true</script></main>"), encoding="utf-8"
    )
    tab.open(page.with_name("slipped.html"), "window.viewer")
    assert tab.evaluate("window.slipped === undefined") is True
    assert any("Content Security Policy" in fault for fault in tab.faults)


def test_a_browser_that_cannot_draw_says_so_and_points_to_the_report(page: Path) -> None:
    with browser(webgl=False) as tab:
        tab.open(page)
        told = tab.evaluate("document.body.innerText")
        assert "WebGL 2 is missing" in told
        assert tab.evaluate("document.querySelector('#missing a').getAttribute('href')") == (
            "report.html"
        )
        assert tab.evaluate("document.getElementById('tools').hidden") is True


def test_a_warning_stands_above_the_view(report: Report) -> None:
    doubt = Note("names", "left may be <right>", severity="warning")
    anatomy = replace(report.result.anatomy, notes=(*report.result.anatomy.notes, doubt))
    told = write_viewer(replace(report, result=replace(report.result, anatomy=anatomy)))
    line = '<p class="warning" role="alert"><strong>Warning</strong>: left may be &lt;right&gt;</p>'
    assert told.index(line) < told.index("<h1>")
    assert 'class="warning"' not in write_viewer(report)
