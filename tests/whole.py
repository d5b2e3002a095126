"""The whole job on the first sample, done once for all tests that look at what it gives.

Once from Python, and once by the command of the README as another process with
another number of threads, in a locale in which text is not UTF-8, at the same
(stated) time.
"""

from __future__ import annotations

import os
import pickle
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path

from veinfit import case

ROOT = Path(__file__).parents[1]
SAMPLE = "sample_meshes/larkmoor-01.ply"

FEW = "[margin]\nsamples = 2\n"
"""Settings of both: what is not about the margin."""

STATED = {"case_id": "Larkmoor 0", "phase": "75 %", "image_date": "2026-01-31"}

AT_TEN = """
import sys
from datetime import datetime
import veinfit.case.assessing
import veinfit.cli

class AtTen(datetime):
    @classmethod
    def now(cls, tz=None):
        return cls(2026, 2, 1, 10, tzinfo=tz)

veinfit.case.assessing.datetime = AtTen
sys.exit(veinfit.cli.main())
"""
"""The command line, at a time that is stated."""

TEN = "2026-02-01T10:00:00Z"


@dataclass(frozen=True)
class Whole:
    """What the job gave from Python."""

    mesh: Path
    result: case.CaseResult
    stages: list[str]
    files: tuple[str, ...]
    """What was said to be written."""
    folder: Path


@dataclass(frozen=True)
class ByCommand:
    """What the command of the README gave."""

    code: int
    out: str
    err: str
    folder: Path


def do_whole(base: Path) -> None:
    """Assess the sample and write it into ``base``."""
    mesh = base / "Surname_Forename.ply"
    shutil.copyfile(ROOT / SAMPLE, mesh)
    (base / "few.toml").write_text(FEW)
    stages: list[str] = []
    result = case.assess(mesh, settings=base / "few.toml", progress=stages.append, **STATED)
    result = replace(result, provenance=replace(result.provenance, created=TEN))
    files = case.write_case(result, base / "case").files
    (base / "result.pickle").write_bytes(pickle.dumps((result, stages, files)))


def whole_in(base: Path) -> Whole:
    told = pickle.loads((base / "result.pickle").read_bytes())
    return Whole(base / "Surname_Forename.ply", *told, base / "case")


def readme_command() -> list[str]:
    """The words of the first command that the README shows, after the program's name."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (command,) = re.findall(r"^pip install \. && veinfit (assess .*)$", text, re.M)
    return command.split()


def do_command(base: Path) -> None:
    """Run the command of the README with its output in ``base``."""
    words = readme_command()
    assert SAMPLE in words
    words[words.index(SAMPLE)] = str(ROOT / SAMPLE)
    words[words.index("--out") + 1] = str(base / "cœur é")
    (base / "few.toml").write_text(FEW)
    for name, value in STATED.items():
        words += [f"--{name.replace('_', '-')}", value]
    threads = "2" if os.environ.get("OMP_NUM_THREADS") == "1" else "1"
    loud = {"PYTHONWARNINGS": "always", "PYTHONUTF8": "0", "LC_ALL": "C"}
    plain = {**loud, "OMP_NUM_THREADS": threads, "OPENBLAS_NUM_THREADS": threads}
    done = subprocess.run(
        [sys.executable, "-c", AT_TEN, *words, "--settings", str(base / "few.toml")],
        capture_output=True,
        text=True,
        errors="replace",
        env={**os.environ, **plain, "PYTHONCOERCECLOCALE": "0"},
        check=False,
    )
    (base / "told.pickle").write_bytes(pickle.dumps((done.returncode, done.stdout, done.stderr)))


def command_in(base: Path) -> ByCommand:
    return ByCommand(*pickle.loads((base / "told.pickle").read_bytes()), base / "cœur é")
