"""The queue: runs of cases in supervised processes, their progress, and what becomes of them.

A run's state stands in ``run.json`` of its case, so that a desk that was killed finds it again.
"""

from __future__ import annotations

import contextlib
import secrets
import threading
import time
from collections import deque
from datetime import datetime
from pathlib import Path
from typing import Any

from veinfit.cohort.batch.supervise import CaseProcess, ProcessDied, ProcessHung
from veinfit.desk.jobs.progress import BEGINNING, PACE, Pace, Progress, stages_in, tell_stage
from veinfit.desk.jobs.worker import ASSESS
from veinfit.desk.store.cases import RUN, CaseFolder, cases_in, own_size_and_time
from veinfit.desk.store.journal import now, read_journal
from veinfit.desk.store.owner import DESK
from veinfit.errors import InputError

RUN_LIMIT_S = 3600.0
"""A run that takes longer counts as hung: some thirty times what one takes."""

STARTS = 3
"""A run that was interrupted so often together with its desk is not begun again by itself."""

DONE = "assessed"
"""How the journal calls a run that came to its end."""


class Runs:
    """Works on cases one after another, or a few at a time.

    Parameters
    ----------
    folder : Path
    workers : int
        Processes at most.
    function : str
        What they do with a job.
    limit_s : float
    """

    def __init__(
        self,
        folder: Path,
        workers: int = 1,
        function: str = ASSESS,
        limit_s: float = RUN_LIMIT_S,
    ) -> None:
        self._folder, self._function, self._limit_s = folder, function, limit_s
        self._waiting: deque[str] = deque()
        self._running: dict[str, CaseProcess] = {}
        self._cancelled: dict[str, str] = {}
        self._told: dict[str, dict[str, Any]] = {}
        self._pace = Pace(folder / DESK / PACE)
        self._change = threading.Condition()
        self._ended = False
        self._threads = [threading.Thread(target=self._serve, daemon=True) for _ in range(workers)]

    def start(self) -> None:
        """Take up what an earlier desk left, and begin to work."""
        self._recover()
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End every process; what was being worked on waits for the next desk."""
        with self._change:
            self._ended = True
            processes = list(self._running.values())
            self._change.notify_all()
        for process in processes:
            process.close()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(5.0)

    def ask(self, case: CaseFolder, who: str = "") -> None:
        """Put a case into the queue.

        Raises
        ------
        InputError
            It is signed, waits or runs already, lacks something, or cannot be written.
        """
        case.need_open()
        if missing := case.options.missing:
            raise InputError(missing)
        with case.held_open(), self._change:
            if case.name in self._waiting or case.name in self._running:
                raise InputError("the case is in the queue already")
            case.put_state(RUN, {"state": "waiting", "run": secrets.token_hex(6), "time": now()})
            case.note("run asked for", who)
            self._told.pop(case.name, None)
            self._waiting.append(case.name)
            self._change.notify()

    def cancel(self, case: CaseFolder, who: str = "") -> None:
        """Take a case out of the queue, or end its run.

        Raises
        ------
        InputError
            It does neither wait nor run.
        """
        with self._change:
            if case.name in self._waiting:
                self._waiting.remove(case.name)
                self._end(case, "cancelled", "", who)
                return
            process = self._running.get(case.name)
            if process is None:
                raise InputError("the case is neither waiting nor running")
            self._cancelled[case.name] = who
        process.close()

    def told(self, name: str) -> dict[str, Any] | None:
        """Return a state that could not be written into its case; None where all were."""
        return self._told.get(name)

    def place(self, name: str) -> int:
        """Return how many runs are before a waiting one."""
        with self._change:
            before = self._waiting.index(name) if name in self._waiting else 0
            return before + len(self._running)

    def progress(self, name: str) -> Progress | None:
        """Return how far a run is; None where it has not begun."""
        return self._pace.progress(self._progress_path(name))

    def busy(self) -> bool:
        """Whether anything waits or runs."""
        with self._change:
            return bool(self._waiting or self._running)

    # ---- threads ----
    def _serve(self) -> None:
        process = self._process()
        while True:
            with self._change:
                self._change.wait_for(lambda: self._ended or bool(self._waiting))
                if self._ended:
                    break
                name = self._waiting.popleft()
                self._running[name] = process
            case = CaseFolder(self._folder / name)
            try:
                fate = self._run(case, process)
            except InputError as error:
                fate = ("failed", str(error), "")
            except Exception as fault:
                # Whatever it is, it is this case's, and the queue goes on.
                fate = ("failed", " ".join(f"{type(fault).__name__}: {fault}".split()), "")
            with self._change:
                if self._is_ended():
                    _put_back(case)
                    break
                if name in self._cancelled:
                    who = self._cancelled.pop(name)
                    # What came to its end before it was cancelled stays.
                    fate = fate if fate[0] == "done" else ("cancelled", "", who)
                    process.close()
                    process = self._process()
                self._end(case, *fate)
                del self._running[name]
        process.close()

    def _is_ended(self) -> bool:
        return self._ended

    def _process(self) -> CaseProcess:
        return CaseProcess(self._function, self._limit_s)

    def _run(self, case: CaseFolder, process: CaseProcess) -> tuple[str, str, str]:
        """Run a case; return its state after that, the reason, and who."""
        run = case.state_file(RUN)
        starts = int(run.get("starts", 0)) + 1
        case.put_state(RUN, {**run, "state": "running", "started": now(), "starts": starts})
        told = self._progress_path(case.name)
        tell_stage(told, [], BEGINNING)
        job = {
            "do": "assess",
            "case": str(case.path),
            "progress": str(told),
        }
        try:
            answer = process.run(job)
        except ProcessHung:
            return "failed", f"it took longer than {self._limit_s / 60:.0f} min and was ended", ""
        except ProcessDied as death:
            return "failed", f"the process that worked on it ended by itself ({death})", ""
        if "failed" in answer:
            return "failed", str(answer["failed"]), ""
        with self._change:
            self._pace.learn(stages_in(told), time.time())
        return "done", "", ""

    def _end(self, case: CaseFolder, state: str, reason: str, who: str) -> None:
        """Write what became of a run: first into the journal, which is never doubled."""
        run = case.state_file(RUN)
        told = {**run, "state": state, "reason": reason, "time": now()}
        try:
            what = DONE if state == "done" else f"run {state}"
            more = {"reason": reason} if reason else {}
            case.note(what, who, run=run.get("run", ""), **more)
            if state == "done":
                (case.path / RUN).unlink(missing_ok=True)
            else:
                case.put_state(RUN, told)
            self._told.pop(case.name, None)
        except (InputError, OSError) as error:
            # The disk is full: it is told as long as this desk lives.
            self._told[case.name] = {**told, "state": "failed", "reason": reason or str(error)}
        with contextlib.suppress(OSError):
            self._progress_path(case.name).unlink(missing_ok=True)

    def _progress_path(self, name: str) -> Path:
        return self._folder / DESK / f"progress-{name}.json"

    def _recover(self) -> None:
        """Take up the runs of a desk that is no more."""
        for case in cases_in(self._folder):
            run = case.state_file(RUN)
            if run.get("state") not in ("waiting", "running"):
                continue
            with contextlib.suppress(InputError, OSError):
                self._take_up(case, run)

    def _take_up(self, case: CaseFolder, run: dict[str, Any]) -> None:
        if run["state"] == "running":
            entries = read_journal(case.path).entries
            mine = [e for e in entries if e.get("run") == run.get("run")]
            if any(e["what"] == DONE for e in mine):
                (case.path / RUN).unlink(missing_ok=True)
                return
            if _finished_since(case, str(run.get("started", ""))):
                self._end(case, "done", "", "")
                return
            if int(run.get("starts", 0)) >= STARTS:
                reason = f"it was interrupted {STARTS} times together with the desk"
                self._end(case, "failed", reason, "")
                return
            case.put_state(RUN, {**run, "state": "waiting"})
            case.note("run interrupted with the desk; it waits again", run=run.get("run", ""))
        self._waiting.append(case.name)


def _put_back(case: CaseFolder) -> None:
    """Let a run that ends with its desk wait for the next one."""
    run = case.state_file(RUN)
    with contextlib.suppress(InputError, OSError):
        case.put_state(RUN, {**run, "state": "waiting", "starts": 0})


def _finished_since(case: CaseFolder, started: str) -> bool:
    """Tell whether whole results were written after a run began."""
    _, time = own_size_and_time(case.path / "result" / "case.json")
    try:
        begun = datetime.fromisoformat(started).timestamp()
    except ValueError:
        return False
    return time / 1e9 >= begun
