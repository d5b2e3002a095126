"""Two pages of one review: what one saved the other has to see before it writes.

No outside source: the file, and the answers of the session behind both pages.
"""

from __future__ import annotations

import threading

import browser as chrome
import pytest
from review.driving import SETTLED, shift, text

from veinfit.anatomy.corrections.apply import Correction
from veinfit.io.inputs.corrections import read_corrections
from veinfit.io.results.corrections_text import corrections_text
from veinfit.review.page import write_review
from veinfit.review.server import ReviewServer

ENTRIES = [
    {"vein": name, "shift_mm": 1.0, "who": f"reader {k}", "why": "seen"}
    for k, name in enumerate(("RSPV", "RIPV", "LSPV"))
]


def test_of_pages_that_save_at_once_one_writes_and_the_others_are_asked(session, target):
    base = session.opened()["version"]
    told: list[dict[str, object]] = []
    start = threading.Barrier(len(ENTRIES))

    def save(entry):
        start.wait(30.0)
        told.append(session.save([entry], base))

    threads = [threading.Thread(target=save, args=(entry,)) for entry in ENTRIES]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60.0)
    saved = [one for one in told if "kept" in one]
    merged = [one["changed"] for one in told if "changed" in one]
    assert (len(saved), len(merged)) == (1, 2)
    (written,) = read_corrections(target)
    for one in merged:
        assert {e["vein"] for e in one["entries"]} > {written.vein}
        assert one["version"] == saved[0]["version"]


def test_what_another_program_writes_in_the_midst_of_a_save_is_seen(session, target, monkeypatch):
    base = session.opened()["version"]
    corrected = session.corrected

    def meanwhile(corrections):
        theirs = Correction("LIPV", "reader 9", "a bulge", drop=True)
        target.write_text(corrections_text((theirs,)))
        return corrected(corrections)

    monkeypatch.setattr(session, "corrected", meanwhile)
    told = session.save([ENTRIES[0]], base)
    assert {e["vein"] for e in told["changed"]["entries"]} == {"LIPV", "RSPV"}
    (left,) = read_corrections(target)
    assert left.who == "reader 9"


@pytest.mark.slow
def test_a_page_whose_review_has_ended_says_where_its_work_is(session, folder, target):
    with chrome.browser(loopback=True) as page:
        with ReviewServer(session, folder, *write_review(session)) as served:
            served.start()
            page.open(served.address, SETTLED)
            shift(page, "RSPV", 2)
            served.shutdown()
        page.click("#save")
        page.wait("!document.querySelector('#fault').hidden")
        # Both the save and the preview that follows it fail: that is told once.
        assert text(page, "#fault") == (
            "The review has ended; start it again. What is not saved stands on this page alone."
        )
        page.wait(SETTLED)
        assert text(page, "#fault").count("has ended") == 1
        assert not target.exists()
