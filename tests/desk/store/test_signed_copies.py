"""The report with its signature: what was looked over, and who signed it."""

from __future__ import annotations

import json
import time

import pytest
from desk.quick_jobs import write_result
from reportlab.pdfgen.canvas import Canvas

from veinfit.desk.store.cases import CaseFolder, make_case
from veinfit.desk.store.options import CaseOptions
from veinfit.desk.store.signed_copies import local_time, write_copies
from veinfit.desk.store.signing import changed_since_signing, mark_reviewed, reopen, sign
from veinfit.errors import InputError
from veinfit.report.paper.stamp import leave_room


@pytest.fixture
def case(tmp_path) -> CaseFolder:
    one = make_case(tmp_path, "a", CaseOptions(input="inputs/x.ply"))
    result = one.path / "result"
    write_result(result)
    (result / "report.html").write_text("<h1>a</h1>\n<!-- room for a signature -->\n<p>b</p>")
    canvas = Canvas(str(result / "report.pdf"), pagesize=(500, 500))
    leave_room(canvas, 30, 30, 440)
    canvas.showPage()
    canvas.save()
    return one


def test_the_signature_stands_on_copies_and_the_results_stay(case):
    before = {p.name: p.read_bytes() for p in (case.path / "result").iterdir()}
    mark_reviewed(case, "reader 1")
    sign(case, "reader <2>")
    assert {p.name: p.read_bytes() for p in (case.path / "result").iterdir()} == before
    signed = json.loads((case.path / "signed.json").read_text())
    assert signed["reviewed"]["who"] == "reader 1"
    assert {"signed/report.html", "signed/report.pdf"} <= set(signed["files"])
    page = (case.path / "signed" / "report.html").read_text()
    for told in ("reader &lt;2&gt;", "looked over by reader 1", signed["result"], "UTC", "veinfit"):
        assert told in page
    assert page.startswith("<h1>a</h1>\n") and page.endswith("\n<p>b</p>")
    pdf = (case.path / "signed" / "report.pdf").read_bytes()
    assert pdf.startswith(before["report.pdf"]) and len(pdf) > len(before["report.pdf"])
    (case.path / "signed" / "report.html").write_text("other")
    assert changed_since_signing(case) == ("signed/report.html",)
    reopen(case, "reader 1", "a vein was missed")
    assert not (case.path / "signed").exists()
    assert (case.path / "signed-1" / "report.html").read_text() == "other"
    # A desk that was killed in the middle of a reopening has left the copies in their old place.
    (case.path / "signed-1").rename(case.path / "signed")
    sign(case, "reader 1")
    assert (case.path / "signed-1" / "report.html").read_text() == "other"
    assert "reader 1" in (case.path / "signed" / "report.html").read_text()


def test_a_report_without_room_is_not_signed(case):
    (case.path / "result" / "report.pdf").write_bytes(b"%PDF-1.4")
    mark_reviewed(case, "reader 1")
    with pytest.raises(InputError, match="no room for a signature"):
        sign(case, "reader 1")
    assert not case.is_signed and not (case.path / "signed").exists()
    (case.path / "result" / "report.pdf").unlink()
    assert write_copies(case, {}) == ()


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone is the system's")
@pytest.mark.parametrize(
    ("zone", "told"),
    [
        # Offsets of the IANA time zones; POSIX counts them the other way round.
        ("UTC0", "2026-11-29 23:30 UTC"),
        ("CET-1", "2026-11-30 00:30 UTC+1"),
        ("NST3:30", "2026-11-29 20:00 UTC−3:30"),
    ],
)
def test_times_are_told_in_the_local_zone(monkeypatch, zone, told):
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        assert local_time("2026-11-29T23:30:00Z") == told
    finally:
        monkeypatch.undo()
        time.tzset()
