"""What is done with results in a real browser: corrected, compared, only looked at, taken away."""

from __future__ import annotations

import csv
import json
import shutil
import urllib.request
from pathlib import Path

import browser as chrome
import pydicom
import pytest
from desk.using import SETTLED, at_state, enter, give, text

from veinfit.desk.store.cases import EARLIER
from veinfit.desk.store.journal import read_journal
from veinfit.desk.store.signing import mark_reviewed, sign
from veinfit.io.inputs.corrections import read_corrections

pytestmark = pytest.mark.slow


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
    assert told_of_run.startswith("28 mm: Antral seal ")
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
    taken_back = "saving removes its saved correction"
    page.wait(f"document.querySelector('#list li')?.textContent.includes('{taken_back}')")

    page.click("header a")
    page.wait(f"document.querySelector('#run') && {SETTLED}")
    assert "newer than the results" in text(page, "#reason")
    assert page.evaluate("document.querySelector('#who').value") == "reader 1"
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
    with (made("summary") / "rates.csv").open(newline="") as stream:
        rates = [row for row in csv.DictReader(stream) if row["vein"] == "LSPV"]
    assert {row["number"] for row in rates} == {"2"}

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


def test_what_the_last_run_changed_is_shown_beside_the_run_before(page, client, assessed):
    record = assessed.result / "case.json"
    before = json.loads(record.read_text())
    vein = before["anatomy"]["veins"][0]
    now = vein["d_max_mm"]
    vein["d_max_mm"] = now + 1.25
    at = f"{client.site.address}case/Larkmoor%207/"
    page.open(at, SETTLED)
    assert page.evaluate("document.querySelector('#what-changed') === null")

    (assessed.path / EARLIER).mkdir()
    (assessed.path / EARLIER / "case.json").write_text(json.dumps(before))
    page.open(at, SETTLED)
    page.click("#what-changed")
    page.wait("!!document.querySelector('#study-link')")
    (table,) = assessed.path.parent.glob("studies/*-changes/changes.csv")
    with table.open(newline="") as stream:
        changed = [row for row in csv.DictReader(stream) if row["before"] != row["after"]]
    (one,) = changed
    assert one["vein"] == vein["vein"] and one["unit"] == "mm"
    assert float(one["before"]) == pytest.approx(now + 1.25, abs=0.06)
    assert float(one["after"]) == pytest.approx(now, abs=0.06)
    page.open(page.evaluate("document.querySelector('#study-link').href"))
    told = text(page, "body")
    assert vein["vein"] in told and f"{now + 1.25:.1f}" in told and f"{now:.1f}" in told
