"""A missed vein, added by a click on the surface; what is dropped and corrected is marked.

The truth is what the program finds by itself: it is dropped, and must come back
from a click.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from review.driving import SETTLED, answered, choose, enter, save, text

from veinfit.errors import InputError
from veinfit.io.inputs.corrections import read_corrections
from veinfit.review.vein_seats import VeinSeats
from veinfit.seating.balloon_file import parse_balloons
from veinfit.seating.seat import seat_vein

DOUBTS = 3
"""Rows that tell how far the measures can be relied on, before those of the measures."""
VEIN = "RIPV"
"""It points backward: seen from behind its far end lies before everything else."""


def far_end(session) -> np.ndarray:
    line = session._before[VEIN].centreline
    return np.array(line.points[int(0.7 * len(line.points))])


def test_a_place_of_the_surface_leads_into_the_blood(session):
    aim = far_end(session)
    point, names = session.place(aim + [0.0, 200.0, 0.0], np.array([0.0, -1.0, 0.0]))
    # Half way through a round tube, along a ray through its middle, is its middle.
    assert np.linalg.norm(point - aim) < 2.5
    assert names[0] == VEIN
    with pytest.raises(InputError, match="no atrium under that place"):
        session.place(aim + [0.0, 200.0, 0.0], np.array([0.0, 1.0, 0.0]))


def test_only_the_last_question_of_a_drag_is_worked_on(session):
    session._newest = 10**6
    try:
        assert session.preview(VEIN, [], seats=True) == {"superseded": True}
    finally:
        session._newest = 0


@pytest.mark.slow
def test_the_balloon_in_view_is_seated_first_and_the_same_as_ever(session, monkeypatch):
    two = replace(session._result, balloons=parse_balloons(["28", "31"]))
    monkeypatch.setattr(session, "_seats", VeinSeats(two))
    entries = [{"vein": VEIN, "shift_mm": 1.0}]
    at_once = session.preview(VEIN, entries, seats=True)
    monkeypatch.setattr(session, "_seats", VeinSeats(two))
    first = session.preview(VEIN, entries, seats=True, first=1)
    assert at_once["whole"] and not first["whole"]
    assert [fit["diameter"] for fit in first["vein"]["fits"]] == [31.0]
    then = session.preview(VEIN, entries, seats=True)
    assert then["vein"]["fits"] == at_once["vein"]["fits"]
    assert [fit["diameter"] for fit in then["vein"]["fits"]] == [28.0, 31.0]


def test_what_a_drag_leaves_out_changes_no_seat(session):
    """Growth, freezing and places of the crossing are not worked out for a drag."""
    case = session._result
    vein = next(one for one in session._automatic.veins if one.name == VEIN)
    anatomy, line = session._automatic, session._seats.approaches
    (fit,) = session.seats(anatomy, vein)
    (full,) = seat_vein(anatomy, vein, case.balloons, case.settings.seating, line)
    assert (fit.depth_mm, fit.leak_width_mm, fit.sealed) == (
        full.depth_mm, full.leak_width_mm, full.sealed,
    )  # fmt: skip


@pytest.mark.slow
def test_a_click_adds_a_vein(page, server, session, target):
    page.open(server.address, SETTLED)
    choose(page, VEIN)
    enter(page, "who", "reader 2")
    enter(page, "why", "to be found again")
    page.evaluate("document.getElementById('drop').click()")
    gone = "document.querySelector('#told').innerText.includes('no longer a vein')"
    page.wait(f"{gone} && {SETTLED}")
    assert f"{VEIN} (dropped)" in text(page, "#veins")
    page.click("#add")
    page.wait("!document.querySelector('#add-told').hidden")
    names = "[...document.querySelectorAll('#stage .names span')].map(e => e.textContent)"
    page.wait(f"{names}.includes('{VEIN}, dropped')")
    place = page.evaluate(
        "(() => { const scene = JSON.parse(document.getElementById('scene').textContent);"
        "const c = document.querySelector('canvas'), b = c.getBoundingClientRect();"
        f"const p = {json.dumps(far_end(session).tolist())};"
        "const px = 2 * scene.radius / Math.min(c.clientWidth, c.clientHeight);"
        # From behind: the patient's right is on the right.
        "return [b.x + c.clientWidth / 2 - (p[0] - scene.centre[0]) / px,"
        "b.y + c.clientHeight / 2 - (p[2] - scene.centre[2]) / px]; })()"
    )
    page.drag(tuple(place), tuple(place))
    page.wait("document.querySelector('#veins input:checked').value.startsWith('+')")
    page.wait(f"document.querySelectorAll('#measures tbody tr').length > 3 && {SETTLED}")
    assert page.evaluate("document.querySelector('#rename').value") == VEIN
    assert "28\u00a0mm: " in text(page, "#told")
    enter(page, "why", "missed")
    if os.environ.get("VEINFIT_KEEP_PICTURES"):
        Path(os.environ["VEINFIT_KEEP_PICTURES"] + "-added.png").write_bytes(page.picture())
    save(page, "#saved")
    drop, add = sorted(read_corrections(target), key=lambda one: one.add_at is not None)
    assert (drop.vein, drop.drop) == (VEIN, True)
    assert (add.vein, add.who, add.why) == (VEIN, "reader 2", "missed")
    # The measures shown are those of the vein that was there.
    shown = page.evaluate(
        "[...document.querySelectorAll('#measures tbody tr')].map(r => r.cells[2].textContent)"
    )
    rows = session.preview(VEIN, [], seats=False)["rows"]
    assert shown[DOUBTS:] == [row[1] for row in rows[DOUBTS:]]
    # As a person clicked it, its name is sure; how far its ostium can be relied on is told too.
    assert shown[1].startswith("±")

    page.click("#undo")
    page.wait(f"!document.querySelector('#veins input:checked').value.startsWith('+') && {SETTLED}")


@pytest.mark.slow
def test_a_drag_of_the_plane_ends_in_new_seats(page, server, session, target):
    page.open(server.address, SETTLED)
    choose(page, VEIN)
    # Seen from the side, the camera on the balloon's centre: the plane lies in a line, its
    # normal in the picture. It is taken at its centre and drawn 3 mm into the vein.
    start, end = page.evaluate(
        "(() => { const scene = JSON.parse(document.getElementById('scene').textContent);"
        f"const vein = scene.veins.find((one) => one.name === '{VEIN}'), t = vein.side;"
        "const a = Math.atan2(t[0], -t[1]), b = Math.asin(t[2]);"
        "const right = [Math.cos(a), Math.sin(a), 0];"
        "const up = [-Math.sin(b) * Math.sin(a), Math.sin(b) * Math.cos(a), Math.cos(b)];"
        "const c = document.querySelector('canvas'), box = c.getBoundingClientRect();"
        "const px = 2 * vein.view / Math.min(c.clientWidth, c.clientHeight);"
        "const focal = vein.fits[0]?.centre ?? vein.centre;"
        "const dot = (u, v) => u[0] * v[0] + u[1] * v[1] + u[2] * v[2];"
        "return [0, 3].map((mm) => {"
        "  const d = vein.centre.map((x, i) => x + mm * vein.axis[i] - focal[i]);"
        "  return [box.x + c.clientWidth / 2 + dot(d, right) / px,"
        "          box.y + c.clientHeight / 2 - dot(d, up) / px]; }); })()"
    )
    page.drag(tuple(start), tuple(end))
    shift = page.evaluate("Number(document.getElementById('shift').value)")
    assert shift == pytest.approx(3.0, abs=0.3)  # the slide goes in quarters of a millimetre
    page.wait(f"document.querySelectorAll('#measures td.other').length > 3 && {SETTLED}")
    told = answered(session, VEIN, {"vein": VEIN, "shift_mm": shift}, seats=True)
    # The seats of what the pointer passed on its way may be told before those of where it ended.
    for fit in told["vein"]["fits"]:
        said = json.dumps(f"{fit['title']}: {fit['verdict']}")
        page.wait(f"document.getElementById('told').innerText.includes({said})")
    page.wait("![...document.querySelectorAll('#told p')].some(p => p.style.opacity)")
