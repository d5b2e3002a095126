"""What a case of a cohort costs: ``python tests/benchmarks/cohort_cost.py [CASES] [WORKERS]``.

Draws invented atria, runs them as a cohort in this many processes without a margin and with
one of 64 and of 128 chains of tries, and prints seconds of processor a case, cases a second, the
greatest memory of a worker and bytes a case. Not a check: the figures are noted in
pipelines/large_cohorts.md with the machine that they are of.
"""

from __future__ import annotations

import csv
import statistics
import sys
import tempfile
import time
from pathlib import Path

import trimesh

from veinfit.cohort.batch.cases import find_cases
from veinfit.cohort.batch.plan import make_plan
from veinfit.cohort.batch.run import run_cohort
from veinfit.settings import Settings
from veinfit.synthetic import build, draw_shape

TRIES = (0, 64, 128)


def draw(folder: Path, cases: int) -> None:
    """Write open meshes of invented atria of any variant."""
    for seed in range(cases):
        surface = build(draw_shape(seed)).open_surface(edge_mm=1.2)
        mesh = trimesh.Trimesh(surface.points, surface.faces, process=False)
        mesh.export(folder / f"atrium-{seed:04d}.ply")


def measure(inputs: Path, out: Path, tries: int, workers: int) -> str:
    """Run the cohort once; return a line of the table."""
    plan = make_plan(settings=Settings.from_mapping({"margin": {"samples": tries}}))
    began = time.monotonic()
    outcome = run_cohort(find_cases([inputs]).cases, out, plan, workers=workers)
    wall = time.monotonic() - began
    with (out / "costs.csv").open() as stream:
        costs = list(csv.DictReader(stream))
    seconds = statistics.mean(float(row["cpu_seconds"]) for row in costs if row["cpu_seconds"])
    memory = max(float(row["peak_mb"]) for row in costs if row["peak_mb"])
    size = sum(p.stat().st_size for p in out.rglob("*.parquet")) / outcome.cases
    return (
        f"{tries:5d} {workers:7d} {outcome.cases:5d} {outcome.failed_cases:6d} {seconds:10.2f} "
        f"{wall / outcome.cases:11.2f} {memory:7.0f} {size:10.0f}"
    )


def main() -> None:
    """Print the table."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    workers = [int(word) for word in sys.argv[2:]] or [1, 2]
    with tempfile.TemporaryDirectory() as name:
        inputs = Path(name) / "inputs"
        inputs.mkdir()
        draw(inputs, cases)
        print("tries workers cases failed cpu_s_case wall_s_case peak_MB bytes_case")
        for tries in TRIES:
            for number in workers:
                out = Path(name) / f"{tries}-{number}"
                print(measure(inputs, out, tries, number), flush=True)


if __name__ == "__main__":
    main()
