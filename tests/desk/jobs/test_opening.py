"""A review while it is opened: how far it is, what hinders it, and its end before that."""

from __future__ import annotations

import pytest
from desk.asking import until
from desk.quick_jobs import write_result

from veinfit.desk.jobs.progress import Pace, tell_stage


@pytest.mark.slow
def test_how_far_it_is_and_what_hinders_it(client, ready):
    case = ready()
    write_result(case.path / "result")
    at = "review/a/first/"
    first = client.told(f"{at}opening")
    assert first["ready"] or 0.0 <= first.get("share", 0.0) < 1.0
    until(lambda: client.told(f"{at}opening")["ready"])
    status, page = client.ask(at)
    assert status == 200 and b"Try again" in page and b"case.npz" in page
    # What failed is not kept: it is opened anew.
    assert client.told(f"{at}opening").keys() <= {"ready", "share", "left_s"}


def test_the_stages_of_its_process_are_told(desk, ready, tmp_path):
    case = ready()
    review = desk.reviews.of(case, "first")
    review.open = lambda: None
    shares = []
    stages: list[tuple[str, float]] = []
    for name in Pace(tmp_path / "none").opening:
        tell_stage(desk.folder / ".desk" / "opening-first-a.json", stages, name)
        shares.append(review.opening()["share"])
    assert shares == sorted(shares) and shares[0] < 0.2 and 0.7 < shares[-1] < 1.0


def test_a_desk_that_ends_meanwhile_leaves_no_process_and_no_fault(desk, ready):
    case = ready()
    write_result(case.path / "result")
    review = desk.reviews.of(case, "first")
    review.open()
    until(lambda: review._process._process is not None)
    process = review._process._process
    desk.end()
    until(lambda: review.fault != "")
    assert process is not None and process.poll() is not None
    until(lambda: not list((desk.folder / ".desk").glob("opening-*")))


@pytest.mark.slow
def test_what_was_found_once_is_not_found_again(assessed, monkeypatch):
    from veinfit.desk.jobs import review_work

    job = {"case": str(assessed.path), "reader": "first", "back": "x/"}
    entry = {"vein": "RSPV", "shift_mm": 1.5, "who": "reader 1", "why": "seen"}
    asked = {"act": "preview", "vein": "RSPV", "entries": [entry], "seats": False, "added": False,
             "first": None}  # fmt: skip

    def opened(found: dict[str, str] | None) -> tuple[dict[str, object], object]:
        review_work._open.clear()
        page = review_work.answer({**job, "act": "page", "found": found})
        return page, review_work.answer({**job, **asked})

    first, preview = opened(None)
    # The desk holds it from there on, and the process tells it once.
    assert first["found"]
    assert review_work.answer({**job, "act": "page"})["found"] is None

    def again(*args: object) -> None:
        raise AssertionError("it was found again")

    with monkeypatch.context() as without:
        without.setattr("veinfit.review.found_again.detect", again)
        assert opened(first["found"]) == ({**first, "found": None}, preview)
        # Of another surface, other settings or another version it is not taken.
        with pytest.raises(AssertionError, match="again"):
            opened({**first["found"], "key": "0" * 64})
    review_work._open.clear()
    review_work._new.clear()
