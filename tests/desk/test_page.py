"""The desk in a real browser, as a person uses it."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import atria
import browser as chrome
import nibabel
import numpy as np
import pydicom
import pytest
from few_tries import NO_MARGIN
from printed import pages_of

from veinfit.desk.site.desk import Desk
from veinfit.desk.site.site import desk_app, site_of
from veinfit.desk.store.journal import read_journal
from veinfit.desk.store.signing import mark_reviewed, sign
from veinfit.io.inputs.corrections import read_corrections
from veinfit.review.local_site import LocalSite

pytestmark = pytest.mark.slow

SETTLED = "document.body?.dataset.settled"
SET_UP = "document.body?.dataset.ready === 'setup'"


@pytest.fixture
def page() -> Iterator[chrome.Browser]:
    with chrome.browser(loopback=True) as one:
        one.size(1280, 900)
        yield one
        assert one.faults == []


def give(page: chrome.Browser, selector: str, *files: Path) -> None:
    root = page.call("DOM.getDocument")["root"]["nodeId"]
    node = page.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
    page.call("DOM.setFileInputFiles", nodeId=node, files=[str(file) for file in files])


def enter(page: chrome.Browser, selector: str, value: str, event: str = "input") -> None:
    page.evaluate(
        f"(() => {{ const f = document.querySelector({json.dumps(selector)});"
        f"f.value = {json.dumps(value)}; f.dispatchEvent(new Event('{event}')); }})()"
    )


def text(page: chrome.Browser, selector: str) -> str:
    return str(page.evaluate(f"document.querySelector({json.dumps(selector)}).innerText"))


def at_state(page: chrome.Browser, state: str) -> None:
    page.wait(f"document.querySelector('.badge')?.textContent === '{state}' && {SETTLED}")


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
        assert "another desk" in text(page, "#reading")
        page.open(client.site.address, "!!document.querySelector('#rows tr')")
        assert page.evaluate("document.querySelector('#reading').hidden")
    second.end()


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


def opened_review(page: chrome.Browser, address: str) -> None:
    page.open(address)
    page.wait("document.querySelector('input[name=vein]') && document.body.dataset.settled")
    page.evaluate("document.querySelector('input[name=vein][value=RSPV]').click()")
    page.wait("document.querySelector('#told h2') && !document.querySelector('#busy').textContent")


def test_a_correction_two_readers_and_what_leaves(page, client, desk, assessed, monkeypatch):
    monkeypatch.setattr(chrome, "ALLOWANCE_S", 300.0)
    at = f"{client.site.address}case/Larkmoor%207/"
    page.open(at, SETTLED)
    at_state(page, "to review")
    first = read_journal(assessed.path).entries

    # A vein's ostium is moved on the review page within the desk, by a number.
    opened_review(page, f"{client.site.address}review/Larkmoor%207/first/")
    assert "As the run predicted it" in text(page, "#told")
    told_of_run = text(page, "#told .of-run:nth-of-type(2)").replace("\xa0", " ")
    assert told_of_run.startswith("28 mm: Seal ")
    assert "0.5" in text(page, "#legend") and page.evaluate(
        "document.querySelector('#save').disabled"
    )
    enter(page, "#shift-told", "2.1")
    page.wait("document.querySelector('#hindrance').textContent.includes('who corrects RSPV')")
    enter(page, "#who", "reader 1")
    enter(page, "#why", "too near the atrium")
    page.wait("!document.querySelector('#save').disabled && "
              "document.querySelectorAll('#measures td.other').length > 3 && "
              "!document.querySelector('#busy').textContent")  # fmt: skip
    assert "Before this change" in text(page, "#told")
    page.click("#save")
    page.wait("document.querySelector('#saved').textContent !== ''")
    (saved,) = read_corrections(assessed.path / "corrections.toml")
    assert (saved.vein, saved.shift_mm) == ("RSPV", 2.1)
    told = read_journal(assessed.path).entries[len(first)]
    assert told["what"].startswith("corrections of the first") and told["veins"] == ["RSPV"]
    # What was saved and is taken back says that it is not saved yet.
    page.click("#undo")
    page.wait("document.querySelector('#list li')?.textContent.includes('when this is saved')")

    page.click("header a")
    page.wait(f"document.querySelector('#run') && {SETTLED}")
    assert "newer than the results" in text(page, "#reason")
    page.click("#leave-open")
    assert "newer than the results" in text(page, "#leave-old")
    page.click("#leave-stop")

    # A second reader left the vein where it was found: the two are 2.1 mm apart along the vein.
    second = (
        '[[correction]]\nvein = "LSPV"\nrename = "extra-1"\nwho = "reader 2"\nwhy = "no name"\n'
    )
    (assessed.path / "second_reader.toml").write_text(second)
    page.open(at, SETTLED)
    page.click("#compare")
    page.wait("!!document.querySelector('#compared table')")
    rows = page.evaluate(
        "[...document.querySelectorAll('#compared tbody tr')].map(r => "
        "[...r.cells].map(c => c.textContent))"
    )
    told = {row[0]: row for row in rows}
    assert float(told["RSPV"][2]) == pytest.approx(2.1, abs=0.4) and told["RSPV"][6]
    assert told["LSPV"][1] == "extra-1" and float(told["LSPV"][2]) == 0.0
    assert float(told["LIPV"][2]) == 0.0 and told["LIPV"][6] == ""


def test_a_signed_case_is_only_looked_at_and_leaves_without_identity(
    page, client, desk, assessed, monkeypatch
):
    monkeypatch.setattr(chrome, "ALLOWANCE_S", 300.0)
    mark_reviewed(assessed, "reader 1")
    sign(assessed, "reader 1")
    opened_review(page, f"{client.site.address}review/Larkmoor%207/first/")
    assert "signed" in text(page, "#closed") and "reopened with a reason" in text(page, "#closed")
    open_ones = page.evaluate(
        "[...document.querySelectorAll('#edit input, #edit select, #edit button, #add, #save')]"
        ".filter(e => e.checkVisibility() && !e.matches(':disabled')).map(e => e.id)"
    )
    assert open_ones == []
    entry = {"vein": "RSPV", "shift_mm": 1.0, "who": "reader 2", "why": "seen"}
    refused = client.told("review/Larkmoor%207/first/save", {"entries": [entry], "base": ""})
    assert "signed" in refused["fault"]
    assert not (assessed.path / "corrections.toml").exists()

    # What leaves carries no identity unless asked.
    page.open(f"{client.site.address}case/Larkmoor%207/", SETTLED)
    page.click("#leave-open")
    page.click("#leave input[value=dicom]")
    page.click("#leave-go")
    page.wait("!!document.querySelector('#leave-zip')")
    (export,) = (desk.folder / "exports").iterdir()
    names = {p.relative_to(export).as_posix() for p in export.rglob("*") if p.is_file()}
    assert {"case-01/report.html", "case-01/report.pdf", "case-01/viewer.html"} <= names
    objects = [export / name for name in names if name.startswith("case-01/dicom/")]
    assert len(objects) > 2 and len(names) == len(objects) + 3
    for path in objects:
        ds = pydicom.dcmread(path)
        assert not ds.get("PatientName") and b"Larkmoor" not in path.read_bytes()
    page_text = (export / "case-01" / "report.html").read_text()
    assert "Larkmoor" not in page_text and "reader 1" not in page_text


def test_cases_are_compared_summed_up_and_held_against_what_was_observed(
    page, client, desk, assessed, tmp_path, monkeypatch
):
    monkeypatch.setattr(chrome, "ALLOWANCE_S", 300.0)
    shutil.copytree(assessed.path, desk.folder / "other")
    page.open(client.site.address, "document.querySelectorAll('#rows tr').length === 2")
    for row in (1, 2):
        page.click(f"#rows tr:nth-child({row}) input")

    def made(kind: str) -> Path:
        page.click(f"input[name=study-kind][value={kind}]")
        page.click("#study-go")
        page.wait(f"document.querySelector('#study-link')?.href.includes('-{kind}/')")
        link = page.evaluate("document.querySelector('#study-link').href")
        with urllib.request.urlopen(link) as answer:
            assert b"<h1" in answer.read()
        page.click("#study-stop")
        page.click("#study-open")
        (found,) = (desk.folder / "studies").glob(f"*-{kind}")
        return found

    page.click("#study-open")
    with (made("changes") / "changes.csv").open(newline="") as stream:
        changes = list(csv.DictReader(stream))
    # The same results twice: nothing differs.
    assert changes and all(row["before"] == row["after"] for row in changes)
    with (made("summary") / "closure.csv").open(newline="") as stream:
        closure = [row for row in csv.DictReader(stream) if row["vein"] == "LSPV"]
    assert {row["number"] for row in closure} == {"2"}

    page.click("input[name=study-kind][value=agree]")
    page.click("#study-table")
    page.wait("!!document.querySelector('#study-link')")
    (table,) = (desk.folder / "studies").glob("*-table/observed.csv")
    head, *rows = [r for r in table.read_text().splitlines() if not r.startswith("#")]
    assert len(rows) == 8 and rows[0].startswith(("Larkmoor 7,", "other,"))
    place = head.split(",").index("occlusion_grade")
    filled = [r.split(",") for r in rows]
    for k, row in enumerate(filled):
        row[place] = "4" if k % 2 else "2"
    given = tmp_path / "filled.csv"
    given.write_text("\n".join([head, *(",".join(row) for row in filled)]))
    give(page, "#study-file", given)
    with (made("agree") / "pairs.csv").open(newline="") as stream:
        assert len(list(csv.DictReader(stream))) == 8
