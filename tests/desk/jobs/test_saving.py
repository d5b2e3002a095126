"""Saving corrections while somebody else signs or saves: only one of the two comes through.

No outside source: threads that meet in the midst of a save.
"""

from __future__ import annotations

import threading

import pytest
from desk.quick_jobs import write_result

from veinfit.desk.store.cases import CORRECTIONS, SIGNED
from veinfit.desk.store.signing import reopen
from veinfit.errors import InputError

ENTRY = {"vein": "LIPV", "drop": True, "who": "reader 1", "why": "a bulge"}


def meeting(review, writes):
    """Let the review's process write when it is told to; return the two events."""
    midst, go_on = threading.Event(), threading.Event()

    def ask(act, **more):
        if act == "save":
            midst.set()
            assert go_on.wait(30.0)
            writes()
            return {"kept": "", "version": "1"}
        return {}

    review._ask = ask
    return midst, go_on


def test_nobody_signs_between_the_question_and_the_file(desk, ready):
    case = ready()
    review = desk.reviews.of(case, "first")
    midst, go_on = meeting(review, lambda: (case.path / CORRECTIONS).write_text("saved"))
    seen: list[str] = []

    def sign() -> None:
        with case.held_open():
            seen.append((case.path / CORRECTIONS).read_text())
            case.put_state(SIGNED, {"who": "reader 2"})

    saving = threading.Thread(target=review.save, args=([ENTRY],))
    saving.start()
    assert midst.wait(30.0)
    signing = threading.Thread(target=sign)
    signing.start()
    signing.join(0.3)
    assert signing.is_alive() and not case.is_signed
    go_on.set()
    saving.join(30.0)
    signing.join(30.0)
    # What was signed is what was saved, and nothing is saved after that.
    assert seen == ["saved"] and case.is_signed
    with pytest.raises(InputError, match="signed"):
        review.save([ENTRY])


def test_a_page_of_earlier_results_neither_looks_over_nor_signs_the_new_ones(client, ready):
    case = ready()
    write_result(case.path / "result")
    first = client.told("states")["cases"][0]["summary"]["sha256"]
    write_result(case.path / "result", made="2026-02-02T00:00:00Z")
    second = client.told("states")["cases"][0]["summary"]["sha256"]
    asked = {"who": "reader 1", "seen": first}
    assert "run again after this page" in client.told("case/a/reviewed", asked)["fault"]
    assert not case.state_file("reviewed.json")
    assert client.told("case/a/reviewed", {**asked, "seen": second}) == {}
    assert "run again after this page" in client.told("case/a/sign", asked)["fault"]
    assert not case.is_signed


def test_a_case_is_reopened_once(desk, ready):
    case = ready()
    case.put_state(SIGNED, {"who": "reader 2"})
    faults: list[str] = []

    def again() -> None:
        try:
            reopen(case, "reader 1", "too early")
        except InputError as error:
            faults.append(str(error))

    threads = [threading.Thread(target=again) for _ in range(4)]
    with case.held():
        for thread in threads:
            thread.start()
    for thread in threads:
        thread.join(30.0)
    assert faults == ["the case is not signed"] * 3
    journal = (case.path / "journal.jsonl").read_text()
    assert journal.count('"reopened"') == 1
