"""The review page tells of every vein how far its measures can be relied on."""

from __future__ import annotations

import json
import pickle
from dataclasses import replace

import browser as chrome
from review.driving import SETTLED, answered, choose, enter, text

from veinfit import case
from veinfit.notes import Note
from veinfit.review.session import ReviewSession
from veinfit.review.told_vein import told_vein

LABELS = (
    "Measurement confidence",
    "Ostium's position, 95 % bound, mm",
    "Axis's direction, 95 % bound, °",
)
VEIN = "RSPV"


def test_confidence_and_bounds_come_before_the_measures(session: ReviewSession):
    vein = session.report.result.anatomy.vein(VEIN)
    confidence, place, axis, size, *_ = session.preview(VEIN, [], seats=False)["rows"]
    assert [confidence[0], place[0], axis[0]] == list(LABELS)
    assert confidence[1:] == [f"{vein.confidence:.2f}"] * 2
    assert place[1:] == [f"±{vein.ostium.error_mm:.1f}"] * 2
    assert axis[1:] == [f"±{vein.axis_error_deg:.0f}"] * 2
    assert size[0].endswith("mm") and "bound" not in size[0]
    # A vein that is not there has a dash, without a sign.
    assert [row[1] for row in told_vein(None, vein, session.report.result.anatomy)["rows"][:3]] == [
        "–", "–", "–",
    ]  # fmt: skip


def test_cautions_are_those_of_the_vein_and_of_the_whole_case(session: ReviewSession):
    anatomy = session.report.result.anatomy
    own = (Note("ostium", "no clear edge", VEIN, "caution"), Note("ostium", "plain", VEIN))
    vein = replace(anatomy.vein(VEIN), notes=own)
    notes = (
        Note("names", "the frame may be wrong", severity="warning"),
        Note("surface", "of another", "LSPV", "caution"),
        Note("surface", "its wall ends early", VEIN, "caution"),
    )
    told = told_vein(vein, vein, replace(anatomy, notes=notes))
    assert told["cautions"] == [
        "Warning. the frame may be wrong",
        "Caution. no clear edge",
        "Caution. its wall ends early",
    ]
    assert told_vein(vein, None, replace(anatomy, notes=notes))["cautions"] == []


def test_the_page_shows_them_and_a_shift_changes_them(page: chrome.Browser, server, session):
    page.open(server.address, SETTLED)
    choose(page, VEIN)
    rows = "[...document.querySelectorAll('#measures tbody tr')].slice(0, 3)"
    shown = page.evaluate(f"{rows}.map(r => [...r.cells].map(c => c.textContent))")
    assert shown == session.preview(VEIN, [], seats=False)["rows"][:3]
    enter(page, "shift", 3)
    told = answered(session, VEIN, {"vein": VEIN, "shift_mm": 3.0}, seats=False)
    wanted = json.dumps([row[2] for row in told["rows"][:3]])
    assert json.dumps([row[1] for row in told["rows"][:3]]) != wanted
    page.wait(
        f"JSON.stringify({rows}.map(r => r.cells[2].textContent)) === JSON.stringify({wanted})"
    )
    page.wait(SETTLED)
    cautions = text(page, "#cautions").splitlines() if told["cautions"] else []
    assert cautions == told["cautions"]


def test_a_frame_is_doubted_as_the_run_doubted_it(folder, monkeypatch):
    """Of a case in RAS: a doubt near the limit could become a refusal, from a rounded surface."""
    asked = []
    warned = Note("names", "the frame may be wrong", severity="warning")
    again = Note("names", "the frame stays", severity="warning")
    saved = case.load_case(folder)
    found = pickle.loads((folder.parent / "found.pickle").read_bytes())
    found = replace(found, notes=(again, *found.notes))

    def detect(source, settings, frame, progress):
        asked.append((source.trust_frame, frame))
        return found

    monkeypatch.setattr("veinfit.review.found_again.detect", detect)
    stated = replace(
        saved,
        provenance=replace(saved.provenance, frame="ras"),
        anatomy=replace(saved.anatomy, notes=(warned, *saved.anatomy.notes)),
    )
    session = ReviewSession(stated, folder / "none.toml", lambda stage: None)
    assert asked == [(True, "ras")]
    (told, *_) = session.preview(VEIN, [], seats=False)["cautions"]
    assert told == "Warning. the frame may be wrong"
    assert not any("stays" in note.text for note in session.report.result.anatomy.notes)


def test_veins_that_are_found_otherwise_than_in_the_report_are_told(folder, monkeypatch):
    saved = case.load_case(folder)
    found = pickle.loads((folder.parent / "found.pickle").read_bytes())
    monkeypatch.setattr("veinfit.review.found_again.detect", lambda *_: found)
    names = [vein.name for vein in saved.anatomy.veins]
    session = ReviewSession(saved, folder / "none.toml", lambda stage: None)
    assert not any(
        "found anew" in text for text in session.preview(VEIN, [], seats=False)["cautions"]
    )
    fewer = tuple(vein for vein in saved.anatomy.veins if vein.name != names[0])
    other = replace(saved, anatomy=replace(saved.anatomy, veins=fewer))
    session = ReviewSession(other, folder / "none.toml", lambda stage: None)
    first, *_ = session.preview(VEIN, [], seats=False)["cautions"]
    assert first.startswith("Warning. found anew from the saved surface the veins are")
    assert f"not {', '.join(names[1:])} as in the report" in first
