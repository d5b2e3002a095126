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
