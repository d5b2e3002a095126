"""A run that was cut off anywhere is finished by the next one: nothing lost, nothing twice."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from cohort.batch.fake_cases import FUNCTION, calls, content

import veinfit
from veinfit.cohort.batch import store as store_module
from veinfit.cohort.batch.cases import find_cases
from veinfit.cohort.batch.plan import make_plan
from veinfit.cohort.batch.progress import Silent
from veinfit.cohort.batch.run import run_cohort
from veinfit.errors import InputError
from veinfit.settings import Settings

NAMES = [f"good-{k:02d}" for k in range(11)] + ["bad-1"]

SCRIPT = """
import sys
from pathlib import Path
from veinfit.cohort.batch.cases import find_cases
from veinfit.cohort.batch.plan import make_plan
from veinfit.cohort.batch.run import run_cohort
run_cohort(find_cases([sys.argv[1]]).cases, Path(sys.argv[2]), make_plan(),
           workers=2, shard_cases=4, function=sys.argv[3])
"""


def names(out, table="cases"):
    return pq.read_table(out / table)["case"].to_pylist()


def test_same_bytes_whatever_the_workers_and_their_order(folder, run, tmp_path):
    inputs = folder(NAMES)
    run(inputs, tmp_path / "one", workers=1)
    slow = random.Random(1)
    for path in inputs.glob("*.stl"):
        path.write_text(f"{slow.random() * 0.1:.3f}")
    # The inputs differ now, so the keys do: worked on again with one and with three.
    run(inputs, tmp_path / "one", workers=1)
    run(inputs, tmp_path / "three", workers=3)
    assert content(tmp_path / "one") == content(tmp_path / "three")
    assert names(tmp_path / "one") == sorted(NAMES)
    assert {f"{t}/part-0000{k}.parquet" for t in ("cases", "veins", "fits", "leaks")
            for k in range(3)} | {"run.json"} == content(tmp_path / "one").keys()  # fmt: skip


@pytest.mark.parametrize(
    "after", [pytest.param(1, marks=pytest.mark.slow), 5, pytest.param(9, marks=pytest.mark.slow)]
)
@pytest.mark.slow
def test_kill_at_any_moment(folder, run, tmp_path, after):
    inputs = folder(NAMES, seconds=0.05)
    out = tmp_path / "out"
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(
            [str(Path(veinfit.__file__).parents[1]), str(Path(__file__).parent)]
        ),
    }
    process = subprocess.Popen(
        [sys.executable, "-c", SCRIPT, str(inputs), str(out), FUNCTION], env=environment
    )
    while len(calls(inputs)) < after:
        time.sleep(0.005)
    process.kill()
    process.wait()
    begun = calls(inputs)
    # The workers go with it, so that no call is made behind the next run's back.
    pids = {int(line.split()[1]) for line in (inputs / "calls.log").read_text().splitlines()}
    end = time.monotonic() + 5.0
    while any(alive(pid) for pid in pids) and time.monotonic() < end:
        time.sleep(0.01)
    assert not any(alive(pid) for pid in pids)
    for journal in (out / "work").glob("*.jsonl"):
        with journal.open("ab") as stream:
            stream.write(b'{"key": "torn off')
    run(inputs, out)
    assert names(out) == sorted(NAMES)
    # Two under way, and two answers on their way to the journal; no other is done twice.
    assert len(calls(inputs)) <= len(NAMES) + 4
    assert len(begun) <= len(NAMES)
    run(inputs, tmp_path / "whole")
    assert content(out) == content(tmp_path / "whole")


def alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, 0)
            return not Path("/proc").is_dir()
        return False


def test_nothing_is_done_again(folder, run, tmp_path):
    inputs = folder(NAMES)
    assert run(inputs, tmp_path / "out").worked == 12
    before = content(tmp_path / "out")
    assert run(inputs, tmp_path / "out").worked == 0
    assert len(calls(inputs)) == 12
    assert content(tmp_path / "out") == before


def test_only_what_changed_is_done_again(folder, run, tmp_path):
    inputs, out = folder(NAMES), tmp_path / "out"
    run(inputs, out)
    (inputs / "good-05.stl").write_text("0.0001")
    folder(["good-00a", "good-03a"])
    (inputs / "good-10.stl").unlink()
    (inputs / "calls.log").unlink()
    assert run(inputs, out).worked == 3
    assert sorted(calls(inputs)) == ["good-00a", "good-03a", "good-05"]
    run(inputs, tmp_path / "whole")
    assert content(out) == content(tmp_path / "whole")
    assert "good-10" not in names(out)


def test_journals_follow_cases_that_move_to_another_part(folder, run, tmp_path):
    inputs, out = folder(NAMES), tmp_path / "out"

    class Stop(Silent):
        def finished(self, failed):
            if len(calls(inputs)) >= 6:
                raise KeyboardInterrupt

    # A job started in the background of a shell ignores interrupts from the start.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            run(inputs, out, progress=Stop())
    finally:
        signal.signal(signal.SIGINT, before)
    assert list((out / "work").glob("*.jsonl"))
    folder(["a-first", "good-04a"])
    run(inputs, out)
    assert len(calls(inputs)) <= len(NAMES) + 2 + 4
    run(inputs, tmp_path / "whole")
    assert content(out) == content(tmp_path / "whole")


def test_failed_cases_are_tried_again_when_asked(folder, run, tmp_path):
    inputs, out = folder(NAMES), tmp_path / "out"
    run(inputs, out)
    (inputs / "calls.log").unlink()
    assert run(inputs, out, retry_failed=True).worked == 1
    assert calls(inputs) == ["bad-1"]
    assert names(out) == sorted(NAMES)


def test_results_deleted_under_the_run_are_made_again(folder, run, tmp_path):
    inputs, out = folder(NAMES), tmp_path / "out"

    class Delete(Silent):
        told = 0
        said = ()

        def finished(self, failed):
            self.told += 1
            if self.told == 6:
                shutil.rmtree(out)

        def say(self, text):
            self.said += (text,)

    progress = Delete()
    outcome = run(inputs, out, progress=progress)
    assert outcome.cases == 12
    assert names(out) == sorted(NAMES)
    assert any("deleted" in text for text in progress.said)
    (out / "costs.csv").unlink()
    run(inputs, tmp_path / "whole")
    assert content(out) == content(tmp_path / "whole")


@pytest.mark.parametrize("table", ["veins", "cases"])
def test_a_part_that_lost_a_file_is_made_again(folder, run, tmp_path, table):
    inputs, out = folder(NAMES), tmp_path / "out"
    run(inputs, out)
    before = content(out)
    (out / table / "part-00001.parquet").write_bytes(b"cut")
    assert run(inputs, out).worked == 4
    assert content(out) == before


@pytest.mark.slow
def test_full_disk_is_waited_for(folder, run, tmp_path, monkeypatch):
    inputs, out = folder(NAMES), tmp_path / "out"
    sync, left = os.fsync, [3]

    def full(descriptor):
        if (out / "work").is_dir() and left[0]:
            left[0] -= 1
            raise OSError(errno.ENOSPC, "No space left on device")
        sync(descriptor)

    monkeypatch.setattr(store_module.os, "fsync", full)
    said = []
    progress = Silent()
    progress.warn = said.append
    run(inputs, out, progress=progress, patience_s=5.0)
    assert left == [0]
    waiting = f"No space left on device: waiting for free space in {out}, 5 s at most"
    assert set(said) == {waiting}
    run(inputs, tmp_path / "whole")
    assert content(out) == content(tmp_path / "whole")


def test_disk_that_stays_full_ends_the_run_and_loses_nothing(folder, run, tmp_path, monkeypatch):
    inputs, out = folder(NAMES), tmp_path / "out"
    sync = os.fsync

    def full(descriptor):
        if len(list((out / "work").glob("*"))) > 0 and len(calls(inputs)) > 5:
            raise OSError(errno.ENOSPC, "No space left on device")
        sync(descriptor)

    with monkeypatch.context() as patch:
        patch.setattr(store_module.os, "fsync", full)
        with pytest.raises(InputError, match="No space left on device; what is finished is kept"):
            run(inputs, out, patience_s=0.05)
    run(inputs, out)
    assert names(out) == sorted(NAMES)
    run(inputs, tmp_path / "whole")
    assert content(out) == content(tmp_path / "whole")


def test_line_is_written_wholly_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "lines"
    store_module.append_line(path, b"one\n")

    def full(descriptor):
        raise OSError(errno.ENOSPC, "full")

    with monkeypatch.context() as patch:
        patch.setattr(store_module.os, "fsync", full)
        with pytest.raises(OSError, match="full"):
            store_module.append_line(path, b"two\n")
    assert path.read_bytes() == b"one\n"


def test_other_settings_go_to_another_folder(folder, run, tmp_path):
    inputs, out = folder(["good-1"]), tmp_path / "out"
    run(inputs, out)
    other = make_plan(settings=Settings.from_mapping({"seating": {"greatest_push_n": 1.0}}))
    with pytest.raises(
        InputError, match=r"another settings\.seating\.greatest_push_n; pass another --out"
    ):
        run_cohort(find_cases([inputs]).cases, out, other, function=FUNCTION)
    (out / "run.json").write_text("{")
    with pytest.raises(InputError, match="cannot be read"):
        run(inputs, out)


def test_infinite_settings_are_known_again(folder, tmp_path):
    inputs, out = folder(["good-1"]), tmp_path / "out"
    linear = Settings.from_mapping({"seating": {"locking_depth_mm": float("inf")}})
    plan = make_plan(settings=linear)
    for worked in (1, 0):
        outcome = run_cohort(find_cases([inputs]).cases, out, plan, function=FUNCTION, workers=1)
        assert outcome.worked == worked
    json.loads((out / "run.json").read_text(), parse_constant=pytest.fail)


def test_two_runs_in_one_folder(folder, run, tmp_path):
    inputs, out = folder(["good-1"]), tmp_path / "out"

    class Second(Silent):
        told = ""

        def finished(self, failed):
            with pytest.raises(InputError) as error:
                run(inputs, out)
            self.told = str(error.value)

    progress = Second()
    run(inputs, out, progress=progress)
    assert "being written by another run" in progress.told


def test_interrupt_leaves_no_process(folder, run, tmp_path):
    inputs, out = folder([*NAMES, "hang-1"]), tmp_path / "out"

    class Stop(Silent):
        def finished(self, failed):
            if len(calls(inputs)) >= 4:
                os.kill(os.getpid(), signal.SIGINT)

    # A job started in the background of a shell ignores interrupts from the start.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            run(inputs, out, progress=Stop())
    finally:
        signal.signal(signal.SIGINT, before)
    pids = {int(line.split()[1]) for line in (inputs / "calls.log").read_text().splitlines()}
    end = time.monotonic() + 5.0
    while any(alive(pid) for pid in pids) and time.monotonic() < end:
        time.sleep(0.01)
    assert not any(alive(pid) for pid in pids)
