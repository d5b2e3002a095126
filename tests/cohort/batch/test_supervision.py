"""Cases that kill their process, hang or fail cost themselves and no other."""

from __future__ import annotations

import os
import time

import pyarrow.parquet as pq
import pytest
from cohort.batch.fake_cases import calls

from veinfit.cohort.batch.supervise import CaseProcess, ProcessDied, ProcessHung
from veinfit.errors import InputError


def reasons(out):
    rows = pq.read_table(out / "cases").to_pylist()
    return {row["case"]: (row["status"], row["reason"]) for row in rows}


@pytest.mark.slow
def test_every_other_case_is_done(folder, run, tmp_path):
    good = [f"good-{k}" for k in range(5)] + ["loud-1", "once-1"]
    ill = ["bad-1", "crash-1", "exit-1", "fault-1", "hang-1"]
    inputs = folder(good + ill)
    outcome = run(inputs, tmp_path / "out", limit_s=2.0)
    assert (outcome.cases, outcome.worked, outcome.failed_cases) == (12, 12, 5)
    told = reasons(tmp_path / "out")
    assert told == {
        **{name: ("done", "") for name in good},
        "bad-1": ("failed", "mesh is empty; export it again"),
        "crash-1": ("failed", "the process that worked on it died 2 times (SIGSEGV)"),
        "exit-1": ("failed", "the process that worked on it died 2 times (exit code 7)"),
        "fault-1": ("failed", "ValueError: no such thing"),
        "hang-1": ("failed", "took longer than the time limit of 2 s"),
    }
    counts = {name: calls(inputs).count(name) for name in good + ill}
    assert counts == {**dict.fromkeys(good + ill, 1), "once-1": 2, "crash-1": 2, "exit-1": 2}
    assert outcome.failed["crash-1"].endswith("(SIGSEGV)")


@pytest.mark.slow
def test_code_that_never_returns_is_ended(folder):
    inputs = folder(["native-1"])
    process = CaseProcess("fake_cases:work", limit_s=1.5)
    began = time.monotonic()
    with pytest.raises(ProcessHung):
        process.run({"case": "native-1", "input": str(inputs / "native-1.stl")})
    assert time.monotonic() - began < 5.0
    process.close()


def test_the_limit_of_a_case_is_none_for_the_start_of_a_process(folder):
    """A process of Python takes more than 10 ms to start."""
    (case,) = folder(["hang-1"]).glob("*.stl")
    process = CaseProcess("fake_cases:work", limit_s=0.01)
    with pytest.raises(ProcessHung):
        process.run({"case": "hang-1", "input": str(case)})
    process.close()


def test_process_that_died_between_two_cases_is_replaced(folder):
    inputs = folder(["good-1", "good-2"])
    process = CaseProcess("fake_cases:work", limit_s=10.0)

    def job(name):
        return {"case": name, "input": str(inputs / f"{name}.stl")}

    process.run(job("good-1"))
    os.kill(int((inputs / "calls.log").read_text().split()[1]), 9)
    with pytest.raises(ProcessDied, match="SIGKILL"):
        process.run(job("good-2"))
    assert process.run(job("good-2"))["rows"]["cases"][0]["case"] == "good-2"
    process.close()
    with pytest.raises(ProcessDied):
        process.run(job("good-2"))


def test_process_is_renewed_after_a_while(folder, monkeypatch):
    monkeypatch.setattr("veinfit.cohort.batch.supervise.CASES_A_PROCESS", 2)
    inputs = folder(["good-1"])
    process = CaseProcess("fake_cases:work", limit_s=10.0)
    for _ in range(3):
        process.run({"case": "good-1", "input": str(inputs / "good-1.stl")})
    process.close()
    first, second, third = (
        line.split()[1] for line in (inputs / "calls.log").read_text().splitlines()
    )
    assert first == second != third


def test_cost_is_told_beside_the_tables(folder, run, tmp_path):
    inputs = folder(["good-1", "bad-1", "crash-1"], seconds=0.2)
    run(inputs, tmp_path / "out")
    header, *rows = (tmp_path / "out" / "costs.csv").read_text().splitlines()
    assert header == "case,seconds,cpu_seconds,peak_mb"
    cost = {row.split(",")[0]: row.split(",")[1:] for row in rows}
    assert cost["crash-1"] == ["", "", ""]
    assert 0.2 <= float(cost["good-1"][0]) < 2.0
    assert 5.0 < float(cost["good-1"][2]) < 1000.0


def test_worker_that_cannot_start_ends_the_run_and_fails_no_case(folder, run, tmp_path):
    inputs, out = folder(["good-1", "good-2"]), tmp_path / "out"
    with pytest.raises(InputError, match=r"cannot be started \(exit code 1\)"):
        run(inputs, out, function="nowhere:work")
    assert run(inputs, out).failed_cases == 0
