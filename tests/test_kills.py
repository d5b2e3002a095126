"""A run that is killed leaves under the name that was given a whole result or none."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import atria
import few_tries
import pytest

from veinfit import case
from veinfit.io.results.output import staged_output

WRITER = """
import os, sys
from dataclasses import replace
from pathlib import Path
import handmade
from veinfit import case
from veinfit.io.results.provenance import program_versions
from veinfit.result.provenance import Provenance
from veinfit.settings import Settings

def result(name):
    told = Provenance(
        name, None, None, "lps", "mm", "coaxial", ({"name": "28 mm"},), (),
        program_versions(), "2026-02-01T10:00:00Z",
    )
    fits = (replace(handmade.fit(), balloon=name),)
    return case.CaseResult(handmade.anatomy(), fits, {}, (), Settings(), told)

for line in sys.stdin:
    name, out = line.rstrip().split(" ", 1)
    child = os.fork()
    if not child:
        case.write_case(result(name), Path(out), pictures=False)
        os._exit(0)
    print(child, flush=True)
    sys.stdin.readline()  # until then the number of a child that has ended stays its own
    print(os.waitpid(child, 0)[1], flush=True)
"""
"""Writes cases into folders, each in a process of its own that has nothing to load any more."""


class Writer:
    """A process that writes one of two cases whenever it is asked."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._to, self._told = process.stdin, process.stdout

    def start(self, name: str, out: Path) -> int:
        """Begin to write a case; return who does."""
        self._to.write(f"{name} {out}\n")
        self._to.flush()
        return int(self._told.readline())

    def ended(self) -> int:
        """Wait for who began last; return how it ended."""
        self._to.write("\n")
        self._to.flush()
        return int(self._told.readline())


@pytest.fixture
def writer() -> Iterator[Writer]:
    path = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    with subprocess.Popen(
        [sys.executable, "-c", WRITER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
    ) as process:
        yield Writer(process)
        process.stdin.close()


def hidden(folder: Path) -> list[Path]:
    """The folders in which results wait until all are written."""
    return list(folder.rglob(".veinfit-*"))


def is_moving(out: Path) -> bool:
    """Whether files of a finished run are being moved to their places."""
    places = [p for p in (out, out.parent) if p.is_dir()]
    return any((p / "moving.json").exists() for place in places for p in place.glob(".veinfit-*"))


def contents(folder: Path) -> dict[str, bytes]:
    """Every file that can be seen under the name that was given."""
    files = [p for p in sorted(folder.rglob("*")) if p.is_file()]
    names = {p.relative_to(folder).as_posix(): p for p in files}
    return {name: p.read_bytes() for name, p in names.items() if ".veinfit-" not in name}


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that split in two")
def test_killed_at_twenty_moments_of_writing(writer, tmp_path):
    """What is there is one of the two cases, whole, or none; and the next run is whole."""
    right = {}
    for name in ("one", "two"):
        start = time.monotonic()
        writer.start(name, tmp_path / name)
        assert writer.ended() == 0
        lasts_s = time.monotonic() - start
        right[name] = contents(tmp_path / name)
    assert right["one"].keys() == right["two"].keys()
    assert sum(right["one"][file] != right["two"][file] for file in right["one"]) >= 5

    out, rng, killed = tmp_path / "case", random.Random(20261129), 0
    for moment in range(20):
        process = writer.start(("one", "two")[moment % 2], out)
        wait_s = lasts_s * rng.uniform(0.0, 1.05)
        if moment % 4 >= 2:  # while files are being moved to their places
            until = time.monotonic() + wait_s
            while time.monotonic() < until and not is_moving(out):
                pass
            wait_s = rng.uniform(0.0, 0.004)
        time.sleep(wait_s)
        os.kill(process, signal.SIGKILL)
        killed += writer.ended() == signal.SIGKILL
        if (out / "case.json").exists():
            assert contents(out) in right.values()
            case.load_case(out)
        else:
            assert not out.exists() or hidden(out)
        if moment % 5 == 4:
            shutil.rmtree(out, ignore_errors=True)
    assert killed >= 10
    for name in ("two", "one"):
        writer.start(name, out)
        assert writer.ended() == 0
        assert contents(out) == right[name]
        assert not hidden(tmp_path)


@pytest.mark.slow
def test_a_whole_job_that_is_killed(tmp_path):
    mesh = atria.save_mesh(atria.open_surface(), tmp_path / "atrium.stl")
    (tmp_path / "least.toml").write_text(few_tries.NO_MARGIN)
    command = [sys.executable, few_tries.__file__, "-m", "veinfit", "assess", str(mesh)]
    command += ["--settings", str(tmp_path / "least.toml"), "--balloon", "28", "--no-pictures"]
    command += ["--approach", "coaxial", "--out", str(tmp_path / "case")]
    for stage in ("names", "report"):
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
            assert any(stage in line for line in process.stderr)
            process.kill()
        assert not (tmp_path / "case").exists()
    # The next run takes away what they left.
    with staged_output(tmp_path / "case") as stage:
        (stage / "one.txt").write_text("1")
    assert contents(tmp_path / "case") == {"one.txt": b"1"}
    assert not hidden(tmp_path)
