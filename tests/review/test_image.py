"""The image on the review page: what it shows, and the ostial plane in hand on it."""

from __future__ import annotations

import base64

import browser as chrome
import nibabel
import numpy as np
import pytest
from review import driving

from veinfit.cli import main
from veinfit.errors import InputError
from veinfit.frames import clock_basis
from veinfit.labels.image import ImageVolume
from veinfit.review.image_view import POINTS, UNSEEN
from veinfit.review.page import write_review
from veinfit.review.server import ReviewServer
from veinfit.review.session import ReviewSession

SLOPE = np.array([1.0, 2.0, 3.0])
"""Grey value a mm along each of the patient's axes: linear interpolation gives it back exactly."""


TILT = np.radians(12.0)


def field(points):
    return 100.0 + np.asarray(points) @ SLOPE


@pytest.fixture(scope="module")
def session(begin) -> ReviewSession:
    session = begin()
    wall = session.report.result.anatomy.wall
    low = wall.points.min(axis=0) - 10.0
    high = wall.points.max(axis=0) + 10.0
    affine = np.diag([2.0, 2.0, 2.0, 1.0])
    affine[:3, 3] = low
    index = np.moveaxis(np.indices(tuple(np.ceil((high - low) / 2.0).astype(int))), 0, -1)
    session.show_image(ImageVolume(field(low + 2.0 * index).astype(np.float32), affine))
    return session


@pytest.fixture(scope="module")
def server(session, folder):
    with ReviewServer(session, folder, *write_review(session)) as served:
        served.start()
        yield served
        served.shutdown()


def asked(vein, kind):
    plain = {"centre": vein.ostium.centre, "normal": vein.ostium.normal, "axis": vein.axis}
    return {"kind": kind, **{name: value.tolist() for name, value in plain.items()}}


@pytest.mark.parametrize("kind", range(3))
def test_a_plane_is_what_lies_there(session, kind):
    vein = session.report.result.anatomy.veins[0]
    told = session.image_plane(asked(vein, kind))
    steps = np.frombuffer(base64.b64decode(told["values"]), "<u2").reshape(POINTS, POINTS)
    right, up = np.array(told["right"]), np.array(told["up"])
    along = np.linspace(-30.0, 30.0, POINTS)
    places = vein.ostium.centre + along[None, :, None] * right + along[::-1, None, None] * up
    seen = steps != UNSEEN
    assert seen.mean() > 0.5
    # Half a voxel past the outermost ones the last value stays.
    shown = told["low"] + told["step"] * steps
    assert np.median(np.abs(shown - field(places))[seen]) < 0.01
    if kind:
        assert up == pytest.approx(vein.ostium.normal, abs=1e-6)
    else:
        # From the atrium, cranial up: right is where clock hands are at three.
        assert np.cross(right, up) == pytest.approx(-vein.ostium.normal, abs=1e-5)
        assert up[2] > 0.3
    # Letters as of the patient's axes: left, posterior and head are positive.
    letters = dict(zip("LPH", right, strict=True))
    opposite = {"R": -letters["L"], "A": -letters["P"], "F": -letters["H"]}
    assert all((letters | opposite)[letter] > 0.3 for letter in told["sides"][0])


def test_the_ostial_contour_is_the_wall_s_cut(session):
    vein = session.report.result.anatomy.veins[0]
    told = session.image_plane(asked(vein, 0))
    rim = vein.ostium.contour.points - vein.ostium.centre
    flat = np.column_stack([rim @ told["right"], rim @ told["up"]])
    curves = np.concatenate([np.array(curve) for curve in told["curves"]])
    gaps = np.linalg.norm(flat[:, None] - curves[None], axis=2).min(axis=1)
    assert gaps.max() < 0.05


def test_what_is_no_plane_is_refused(session):
    vein = session.report.result.anatomy.veins[0]
    for wrong in (
        {"kind": 3}, {"kind": "0"}, {"kind": True}, {"centre": [1, 2]}, {"normal": [0, 0, 0]},
        {"axis": [float("nan"), 0, 1]}, {"centre": None},
    ):  # fmt: skip
        with pytest.raises(InputError, match="impossible plane"):
            session.image_plane({**asked(vein, 0), **wrong})


def test_a_review_without_an_image_has_no_place_for_it(begin):
    plain = begin()
    assert 'id="image"' not in write_review(plain)[0]
    with pytest.raises(InputError, match="start it with --image"):
        plain.image_plane({})


def test_an_image_that_cannot_be_used_ends_the_command(folder, tmp_path, capfd):
    affine = np.eye(4)
    affine[:3, 3] = 900.0
    nibabel.save(nibabel.Nifti1Image(np.zeros((9, 9, 9), np.int16), affine), tmp_path / "far.nii")
    code = main(["review", str(folder), "--image", str(tmp_path / "far.nii"), "--no-browser"])
    out, err = capfd.readouterr()
    assert code == 2 and out == "" and "shows nothing of the atrium" in err


def box(page: chrome.Browser, kind: int) -> dict[str, float]:
    found = page.evaluate(
        f"(() => {{ const e = document.getElementById('image-{kind}'); e.scrollIntoView();"
        "const b = e.getBoundingClientRect(); return {x: b.x, y: b.y, width: b.width}; })()"
    )
    return dict(found)


def pixel(page: chrome.Browser, kind: int, x_mm: float, y_mm: float) -> list[int]:
    return list(
        page.evaluate(
            f"(() => {{ const c = document.getElementById('image-{kind}'), k = c.width / 60;"
            f"const x = (30 + {x_mm}) * k, y = (30 - {y_mm}) * k;"
            "const pen = new OffscreenCanvas(1, 1).getContext('2d', {willReadFrequently: true});"
            "pen.drawImage(c, -Math.floor(x), -Math.floor(y));"
            "return [...pen.getImageData(0, 0, 1, 1).data]; })()"
        )
    )


@pytest.fixture
def opened(server, target, session):
    with chrome.browser(loopback=True) as page:
        page.size(1280, 900)
        page.open(server.address, driving.SETTLED)
        page.wait("document.body.dataset.imaged === '3'")
        yield page, session.report.result.anatomy.veins[0]
        assert page.faults == []


def test_the_window_changes_what_is_seen(opened):
    page, _ = opened
    before = pixel(page, 1, 20, -4)
    assert before[0] == before[1] == before[2]
    driving.enter(page, "window-level", 10_000)
    assert pixel(page, 1, 20, -4)[:3] == [0, 0, 0]
    page.click("#window-back")
    assert pixel(page, 1, 20, -4) == before
    # Scrolled down, the image stays below the 3D view: neither covers the other.
    stage, image = (
        f"document.getElementById('{name}').getBoundingClientRect()" for name in ("stage", "image")
    )
    page.evaluate("scrollTo(0, 300)")
    assert page.evaluate("scrollY") > 100
    assert page.evaluate(f"{stage}.bottom <= {image}.top")


def test_the_grey_value_under_the_mouse_is_told(opened):
    page, _ = opened
    there = box(page, 2)
    page.call("Input.dispatchMouseEvent", type="mouseMoved", x=there["x"] + 90, y=there["y"] + 70)
    page.wait("document.getElementById('image-grey').textContent !== ''")
    value, place = driving.text(page, "#image-grey").split(" at ")
    point = [float(c) for c in place.strip("() m").replace("−", "-").rstrip(")").split(",")]
    assert float(value) == pytest.approx(field(point), abs=1.0)


@pytest.mark.slow
def test_the_plane_is_dragged_on_the_image(opened):
    page, vein = opened
    there = box(page, 1)
    middle = (there["x"] + there["width"] / 2, there["y"] + there["width"] / 2)
    mm = there["width"] / 60.0
    page.drag(middle, (middle[0], middle[1] - 3.0 * mm))
    page.wait(f"document.querySelectorAll('#measures td.other').length > 3 && {driving.SETTLED}")
    shift = driving.number(page, "#shift-told")
    # What is seen of the axis: a millimetre along it takes so much of the picture.
    right, up = clock_basis(vein.ostium.normal)[1], vein.ostium.normal
    seen = np.array([vein.axis @ right, vein.axis @ up])
    assert shift == pytest.approx(3.0 * seen[1] / (seen @ seen), abs=0.15)
    # An end is dragged toward the vein: the plane tilts.
    reach = 0.5 * vein.ostium.measures.d_max_mm + 6.0
    turned = np.array([np.cos(TILT), -np.sin(TILT)])
    line = middle[0], middle[1] - 3.0 * mm
    page.drag((line[0] + reach * mm, line[1]), tuple(line + reach * mm * turned))
    page.wait(driving.SETTLED)
    tilt = driving.number(page, "#tilt-told")
    assert tilt == pytest.approx(np.degrees(TILT), abs=1.5)
