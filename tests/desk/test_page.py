"""The desk in a real browser, as a person uses it."""

from __future__ import annotations

import hashlib
import json
import threading
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import atria
import browser as chrome
import nibabel
import numpy as np
import pytest
from desk.using import SET_UP, SETTLED, at_state, enter, give, text
from few_tries import NO_MARGIN
from printed import pages_of

from veinfit.desk.site import site as site_pages
from veinfit.desk.site.desk import Desk
from veinfit.desk.site.site import desk_app, site_of
from veinfit.desk.store.journal import read_journal
from veinfit.io.inputs.landmarks import read_landmarks
from veinfit.review.local_site import LocalSite

pytestmark = pytest.mark.slow


@pytest.fixture
def volume(tmp_path) -> Path:
    values = np.zeros((60, 50, 40), np.uint8)
    values[10:50, 10:40, 5:35] = 1
    values[50:58, 20:30, 15:25] = 4
    path = tmp_path / "b.nii.gz"
    nibabel.save(nibabel.Nifti1Image(values, np.diag([1.0, 1.0, 1.0, 1.0])), path)
    return path


def test_parts_a_clash_signing_reopening_and_two_windows(page, client, desk, volume):
    page.open(client.site.address)
    give(page, "#files", volume)
    page.wait(f"location.pathname.endsWith('/case/b/') && {SET_UP}")
    assert page.evaluate("document.querySelectorAll('#parts tr').length") == 2
    # The middle of the picture shows the larger part: a click finds it.
    page.click("#stage-box canvas")
    page.wait("!!document.querySelector('#parts tr[aria-selected=true]')")
    assert text(page, "#parts tr[aria-selected=true] button").strip() == "1"
    enter(page, "#parts tr:nth-child(1) input", "left_atrium")
    page.click("#parts-save")
    page.wait(f"document.querySelector('#parts-saved').textContent !== '' && {SET_UP}")
    assert desk.case("b").options.input == "inputs/b.nii.gz"

    # A landmark is set by a click on the surface.
    page.click("#mark-set")
    page.click("#stage-box canvas")
    page.wait("document.querySelector('#marks-saved').textContent !== ''")
    marks = desk.case("b").path / desk.case("b").options.landmarks
    assert marks.read_text().count("septal_crossing") == 1
    # RAS voxels 10 to 49 in x and 10 to 39 in y: seen from the front, the wall at y = -39.5 LPS.
    point = [float(c) for c in marks.read_text().splitlines()[-1].split(",")[1:]]
    assert -50 < point[0] < -9 and abs(point[1] + 39.5) < 1.5

    # Another file of the name is asked about.
    (volume.parent / "other").mkdir()
    other = volume.parent / "other" / "b.nii.gz"
    values = np.asarray(nibabel.load(volume).dataobj).copy()
    values[0, 0, 0] = 9
    nibabel.save(nibabel.Nifti1Image(values, np.eye(4)), other)
    give(page, "#add-files", other)
    page.wait("document.querySelector('#clash')?.open")
    page.click("#clash button[value='']")
    page.wait("!document.querySelector('#clash')")
    assert len(list((desk.case("b").path / "inputs").glob("b*.nii.gz"))) == 1

    page.click("#run")
    at_state(page, "to review")
    enter(page, "#who", "reader 1")
    page.click("#reviewed")
    at_state(page, "reviewed")
    page.click("#sign")
    at_state(page, "signed")
    assert page.evaluate("document.querySelector('#run') === null")
    signed = json.loads((desk.case("b").path / "signed.json").read_text())
    assert signed["who"] == "reader 1" and "inputs/b.nii.gz" in signed["files"]
    enter(page, "#why", "a vein was missed")
    page.click("#reopen")
    at_state(page, "reviewed")
    assert [e["what"] for e in read_journal(desk.case("b").path).entries][-1] == "reopened"

    # A second window on another desk of the same folder is told, and shows the case.
    second = Desk(desk.folder, function="quick_jobs:work")
    second.begin()
    with LocalSite(desk_app(second)) as site:
        site.start()
        page.open(site.address, "!!document.querySelector('#rows tr')")
        assert text(page, "#reading").startswith("Another desk")
        page.open(client.site.address, "!!document.querySelector('#rows tr')")
        assert page.evaluate("document.querySelector('#reading').hidden")
    second.end()


def test_words_are_explained_in_place_named_parts_are_meant_and_a_wrong_frame_is_seen(
    page, client, desk, volume
):
    page.open(client.site.address)
    give(page, "#files", volume)
    page.wait(f"location.pathname.endsWith('/case/b/') && {SET_UP}")
    # Parts are told by their numbers in the picture too.
    numbers = "[...document.querySelectorAll('#stage-box .name')].map(e => e.textContent).join()"
    page.wait(f"{numbers} === '1,4' || {numbers} === '4,1'")
    enter(page, "#parts tr:nth-child(1) input", "Left atrium")
    page.click("#parts-asks th a")
    page.wait("document.querySelector('#word')?.open")
    assert "blood of the chamber" in text(page, "#word")
    assert page.evaluate("document.querySelectorAll('#word svg').length") == 1
    page.click("#word button")
    page.wait("!document.querySelector('#word')")
    assert page.evaluate("document.activeElement.textContent") == "names"

    # What was typed stands, and is what a run takes, saved or not.
    (desk.case("b").path / "inputs" / "plan").write_text("refuse")
    page.click("#run")
    at_state(page, "failed")
    assert desk.case("b").options.input == "inputs/b.nii.gz"
    page.wait(f"{SET_UP} && document.querySelectorAll('#wrong canvas').length === 2")
    # The second picture is the first turned by half: what was on the left is on the right.
    first, second = page.evaluate(
        "[...document.querySelectorAll('#wrong canvas')].map(c => { const d = c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data; let s = 0, n = 0;"
        "for (let i = 3; i < d.length; i += 4) if (d[i]) { s += ((i - 3) / 4) % c.width; n++; }"
        "return [s / n, n]; })"
    )
    assert first[1] > 1000 and abs(first[0] + second[0] - 300) < 3 < abs(first[0] - second[0])
    (desk.case("b").path / "inputs" / "plan").unlink()
    page.click("#mend button")
    at_state(page, "to review")
    assert desk.case("b").options.frame == "ras"


def test_search_filter_and_cancel(page, client, desk, ready):
    for name, plan in (("slow", "600"), ("waits", ""), ("<b>odd</b>", "")):
        desk.run(ready(name, plan))
    page.open(client.site.address, "document.querySelectorAll('#rows tr').length === 3")
    enter(page, "#search", "wait")
    assert page.evaluate("document.querySelectorAll('#rows tr').length") == 2
    enter(page, "#search", "slow")
    assert page.evaluate("document.querySelectorAll('#rows tr').length") == 1
    enter(page, "#search", "")
    enter(page, "#filter", "waiting", "change")
    assert page.evaluate("document.querySelectorAll('#rows tr').length") == 2
    page.open(f"{client.site.address}case/slow/", SETTLED)
    page.wait("!document.querySelector('#running').hidden")
    page.click("#cancel")
    at_state(page, "cancelled")
    page.open(f"{client.site.address}case/waits/", SETTLED)
    at_state(page, "to review")


def test_a_landmark_of_a_file_is_taken_away_and_one_that_was_never_shown_stays(
    page, client, desk, volume
):
    client.told("new", {"name": "m"})
    client.send("m", "b.nii.gz", volume.read_bytes())
    client.send("m", "marks.csv", b"name,x_mm,y_mm,z_mm\noesophagus,1,2,3\nnerve,4,5,6")
    page.open(f"{client.site.address}case/m/", SET_UP)
    # Another window sets one meanwhile.
    aorta = {"descending_aorta": [[7.0, 8.0, 9.0]]}
    assert client.told("case/m/landmarks", {"marks": aorta}) == {}
    page.click("#marks button[aria-label$='oesophagus']")
    page.wait("document.querySelector('#marks-saved').textContent !== ''")
    case = desk.case("m")
    assert list(read_landmarks(case.path / case.options.landmarks)) == ["nerve", "descending_aorta"]


def test_the_sample_in_one_click(page, client, desk):
    page.open(client.site.address)
    assert page.evaluate("document.querySelector('.welcome') !== null")
    page.click("#sample")
    at_state(page, "to review")
    case = desk.case("Larkmoor 01 sample")
    assert case.options.frame == "lps" and {f.path for f in case.options.files} == {
        "inputs/larkmoor-01.ply", "inputs/landmarks.csv",
    }  # fmt: skip
    page.open(client.site.address, "!!document.querySelector('#rows tr')")
    assert "Larkmoor 01" in text(page, "#rows a")


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (800, "dark")])
def test_no_page_is_wider_than_the_screen(page, client, desk, ready, width, scheme):
    from desk.quick_jobs import write_result

    page.size(width, 900)
    media = [{"name": "prefers-color-scheme", "value": scheme}]
    page.call("Emulation.setEmulatedMedia", features=media)
    case = ready("a-case-with-a-name-that-is-long-and-has-no-blank-in-it-at-all-and-goes-on")
    write_result(case.path / "result", confidence=0.2)
    ready("b").put_state("run.json", {"state": "failed", "reason": "x" * 200})
    for path in ("", "help", f"case/{case.name}/", "case/b/"):
        page.open(client.site.address + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        assert "not a medical device" in text(page, "footer")
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert ground == ("rgb(255, 255, 255)" if scheme == "light" else "rgb(20, 25, 30)")


def test_the_keyboard_alone_reaches_everything(page, client, ready):
    case = ready("a")
    case.put_state("run.json", {"state": "failed", "reason": "why"})
    page.open(f"{client.site.address}case/a/", SETTLED)
    page.wait("document.querySelector('#files').children.length >= 0")
    reached = set()
    for _ in range(60):
        page.key("Tab")
        reached.add(page.evaluate("document.activeElement.id"))
    wanted = {"add-files", "o-case_id", "o-balloons", "o-approach", "run"}
    assert wanted <= reached
    unnamed = page.evaluate(
        "[...document.querySelectorAll('button, input, select, a, canvas')].filter(e =>"
        "!(e.textContent.trim() || e.ariaLabel || e.labels?.length))"
        ".map(e => e.outerHTML)"
    )
    assert unnamed == []


def test_a_case_is_signed_by_keyboard_alone(page, client, ready):
    from desk.quick_jobs import write_result

    case = ready("a")
    write_result(case.path / "result")
    page.open(f"{client.site.address}case/a/", SETTLED)

    def go_to(name: str) -> None:
        for _ in range(60):
            if page.evaluate("document.activeElement.id") == name:
                return
            page.key("Tab")
        raise AssertionError(f"{name} is not reached")

    go_to("who")
    page.call("Input.insertText", text="reader 1")
    go_to("reviewed")
    page.key("Enter", "\r")
    at_state(page, "reviewed")
    go_to("sign")
    page.key("Enter", "\r")
    at_state(page, "signed")
    assert json.loads((case.path / "signed.json").read_text())["who"] == "reader 1"
    # A word is explained, and the place is not lost.
    for _ in range(60):
        page.key("Tab")
        if "help#" in page.evaluate("document.activeElement.getAttribute('href') ?? ''"):
            break
    at = page.evaluate("document.activeElement.textContent")
    page.key("Enter", "\r")
    page.wait("document.querySelector('#word')?.open")
    page.key("Escape")
    page.wait("!document.querySelector('#word')")
    assert page.evaluate("document.activeElement.textContent") == at


@pytest.fixture
def real(tmp_path) -> Iterator[tuple[Desk, LocalSite]]:
    folder = tmp_path / "Larkmoor"
    folder.mkdir()
    desk, app = site_of(folder)
    desk.begin()
    with LocalSite(app) as site:
        site.start()
        yield desk, site
    desk.end()


def test_from_a_dropped_mesh_to_a_signed_report(page, real, tmp_path, monkeypatch):
    """The one run of the tests that is done as a person does it, to its end."""
    desk, site = real
    monkeypatch.setattr(chrome, "ALLOWANCE_S", 600.0)
    mesh = atria.save_mesh(atria.open_surface(), tmp_path / "a.ply")
    few = tmp_path / "few.toml"
    few.write_text(NO_MARGIN)
    page.open(site.address)
    give(page, "#files", mesh, few)
    page.wait(f"location.pathname.endsWith('/case/a/') && {SET_UP}")
    page.click("input[name=frame][value=lps]")
    enter(page, "#unit", "mm", "change")
    page.wait("!!document.querySelector('#stage-box canvas')")
    enter(page, "#o-balloons", "28")
    enter(page, "#o-approach", "coaxial", "change")
    enter(page, "#o-case_id", "Larkmoor <b>7</b>")
    page.wait("!document.querySelector('#run').disabled")
    page.click("#run")
    at_state(page, "to review")
    assert page.evaluate("document.querySelectorAll('.answers tbody tr').length") == 4
    page.wait("document.querySelector('.overview img').naturalWidth > 0")

    enter(page, "#who", "reader 1")
    page.click("#reviewed")
    at_state(page, "reviewed")
    page.click("#sign")
    at_state(page, "signed")
    href = page.evaluate("document.querySelector('a[download]').href")
    with urllib.request.urlopen(href) as answer:
        pdf = answer.read()
    record = hashlib.sha256((desk.case("a").path / "result" / "case.json").read_bytes()).hexdigest()
    for printed in pages_of(pdf, tmp_path):
        assert "Signed by reader 1, 20" in printed and record in printed
    page.open(page.evaluate("document.querySelector('.links a').href"))
    signed = text(page, ".signed")
    assert "Signed by reader 1, 20" in signed and "UTC" in signed and record in signed


def test_a_run_that_is_asked_for_while_files_are_read_begins_when_they_are(
    page, client, desk, volume, monkeypatch
):
    """It was refused for a left atrium that nobody stated, and the refusal stayed."""
    read, held = threading.Event(), site_pages.set_up

    def slow(*given):
        assert read.wait(60)
        return held(*given)

    monkeypatch.setattr(site_pages, "set_up", slow)
    labels = volume.with_name("b.labels.toml")
    labels.write_text("[labels]\nleft_atrium = 1\nappendage = 4\n")
    page.open(client.site.address)
    give(page, "#files", volume, labels)
    page.wait(f"location.pathname.endsWith('/case/b/') && {SETTLED}")
    page.click("#run")
    assert text(page, "#run-told") == "The files are being read…"
    read.set()
    at_state(page, "to review")
    assert page.evaluate("document.querySelector('#fault').hidden") is True
