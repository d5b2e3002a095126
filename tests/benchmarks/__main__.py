"""``python -m tests.benchmarks``: what the job costs, beside the least that any program must do.

Draws one atrium as two meshes and a label volume, runs every job in a process of its own, and
puts the table into DEVELOPERS.md. Seconds are of processor, so that other work on the machine
counts little; what matters are ratios of one run. Takes some minutes, and is no check.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from benchmarks.speed import floor, inputs, jobs, libraries  # noqa: E402
from benchmarks.speed.table import put_between_marks, table  # noqa: E402

DOCUMENT = ROOT / "DEVELOPERS.md"

JOBS: dict[str, Callable[..., Any]] = {
    "start-up": jobs.start_up,
    "floor": floor.floor,
    "nominal": jobs.nominal,
    "margin": jobs.margin,
    "whole": jobs.whole,
    "libraries": libraries.beside,
}

ONE_THREAD = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")}


def apart(job: str, *paths: Path) -> Any:
    """Run a job in a process of its own; return what it tells."""
    command = [sys.executable, "-m", "tests.benchmarks", "--job", job, *map(str, paths)]
    print(job, *(path.name for path in paths), flush=True)
    done = subprocess.run(
        command, env={**os.environ, **ONE_THREAD}, cwd=ROOT, capture_output=True, text=True
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--job", choices=JOBS, help=argparse.SUPPRESS)
    parser.add_argument("paths", nargs="*", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--print", action="store_true", help="leave DEVELOPERS.md as it is")
    asked = parser.parse_args()
    if asked.job:
        print(json.dumps(JOBS[asked.job](*asked.paths)))
        return
    load = os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as name:
        drawn = inputs.draw_inputs(Path(name))
        volume = drawn[inputs.VOLUME]
        told = {
            "load": load,
            "start-up": apart("start-up"),
            "floor": apart("floor", volume),
            "nominal": {key: apart("nominal", path) for key, path in drawn.items()},
            "margin": {key: apart("margin", path) for key, path in drawn.items()},
            "whole": {key: apart("whole", path) for key, path in drawn.items()},
            "libraries": apart("libraries", next(iter(drawn.values())), volume),
        }
    text = table(told)
    print(text)
    if not asked.print:
        put_between_marks(DOCUMENT, text)


if __name__ == "__main__":
    main()
