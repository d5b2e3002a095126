"""Desk and workers killed at random moments: nothing lost, nothing doubled, the journal whole."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sys
import time
from pathlib import Path

import pytest
from desk.asking import until

from veinfit.desk.site.desk import Desk
from veinfit.desk.store.cases import CaseFolder, cases_in, make_case
from veinfit.desk.store.journal import read_journal
from veinfit.desk.store.options import CaseOptions
from veinfit.desk.store.states import Summaries, state_of

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="kills as POSIX does"),
]

KILLS = 20


def work_until_killed(folder: Path, function: str, promises: int) -> None:
    """Make cases and run them; tell the name of each once the desk has taken it."""
    desk = Desk(folder, workers=2, function=function)
    desk.begin()
    os.write(promises, b"ready\n")
    while True:
        case = make_case(folder, "case", CaseOptions(input="inputs/x.ply", frame="lps", unit="mm"))
        (case.path / "inputs" / "plan").write_text(f"{random.random() * 0.1:.3f}")
        desk.run(case, "reader 1")
        os.write(promises, f"{case.name}\n".encode())
        time.sleep(0.05)


def killed_after(seconds: float, folder: Path, function: str) -> list[str]:
    """Start a desk, kill it after a time, and return the cases that it had taken."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            work_until_killed(folder, function, write)
        os._exit(1)
    os.close(write)
    with os.fdopen(read, "rb") as promises:
        assert promises.readline() == b"ready\n"
        time.sleep(seconds)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return promises.read().decode().split()


@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
def test_a_desk_that_is_killed_loses_and_doubles_nothing(tmp_path, quick):
    random.seed(7)
    taken: list[str] = []
    for _ in range(KILLS):
        taken += killed_after(0.1 + 0.5 * random.random(), tmp_path, quick)
    assert len(taken) == len(set(taken)) > KILLS
    desk = Desk(tmp_path, workers=2, function=quick)
    desk.begin()
    until(lambda: not desk.runs.busy(), 120)
    summaries = Summaries(tmp_path)
    for name in taken:
        case = CaseFolder(tmp_path / name)
        state = state_of(case, summaries)
        assert state.state == "to review" or "interrupted" in state.reason, state
        read = read_journal(case.path)
        assert read.altered == () and read.torn == 0
        whats = [entry["what"] for entry in read.entries]
        assert whats[:2] == ["case made", "run asked for"]
        assert whats.count("assessed") == (state.state == "to review")
    # A desk that was killed between making a case and taking it left at most that one.
    assert len(list(cases_in(tmp_path))) <= len(taken) + KILLS
    desk.end()
    assert not list(tmp_path.glob(".veinfit-case-*"))


def test_workers_that_are_killed_cost_their_case_alone(desk, ready):
    random.seed(8)
    cases = [ready(f"c{k}", "0.15") for k in range(KILLS)]
    for case in cases:
        desk.run(case)
    killed = 0
    while desk.runs.busy():
        time.sleep(0.1 * random.random())
        for process in list(desk.runs._running.values()):
            child = process._process
            if child is not None and random.random() < 0.5:
                child.kill()
                killed += 1
    assert killed > 3
    summaries = Summaries(desk.folder)
    states = [state_of(case, summaries) for case in cases]
    assert {one.state for one in states} <= {"to review", "failed"}
    assert all("SIGKILL" in one.reason for one in states if one.state == "failed")
    for case, one in zip(cases, states, strict=True):
        assert (case.path / "result" / "case.json").is_file() == (one.state == "to review")
        assert [e["what"] for e in read_journal(case.path).entries].count("assessed") <= 1
