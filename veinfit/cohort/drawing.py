"""Draws a synthetic cohort into a folder: cases, their list, and drawn beside published."""

from __future__ import annotations

import dataclasses
import json
import os
import queue
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from veinfit.cohort.batch.lock import held
from veinfit.cohort.batch.progress import Progress, Silent
from veinfit.cohort.batch.supervise import CaseProcess, supervised
from veinfit.errors import InputError
from veinfit.io.cells import csv_text
from veinfit.io.results.belonging import check_belongs
from veinfit.io.results.output import check_output, unwritable
from veinfit.synthetic.draw.comparison import Row, compare, comparison_csv
from veinfit.synthetic.draw.distributions import Distributions, parse_distributions
from veinfit.synthetic.draw.drawn_case import INVENTED, Recipe, case_name, write_case
from veinfit.synthetic.files import write_text

CASES_FOLDER = "cases"
CASE_LIST = "cases.csv"
COMPARISON = "comparison.csv"
DISTRIBUTIONS = "distributions.toml"
RECIPE = "cohort.json"

LIST_COLUMNS = ("case", "input", "labels", "landmarks")
"""Of the list of cases, as ``cohort run`` reads it."""

WORK = "veinfit.cohort.drawing:draw_job"
"""What a worker process does with a job."""

WAITING = 4
"""So many jobs for each worker are handed out ahead."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a run drew.

    Attributes
    ----------
    cases : int
        Cases in the list: those of this run and earlier ones into the same folder.
    worked : int
        Cases that this run drew.
    failed : mapping of str to str
        Cases that could not be drawn, with the reason.
    set_aside : int
        Sets of targets, over all cases, that no sound atrium was found for.
    comparison : tuple of Row
    """

    cases: int
    worked: int
    failed: dict[str, str]
    set_aside: int
    comparison: tuple[Row, ...]


def draw_cohort(
    distributions: Distributions,
    recipe: Recipe,
    numbers: Sequence[int],
    out: Path,
    *,
    workers: int = 1,
    progress: Progress | None = None,
) -> Drawn:
    """Draw cases of a cohort into a folder.

    Cases that the folder has already are kept; a case is there when its truth file is, which
    is written last. A case that fails is told and costs no other.

    Parameters
    ----------
    distributions : Distributions
    recipe : Recipe
        Seed, kind and what is written of each case.
    numbers : sequence of int
        Which cases of the cohort.
    out : Path
    workers : int
        Processes.
    progress : Progress, optional
        Told how it goes on.

    Returns
    -------
    Drawn

    Raises
    ------
    InputError
        The folder cannot be written, is being written, or holds another cohort or the results of
        another command.
    """
    progress = progress or Silent()
    check_output(out, "cohort draw")
    with held(out):
        try:
            check_belongs(out, "cohort draw")  # Another command may have had the folder.
            return _draw(distributions, recipe, numbers, out, workers, progress)
        except OSError as error:
            raise unwritable(out, error) from error
        finally:
            progress.close()


def _draw(
    distributions: Distributions,
    recipe: Recipe,
    numbers: Sequence[int],
    out: Path,
    workers: int,
    progress: Progress,
) -> Drawn:
    folder = out / CASES_FOLDER
    _claim(out, recipe, distributions.text)
    folder.mkdir(exist_ok=True)
    for part in folder.glob(f".{case_name(recipe.seed, 0)[:-6]}*"):
        part.unlink()  # left behind by a run that was killed
    wanted = [n for n in numbers if not _truth_file(folder, recipe, n).exists()]
    progress.start(len(numbers))
    progress.passed(len(numbers) - len(wanted))
    job = {
        "recipe": dataclasses.asdict(recipe),
        "distributions": distributions.text,
        "folder": str(folder.absolute()),
    }
    failed: dict[str, str] = {}
    for number, reason in _served([{**job, "number": n} for n in wanted], workers):
        if reason:
            failed[case_name(recipe.seed, number)] = reason
        progress.finished(bool(reason))
    cases = [_needed(path) for path in sorted(folder.glob("*.truth.json"))]
    _replace(out / CASE_LIST, _case_list(recipe, [case["case"] for case in cases]))
    rows = compare(distributions, cases)
    _replace(out / COMPARISON, comparison_csv(rows))
    return Drawn(
        cases=len(cases),
        worked=len(wanted) - len(failed),
        failed=failed,
        set_aside=sum(case["set_aside"] for case in cases),
        comparison=rows,
    )


def _truth_file(folder: Path, recipe: Recipe, number: int) -> Path:
    return folder / f"{case_name(recipe.seed, number)}.truth.json"


def _needed(path: Path) -> dict[str, Any]:
    """Read a truth file; keep what the comparison needs, so that many fit into memory."""
    case = json.loads(path.read_text("utf-8"))
    kept = ("case", "variants", "targets", "set_aside", "chamber_volume_ml")
    veins = (
        "name",
        "trunk_cut",
        "trunk_length_mm",
        "takeoff_frontal_deg",
        "takeoff_transverse_deg",
    )
    sizes = ("d_max_mm", "d_min_mm")
    return {
        **{name: case[name] for name in kept},
        "truth": {
            "veins": [
                {
                    **{name: vein[name] for name in veins},
                    "ostium": {name: vein["ostium"][name] for name in sizes},
                }
                for vein in case["truth"]["veins"]
            ]
        },
    }


def _claim(out: Path, recipe: Recipe, distributions: str) -> None:
    """Write down what the folder holds; raise InputError where it holds something else."""
    stated = json.dumps({"about": INVENTED, **dataclasses.asdict(recipe)}, indent=1) + "\n"
    for name, text in ((RECIPE, stated), (DISTRIBUTIONS, distributions)):
        path = out / name
        if not path.exists():
            _replace(path, text)
        elif path.read_bytes() != text.encode("utf-8"):
            raise InputError(
                f"output {out} holds a cohort that was drawn in another way ({name} differs); "
                "pass another --out, or the same options as before"
            )


def _replace(path: Path, text: str) -> None:
    part = path.with_name(f".{path.name}-{os.getpid()}")
    write_text(part, text)
    part.replace(path)


def _case_list(recipe: Recipe, names: Sequence[str]) -> str:
    rows = []
    for name in names:
        path = f"{CASES_FOLDER}/{name}"
        if recipe.content != "labels":
            rows.append((name, f"{path}.ply", "", f"{path}.landmarks.csv"))
        if recipe.content != "mesh":
            case = name if recipe.content == "labels" else f"{name}-labels"
            rows.append((case, f"{path}.nii.gz", f"{path}.labels.toml", f"{path}.nerve.csv"))
    return csv_text(LIST_COLUMNS, rows)


# ---- workers ------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _distributions(text: str) -> Distributions:
    return parse_distributions(text, "distributions")


def draw_job(job: dict[str, Any]) -> dict[str, Any]:
    """Draw and write the case of a job; called in a worker process."""
    given = job["recipe"]
    recipe = Recipe(**{**given, "spacing_mm": tuple(given["spacing_mm"])})
    write_case(_distributions(job["distributions"]), recipe, job["number"], Path(job["folder"]))
    return {}


def _served(jobs: Sequence[dict[str, Any]], workers: int) -> Iterator[tuple[int, str]]:
    """Have jobs done by worker processes; yield each number with the reason if it failed."""
    processes = [CaseProcess(WORK) for _ in range(min(workers, max(len(jobs), 1)))]
    free: queue.SimpleQueue[CaseProcess] = queue.SimpleQueue()
    for process in processes:
        free.put(process)

    def work(job: dict[str, Any]) -> tuple[int, str]:
        process = free.get()
        try:
            return job["number"], str(supervised(process, job).get("failed", ""))
        finally:
            free.put(process)

    pool = ThreadPoolExecutor(len(processes))
    pending: set[Future[tuple[int, str]]] = set()
    try:
        for job in jobs:
            pending.add(pool.submit(work, job))
            if len(pending) >= WAITING * len(processes):
                done, pending = wait(pending, return_when=FIRST_COMPLETED)
                yield from (future.result() for future in done)
        while pending:
            done, pending = wait(pending, return_when=FIRST_COMPLETED)
            yield from (future.result() for future in done)
    finally:
        for future in pending:
            future.cancel()
        for process in processes:
            process.close()
        pool.shutdown(wait=True, cancel_futures=True)
