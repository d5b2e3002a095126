"""Corrections of the desk that a run cannot follow: whoever is at the page has a way on.

No outside source: what is in the folder before and after.
"""

from __future__ import annotations

import pytest
from desk.asking import until
from desk.using import SETTLED, at_state
from review.driving import SETTLED as STILL
from review.driving import listed, save, text

from veinfit.anatomy.corrections.apply import Correction
from veinfit.desk.store.cases import CORRECTIONS
from veinfit.desk.store.journal import read_journal
from veinfit.io.inputs.corrections import read_corrections
from veinfit.io.results.corrections_text import corrections_text

ASTRAY = Correction("RMPV", "reader 1", "of another case", shift_mm=1.0)
DROPPED = Correction("LIPV", "reader 1", "a bulge", drop=True)


def test_they_are_kept_under_another_name(client, ready):
    case = ready()
    for k, content in enumerate(("[[corr", "[[other"), 1):
        (case.path / CORRECTIONS).write_text(content)
        kept = client.told("case/a/put-aside", {"who": "reader 1"})["kept"]
        assert kept == f"corrections.backup-{k}.toml"
        assert (case.path / kept).read_text() == content
        assert not (case.path / CORRECTIONS).exists()
    assert [e["what"] for e in read_journal(case.path).entries if "aside" in e["what"]] == [
        f"corrections put aside as corrections.backup-{k}.toml" for k in (1, 2)
    ]
    assert "no corrections" in client.told("case/a/put-aside", {"who": "reader 1"})["fault"]


def test_a_file_that_is_taken_out_again_corrects_nothing(client, ready):
    case = ready()
    client.send("a", "c.toml", corrections_text((DROPPED,)).encode())
    client.told("case/a/setup")
    assert (case.path / CORRECTIONS).is_file()
    client.told("case/a/take-out", {"path": "inputs/c.toml", "who": "reader 1"})
    assert not (case.path / CORRECTIONS).exists()
    # What a reader made of it meanwhile is the reader's.
    client.send("a", "c.toml", corrections_text((DROPPED,)).encode())
    client.told("case/a/setup")
    (case.path / CORRECTIONS).write_text(corrections_text((ASTRAY,)))
    client.told("case/a/take-out", {"path": "inputs/c.toml", "who": "reader 1"})
    assert (case.path / CORRECTIONS).is_file()


@pytest.mark.slow
def test_what_cannot_be_followed_is_taken_out_in_the_review(page, client, desk, assessed):
    target = assessed.path / CORRECTIONS
    target.write_text(corrections_text((ASTRAY, DROPPED)))
    page.open(f"{client.site.address}review/{assessed.name}/first/", STILL)
    assert "RMPV is no vein of this case" in text(page, "#fault")
    assert page.evaluate("document.querySelector('#save').disabled")
    page.evaluate("document.querySelector('input[name=vein][value=\"+RMPV\"]').click()")
    assert "RMPV (no vein of this case)" in text(page, "#veins")
    assert text(page, "#undo") == "Take this correction out"
    page.click("#undo")
    page.wait(f"document.querySelector('#fault').hidden && {STILL}")
    assert [line.split(":")[0] for line in listed(page)] == ["LIPV", "RMPV"]
    save(page, "#ask")
    assert "RMPV: taken out" in text(page, "#ask")
    page.click("#agree")
    page.wait("document.querySelector('#saved').textContent.includes('Saved')")
    (left,) = read_corrections(target)
    assert left.vein == "LIPV"


@pytest.mark.slow
def test_a_run_that_they_stopped_goes_on_without_them(page, client, ready):
    case = ready("a", "corrections")
    (case.path / CORRECTIONS).write_text("[[correction")
    client.told("case/a/run", {"who": "reader 1"})
    until(lambda: client.told("states")["cases"][0]["state"] == "failed")
    page.open(f"{client.site.address}case/a/", SETTLED)
    told = page.evaluate("document.body.innerText")
    assert "corrections corrections.toml is not TOML" in told and str(case.path) not in told
    page.evaluate("[...document.querySelectorAll('#mend button')].at(-1).click()")
    at_state(page, "to review")
    assert (case.path / "corrections.backup-1.toml").read_text() == "[[correction"
