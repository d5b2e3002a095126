"""A real scheduler with two workers on loopback; one of them is killed half-way."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from cohort.batch.fake_cases import FUNCTION, calls, content

import veinfit
from veinfit.cohort.batch.cases import find_cases
from veinfit.cohort.batch.plan import make_plan
from veinfit.cohort.batch.progress import Silent
from veinfit.cohort.batch.run import run_cohort
from veinfit.errors import InputError

pytest.importorskip("distributed")
pytestmark = [
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore::FutureWarning"),
]


class Cluster:
    """Processes of a scheduler and of its workers."""

    def __init__(self, folder):
        self.folder = folder
        home = Path(veinfit.__file__).parents[1]
        paths = [str(home), str(Path(__file__).parent)]
        self.environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(paths),
            "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1",
        }
        self.processes = []

    def start(self, module, *arguments):
        command = [sys.executable, "-m", f"distributed.cli.{module}", *arguments]
        process = subprocess.Popen(
            [*command, "--no-dashboard"],
            env=self.environment,
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.processes.append(process)
        return process

    def scheduler(self):
        """Start a scheduler; return its address."""
        told = self.folder / "scheduler.json"
        self.start(
            "dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told)
        )
        end = time.monotonic() + 60.0
        while not told.exists() or not told.read_text().rstrip().endswith("}"):
            assert time.monotonic() < end
            time.sleep(0.02)
        import json

        return json.loads(told.read_text())["address"]

    def worker(self, address):
        return self.start("dask_worker", address, "--no-nanny", "--nthreads", "1")

    def close(self):
        for process in self.processes:
            process.kill()
            process.wait()


@pytest.fixture
def cluster(tmp_path):
    made = Cluster(tmp_path)
    yield made
    made.close()


@pytest.mark.slow
def test_worker_is_killed_half_way(cluster, folder, run, tmp_path):
    address = cluster.scheduler()
    first, _ = cluster.worker(address), cluster.worker(address)
    names = [f"good-{k:02d}" for k in range(10)] + ["bad-1", "crash-1"]
    inputs, out = folder(names, seconds=0.1), tmp_path / "out"

    class Kill(Silent):
        told = 0

        def finished(self, failed):
            self.told += 1
            if self.told == 4:
                first.kill()

    progress = Kill()
    outcome = run(inputs, out, scheduler=address, progress=progress)
    assert first.wait() == -9
    assert (outcome.cases, outcome.worked, outcome.failed_cases) == (12, 12, 2)
    assert pq.read_table(out / "cases")["case"].to_pylist() == sorted(names)
    # Only what the killed worker had in hand was begun twice; the crash is tried twice anyway.
    assert 13 <= len(calls(inputs)) <= 16
    run(inputs, tmp_path / "local")
    assert content(out) == content(tmp_path / "local")
    # The same folder can be gone on with here.
    assert run(inputs, out).worked == 0


def test_scheduler_that_is_not_there(folder, run, tmp_path, monkeypatch):
    monkeypatch.setattr("veinfit.cohort.batch.cluster.CONNECT_S", 0.3)
    inputs = folder(["good-1"])
    out = tmp_path / "new" / "out"
    for address in ("tcp://127.0.0.1:9", "nonsense://x"):
        with pytest.raises(InputError, match="does not answer"):
            run(inputs, out, scheduler=address)
        assert not out.parent.exists()
    # What was there before stays, and nothing comes to it.
    out.mkdir(parents=True)
    (out / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="does not answer"):
        run(inputs, out, scheduler="tcp://127.0.0.1:9")
    assert [path.name for path in out.iterdir()] == ["notes.txt"]
    # The folder is bound to no settings of the run that did not begin.
    plan = make_plan((), "coaxial", None)
    assert run_cohort(find_cases([inputs]).cases, out, plan, function=FUNCTION).worked == 1
    # With a case finished, it is: that is kept, and the next run goes on with it.
    names = ("good-1", "good-2")
    with pytest.raises(InputError, match="does not answer"):
        run_cohort(
            find_cases([folder(names)]).cases, out, plan, function=FUNCTION,
            scheduler="tcp://127.0.0.1:9",
        )  # fmt: skip
    assert run_cohort(find_cases([inputs]).cases, out, plan, function=FUNCTION).worked == 1
    assert pq.read_table(out / "cases")["case"].to_pylist() == list(names)


def test_without_the_package(folder, run, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install .veinfit\[cluster\]"):
        run(folder(["good-1"]), tmp_path / "out", scheduler="tcp://127.0.0.1:9")
