"""Keeps worker processes at work: each on one case at a time, replaced when it dies or hangs.

A pool of the standard library loses every waiting case when one of its processes dies
of a native crash. Here each process has a pipe of its own, so that its death costs the
case it was working on and no other.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import veinfit
from veinfit.cohort.batch.plan import RunPlan, Task
from veinfit.cohort.batch.worker import READY
from veinfit.errors import InputError

ASSESS = "veinfit.cohort.batch.worker:assess_case"
"""What a worker does with a job."""

TIME_LIMIT_S = 900.0
"""A case that takes longer counts as hung; a hundred times what one without a margin takes."""

START_LIMIT_S = 180.0
"""A worker process that does not answer for so long does not start: where other work takes the
processor it has taken half a minute. The limit of a case is none for this."""

ATTEMPTS = 2
"""A case whose process dies is tried once more: the machine may have been short of memory."""

CASES_A_PROCESS = 100
"""A process is replaced after so many cases, which bounds what libraries fail to give back."""

Answer = dict[str, Any]
"""``rows`` by table, or ``failed`` with the reason; and ``cost`` where it is known."""


KEEP_MEMORY = {
    "MALLOC_MMAP_THRESHOLD_": str(1 << 26),
    "MALLOC_TRIM_THRESHOLD_": str(1 << 28),
}
"""For the allocator of the GNU C library, others do not look: arrays come from memory that the
process keeps. Asking the system for each anew takes a worker some 5 % longer."""


class ProcessDied(Exception):
    """A worker process ended while it worked on a case."""


class ProcessHung(Exception):
    """A case took longer than the limit; its process was ended."""


class CaseProcess:
    """One worker process behind a pipe.

    Parameters
    ----------
    function : str
        ``MODULE:FUNCTION`` that turns a job into rows.
    limit_s : float
        Time limit of a case, s.
    """

    def __init__(self, function: str = ASSESS, limit_s: float = TIME_LIMIT_S) -> None:
        self._command = [
            sys.executable,
            "-m",
            "veinfit.cohort.batch.worker",
            function,
            f"{limit_s}",
        ]
        self.function = function
        self.limit_s = limit_s
        self._process: subprocess.Popen[bytes] | None = None
        self._done = 0
        self._closed = False
        self._lock = threading.Lock()

    def run(self, job: dict[str, Any]) -> Answer:
        """Return the answer to a job.

        Parameters
        ----------
        job : dict
            Plain values.

        Returns
        -------
        dict

        Raises
        ------
        ProcessDied, ProcessHung
            The process is then gone; the next job gets a new one.
        InputError
            No process can be started at all.
        """
        process = self._ready()
        line, hung = self._exchange(process, json.dumps(job).encode() + b"\n", self.limit_s)
        if line.endswith(b"\n") and not hung:
            self._done += 1
            answer: Answer = json.loads(line)
            return answer
        self._end()
        if hung:
            raise ProcessHung
        raise ProcessDied(_cause(process.wait()))

    def _exchange(
        self, process: subprocess.Popen[bytes], text: bytes, limit_s: float
    ) -> tuple[bytes, bool]:
        """Say something to a process; return its line, and whether it had to be ended."""
        assert process.stdin is not None and process.stdout is not None
        hung = threading.Event()

        def end() -> None:
            hung.set()
            process.kill()

        watch = threading.Timer(limit_s, end)
        watch.daemon = True
        watch.start()
        try:
            # A process that died between two jobs is found out here or by the empty answer.
            with contextlib.suppress(OSError):
                process.stdin.write(text)
                process.stdin.flush()
            return process.stdout.readline(), hung.is_set()
        except ValueError:
            # Whoever closed the pipes meanwhile has ended the process.
            return b"", hung.is_set()
        finally:
            watch.cancel()

    def close(self) -> None:
        """End the process, whatever it is doing."""
        with self._lock:
            self._closed = True
        self._end()

    def _ready(self) -> subprocess.Popen[bytes]:
        """Return the process, started if need be."""
        if self._done >= CASES_A_PROCESS:
            self._end()
        if self._process is not None:
            return self._process
        cause = ""
        for _ in range(ATTEMPTS):
            process = self._start()
            line, hung = self._exchange(process, b"", START_LIMIT_S)
            if line == READY and not hung:
                return process
            self._end()
            if self._closed:
                raise ProcessDied("stopped")
            cause = "it did not answer" if hung else _cause(process.wait())
        raise InputError(
            f"worker processes cannot be started ({cause}); see what "
            f"{' '.join(self._command[:3])} says"
        )

    def _start(self) -> subprocess.Popen[bytes]:
        with self._lock:
            if self._closed:
                raise ProcessDied("stopped")
            self._done = 0
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=_environment(),
            )
            return self._process

    def _end(self) -> None:
        with self._lock:
            process, self._process = self._process, None
        if process is not None:
            process.kill()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
            process.wait()


def _environment() -> dict[str, str]:
    """Return the environment of a worker: one thread, this very package, memory it keeps."""
    home = str(Path(veinfit.__file__).parents[1])
    paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
    own = {"OMP_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join(paths)}
    return {**KEEP_MEMORY, **os.environ, **own}


def _cause(code: int) -> str:
    """Say how a process ended."""
    if code >= 0:
        return f"exit code {code}"
    with contextlib.suppress(ValueError):
        return signal.Signals(-code).name
    return f"signal {-code}"


def supervised(process: CaseProcess, job: dict[str, Any]) -> Answer:
    """Return the answer to a job; a process that dies or hangs makes a ``failed`` one."""
    cause = ""
    for _ in range(ATTEMPTS):
        try:
            return process.run(job)
        except ProcessHung:
            limit = process.limit_s
            return {"failed": f"took longer than the time limit of {limit:g} s"}
        except ProcessDied as death:
            cause = str(death)
    return {"failed": f"the process that worked on it died {ATTEMPTS} times ({cause})"}


def run_local(
    tasks: Iterable[Task],
    plan: RunPlan,
    workers: int,
    *,
    function: str = ASSESS,
    limit_s: float = TIME_LIMIT_S,
) -> Iterator[tuple[Task, Answer]]:
    """Work on tasks in processes of this machine; yield each with its answer as it comes.

    Only as many tasks are taken from ``tasks`` as can be worked on.
    """
    processes = [CaseProcess(function, limit_s) for _ in range(workers)]
    waiting = iter(tasks)
    taking = threading.Lock()
    answers: queue.Queue[tuple[Task, Answer] | BaseException | None] = queue.Queue(1)
    stopped = threading.Event()

    def serve(process: CaseProcess) -> None:
        try:
            while not stopped.is_set():
                with taking:
                    task = next(waiting, None)
                if task is None:
                    break
                answer = supervised(process, task.job(plan))
                if not stopped.is_set():
                    answers.put((task, answer))
        except BaseException as fault:
            answers.put(fault)
        finally:
            process.close()
            answers.put(None)

    threads = [threading.Thread(target=serve, args=(p,), daemon=True) for p in processes]
    for thread in threads:
        thread.start()
    try:
        ended = 0
        while ended < workers:
            item = answers.get()
            if item is None:
                ended += 1
            elif isinstance(item, BaseException):
                raise item
            else:
                yield item
    finally:
        stopped.set()
        for process in processes:
            process.close()
        while any(thread.is_alive() for thread in threads):
            # Lets go those that wait to hand over an answer.
            with contextlib.suppress(queue.Empty):
                answers.get(timeout=0.05)
