"""One run of a cohort: what is left to do, done, kept and put together."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from veinfit.cohort.batch.cases import BatchCase
from veinfit.cohort.batch.cluster import run_cluster
from veinfit.cohort.batch.csv_files import csv_names, write_csv
from veinfit.cohort.batch.lock import held
from veinfit.cohort.batch.plan import SHARD_CASES, RunPlan, Task, case_key, plan_digest, shards
from veinfit.cohort.batch.progress import Progress, Silent, clock_words
from veinfit.cohort.batch.rows import failed_rows
from veinfit.cohort.batch.run_file import RUN_FILE, check_run, run_json
from veinfit.cohort.batch.store import Store, replace_file
from veinfit.cohort.batch.supervise import ASSESS, TIME_LIMIT_S, Answer, run_local
from veinfit.errors import InputError
from veinfit.io.results.belonging import check_belongs
from veinfit.io.results.output import check_output

ROUNDS = 3
"""Parts that were deleted under the run are made again, this often at most."""

FULL = {errno.ENOSPC, errno.EDQUOT}
"""Errors that pass when somebody makes room."""
PATIENCE_S = 600.0
"""How long a run waits for room on the disk before it ends; what is done stays."""
WAIT_S = 5.0

Engine = Callable[[Iterator[Task]], Iterator[tuple[Task, Answer]]]


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """What a run did.

    Attributes
    ----------
    cases, worked : int
        All cases, and those that this run worked on.
    partial, failed : mapping of str to str
        Cases with fits that could not be assessed, and cases without any
        result, with their reasons: the first of them, up to ``LISTED``.
    partial_cases, failed_cases : int
        How many there are of each.
    warned : mapping of str to str
        Cases with a warning that puts all of them in doubt, and the warning: the first of
        them, up to ``LISTED``. They are done, or partial, all the same.
    warned_cases : int
    dropped : tuple of str
        Cases of an earlier run that are not among the cases of this one: their rows are gone.
    """

    cases: int
    worked: int
    partial_cases: int
    failed_cases: int
    partial: dict[str, str]
    failed: dict[str, str]
    warned: dict[str, str] = field(default_factory=dict)
    warned_cases: int = 0
    dropped: tuple[str, ...] = ()


TOLD = ("case", "status", "reason", "warnings")
"""Columns of the table of cases that tell how they came out."""

LISTED = 20
"""So many cases are told by name in the outcome; the table ``cases`` has all."""


@dataclass(slots=True)
class _Part:
    """A part of the tables in the making."""

    keys: list[str] = field(default_factory=list)
    issued: int = 0
    returned: int = 0
    closed: bool = False


def run_cohort(
    cases: Sequence[BatchCase],
    out: Path,
    plan: RunPlan,
    *,
    workers: int | None = None,
    limit_s: float = TIME_LIMIT_S,
    retry_failed: bool = False,
    csv: bool = False,
    progress: Progress | None = None,
    scheduler: str | None = None,
    function: str = ASSESS,
    shard_cases: int = SHARD_CASES,
    patience_s: float = PATIENCE_S,
) -> RunOutcome:
    """Assess every case that is not yet done, and write the tables.

    Parameters
    ----------
    cases : sequence of BatchCase
        Sorted by name.
    out : Path
        Folder of the results; an earlier run in it is gone on with.
    plan : RunPlan
    workers : int, optional
        Processes of this machine; by default one a core.
    limit_s : float
        Time limit of a case, s.
    retry_failed : bool
        Whether cases that failed in an earlier run are tried again.
    csv : bool
        Whether to write CSV files beside Parquet.
    progress : Progress, optional
    scheduler : str, optional
        Address of a Dask scheduler whose workers are used instead of this machine.
    function : str
        What a process does with a case.
    shard_cases : int
        Cases in a part of the tables.
    patience_s : float
        How long to wait for room on a full disk, s.

    Returns
    -------
    RunOutcome

    Raises
    ------
    InputError
        ``out`` cannot be written, holds a run with other settings or the results of
        another command, or is being written by another run; or the scheduler cannot be used.
    """
    check_output(out, "cohort run")
    check_run(out, plan)
    told = progress or Silent()
    run = _Run(list(shards(cases, shard_cases)), Store(out), plan, told, patience_s)

    def engine(tasks: Iterator[Task]) -> Iterator[tuple[Task, Answer]]:
        if scheduler is not None:
            return run_cluster(
                tasks, plan, scheduler, function=function, limit_s=limit_s, say=told.say
            )
        number = workers or os.cpu_count() or 1
        return run_local(tasks, plan, number, function=function, limit_s=limit_s)

    with held(out):
        check_belongs(out, "cohort run")  # Another command may have had the folder.
        told.start(len(cases))
        try:
            run.everything(engine, retry_failed)
            outcome = run.outcome()
            if csv or any((out / name).exists() for name in csv_names()):
                run.patiently(lambda: write_csv(run.store))
        except BaseException:
            if run.store.is_empty:
                # A run of which nothing is kept binds no later one to its settings.
                (out / RUN_FILE).unlink(missing_ok=True)
                run.store.tidy()
            raise
        finally:
            told.close()
    return outcome


class _Run:
    def __init__(
        self,
        parts: list[Sequence[BatchCase]],
        store: Store,
        plan: RunPlan,
        progress: Progress,
        patience_s: float,
    ) -> None:
        self.parts = parts
        self.store = store
        self.plan = plan
        self.progress = progress
        self.patience_s = patience_s
        self.worked = 0
        self.dropped: set[str] = set()
        self._open: dict[int, _Part] = {}
        self._guard = threading.Lock()

    def everything(self, engine: Engine, retry_failed: bool) -> None:
        """Work until every part is there."""
        self.patiently(self._write_run)
        homes = {case.case: k for k, part in enumerate(self.parts) for case in part}
        self.patiently(lambda: self._settle(homes))
        left = list(range(len(self.parts)))
        for turn in range(ROUNDS):
            if turn:
                self.progress.say("results were deleted during the run; they are computed again")
            for task, answer in engine(self._pending(left, homes, retry_failed and not turn)):
                self._take(task, answer)
            left = [k for k in left if not self.store.is_done(k)]
            if not left:
                break
        else:
            raise InputError(
                f"output {self.store.out}: results keep being deleted; find out by whom and run "
                "the same command again"
            )
        self.patiently(self._write_run)
        self.store.tidy()

    def _settle(self, homes: dict[str, int]) -> None:
        """Make what an earlier run left fit the cases of this one."""
        self.store.rehome(homes)
        for shard in self.store.parts():
            keys = self.store.done_keys(shard)
            mine = {case.case for case in self.parts[shard]} if shard < len(self.parts) else set()
            if keys is None:
                self.store.remove(shard)
            elif keys.keys() != mine:
                self.dropped |= keys.keys() - homes.keys()
                self.store.unpack(shard, homes)

    def _pending(
        self, numbers: Sequence[int], homes: dict[str, int], retry_failed: bool
    ) -> Iterator[Task]:
        """Yield what is left to do; parts for which nothing is, are put together on the way."""
        digest = plan_digest(self.plan)
        for shard in numbers:
            part = self.parts[shard]
            done = self.store.done_keys(shard)
            if done is not None:
                leave = self.store.failed_cases(shard) if retry_failed else set()
                fresh = {case.case: case_key(case, digest) for case in part}
                if done == fresh and not leave:
                    self.progress.passed(len(part))
                    continue
                self.patiently(lambda s=shard, n=leave: self.store.unpack(s, homes, n))  # type: ignore[misc]
            yield from self._pending_in(shard, part, digest)

    def _pending_in(self, shard: int, part: Sequence[BatchCase], digest: str) -> Iterator[Task]:
        kept = self.store.saved_keys(shard)
        state = _Part()
        with self._guard:
            self._open[shard] = state
        for case in part:
            key = case_key(case, digest)
            with self._guard:
                state.keys.append(key)
                state.issued += key not in kept
            if key in kept:
                self.progress.passed(1)
            else:
                yield Task(shard, case, key)
        with self._guard:
            state.closed = True
        self._finish(shard)

    def _take(self, task: Task, answer: Answer) -> None:
        """Keep the answer to a task."""
        failed = "rows" not in answer
        rows = failed_rows(task.case.case, answer["failed"]) if failed else answer["rows"]
        self.patiently(lambda: self.store.save(task.shard, task.key, rows))
        self.patiently(lambda: self.store.note_cost(task.case.case, answer.get("cost")))
        self.worked += 1
        self.progress.finished(failed)
        with self._guard:
            self._open[task.shard].returned += 1
        self._finish(task.shard)

    def _finish(self, shard: int) -> None:
        """Put a part together once all of its cases are there; whoever comes last does it."""
        with self._guard:
            state = self._open.get(shard)
            if state is None or not state.closed or state.returned < state.issued:
                return
            del self._open[shard]
        kept = self.store.saved(shard, state.keys)
        if all(key in kept for key in state.keys):
            entries = [(key, kept[key]) for key in state.keys]
            self.patiently(lambda: self.store.write_part(shard, entries))

    def patiently(self, action: Callable[[], None]) -> None:
        """Do something that writes; wait for room where the disk is full."""
        end = time.monotonic() + self.patience_s
        told = False
        while True:
            try:
                return action()
            except OSError as error:
                why = error.strerror or str(error)
                if error.errno not in FULL or time.monotonic() >= end:
                    raise InputError(
                        f"output {self.store.out} cannot be written: {why}; what is finished is "
                        "kept: correct this and run the same command again"
                    ) from error
                if not told:
                    self.progress.warn(
                        f"{why}: waiting for free space in {self.store.out}, "
                        f"{clock_words(self.patience_s)} at most"
                    )
                    told = True
                time.sleep(min(WAIT_S, max(self.patience_s / 10, 0.01)))

    def _write_run(self) -> None:
        replace_file(self.store.out / RUN_FILE, lambda path: path.write_bytes(run_json(self.plan)))

    def outcome(self) -> RunOutcome:
        """Read from the tables how the cases came out."""
        import pyarrow.parquet as pq

        counts = {"partial": 0, "failed": 0, "done": 0, "warned": 0}
        told: dict[str, dict[str, str]] = {name: {} for name in counts}
        for shard in range(len(self.parts)):
            path = self.store.part("cases", shard)
            # Parts that an earlier state of this version wrote lack the column of warnings.
            there = [name for name in TOLD if name in pq.read_schema(path).names]
            for row in pq.read_table(path, columns=there).to_pylist():
                status = row["status"]
                counts[status] += 1
                if status != "done" and len(told[status]) < LISTED:
                    told[status][row["case"]] = row["reason"]
                if row.get("warnings"):
                    counts["warned"] += 1
                    if len(told["warned"]) < LISTED:
                        told["warned"][row["case"]] = row["warnings"]
        return RunOutcome(
            counts["done"] + counts["partial"] + counts["failed"],
            self.worked,
            counts["partial"],
            counts["failed"],
            told["partial"],
            told["failed"],
            told["warned"],
            counts["warned"],
            tuple(sorted(self.dropped)),
        )
