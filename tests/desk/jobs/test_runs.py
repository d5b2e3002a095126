"""The queue: a run that fails, crashes, hangs or is cancelled is a state of its case alone."""

from __future__ import annotations

import pytest
from desk.asking import until

from veinfit.desk.jobs.runs import Runs
from veinfit.desk.store.journal import read_journal
from veinfit.desk.store.states import Summaries, state_of
from veinfit.errors import InputError


def state(desk, case) -> tuple[str, str]:
    told = desk.told(state_of(case, Summaries(desk.folder)))
    return told["state"], told["reason"]


def whats(case) -> list[str]:
    return [entry["what"] for entry in read_journal(case.path).entries]


def test_a_run_comes_to_its_results(desk, ready):
    case = ready()
    desk.run(case, "reader 1")
    until(lambda: not desk.runs.busy())
    assert state(desk, case) == ("to review", "")
    assert whats(case) == ["case made", "run asked for", "assessed"]
    assert not list((desk.folder / ".desk").glob("progress-*"))


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ("refuse", "contradicts the frame"),
        ("crash", "SIGSEGV"),
        ("break", "RuntimeError: something"),
    ],
)
def test_what_goes_wrong_is_told_and_the_queue_goes_on(desk, ready, plan, said):
    bad, good = ready("bad", plan), ready("good")
    desk.run(bad)
    desk.run(good)
    until(lambda: not desk.runs.busy())
    assert state(desk, bad)[0] == "failed" and said in state(desk, bad)[1]
    assert state(desk, good) == ("to review", "")


def test_a_run_that_hangs_is_ended(desk, ready, quick):
    case = ready("slow", "600")
    runs = Runs(desk.folder, function=quick, limit_s=1.0)
    runs.start()
    runs.ask(case)
    until(lambda: not runs.busy())
    assert state(desk, case)[0] == "failed" and "took longer" in state(desk, case)[1]
    runs.stop()


def test_cancelling_one_that_waits_and_one_that_runs(desk, ready):
    first, second, third = ready("a", "600"), ready("b"), ready("c")
    for case in (first, second, third):
        desk.run(case)
    until(lambda: state(desk, first)[0] == "running")
    assert state(desk, second)[0] == "waiting" and desk.runs.place("c") == 2
    with pytest.raises(InputError, match="already"):
        desk.run(first)
    desk.runs.cancel(second, "reader 1")
    assert state(desk, second) == ("cancelled", "")
    desk.runs.cancel(first, "reader 1")
    until(lambda: not desk.runs.busy())
    assert state(desk, first) == ("cancelled", "") and state(desk, third) == ("to review", "")
    assert read_journal(first.path).entries[-1]["who"] == "reader 1"
    with pytest.raises(InputError, match="neither"):
        desk.runs.cancel(first)
    # What was cancelled can be run again.
    (first.path / "inputs" / "plan").unlink()
    desk.run(first)
    until(lambda: not desk.runs.busy())
    assert state(desk, first) == ("to review", "")


@pytest.mark.slow
def test_what_an_ended_desk_left_is_taken_up(desk, ready, quick):
    running, waiting = ready("a", "2"), ready("b")
    desk.run(running)
    desk.run(waiting)
    until(lambda: state(desk, running)[0] == "running")
    desk.runs.stop()
    assert state(desk, running)[0] == "waiting"
    runs = Runs(desk.folder, function=quick)
    runs.start()
    until(lambda: not runs.busy(), 90)
    runs.stop()
    assert state(desk, running)[0] == state(desk, waiting)[0] == "to review"
    assert whats(running).count("assessed") == 1


@pytest.mark.parametrize("told", [True, False])
def test_results_that_were_there_when_the_desk_died_are_not_made_again(desk, ready, quick, told):
    from desk.quick_jobs import write_result

    case = ready()
    case.put_state("run.json", {"state": "running", "run": "r1", "started": "2026-01-01T00:00:00Z"})
    write_result(case.path / "result")
    if told:
        case.note("assessed", run="r1")
    runs = Runs(desk.folder, function=quick)
    runs.start()
    runs.stop()
    assert state(desk, case) == ("to review", "")
    assert whats(case).count("assessed") == 1 and not (case.path / "starts").exists()


def test_a_run_that_takes_the_desk_down_again_and_again_is_not_begun_for_ever(desk, ready, quick):
    case = ready()
    case.put_state("run.json", {"state": "running", "run": "r1", "starts": 3})
    runs = Runs(desk.folder, function=quick)
    runs.start()
    runs.stop()
    assert state(desk, case)[0] == "failed" and "interrupted" in state(desk, case)[1]


def test_a_full_disk_is_told_and_nothing_is_lost(desk, ready, monkeypatch):
    case = ready()

    def full(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    with pytest.raises(InputError, match="No space left"):
        desk.run(case)
    monkeypatch.undo()
    assert state(desk, case)[0] == "new" and not desk.runs.busy()
