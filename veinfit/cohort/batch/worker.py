"""The process that works on cases: reads jobs from a pipe, answers with rows.

Started as ``python -m veinfit.cohort.batch.worker MODULE:FUNCTION LIMIT_S``. It says that it
is ready; then a job and an answer are a line of JSON each. It ends with the pipe: when the
process that started it is killed, this one does not stay behind.
"""

from __future__ import annotations

import faulthandler
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import IO, Any

from veinfit.errors import InputError

STDOUT = 1
READY = b"ready\n"
"""Said once the process can take jobs."""
GRACE_S = 20.0
"""The process ends itself this long after the limit, should nobody have ended it before."""


def main() -> None:
    """Answer jobs until the pipe ends."""
    function = _function(sys.argv[1])
    limit_s = float(sys.argv[2])
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # The answers go through a descriptor of their own: what libraries print goes nowhere.
    answers = os.fdopen(os.dup(STDOUT), "wb")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, STDOUT)
    answers.write(READY)
    answers.flush()
    for line in _jobs():
        # A watchdog in C, which native code that never returns cannot hold up.
        with Path(os.devnull).open("w") as quiet:
            faulthandler.dump_traceback_later(limit_s + GRACE_S, exit=True, file=quiet)
            answer = _answer(function, json.loads(line))
            faulthandler.cancel_dump_traceback_later()
        answers.write(json.dumps(answer).encode() + b"\n")
        answers.flush()


def _function(name: str) -> Callable[[dict[str, Any]], Any]:
    module, _, attribute = name.partition(":")
    return getattr(import_module(module), attribute)


def _jobs() -> Any:
    """Yield the lines of the pipe; end the process the moment the pipe does, busy or not."""
    read, write = os.pipe()
    source: IO[bytes] = sys.stdin.buffer

    def forward() -> None:
        for line in source:
            os.write(write, line)
        os._exit(0)

    threading.Thread(target=forward, daemon=True).start()
    with os.fdopen(read, "rb") as lines:
        yield from iter(lines.readline, b"")


def _answer(function: Callable[[dict[str, Any]], Any], job: dict[str, Any]) -> dict[str, Any]:
    start, cpu = time.monotonic(), time.process_time()
    try:
        answer = {"rows": function(job)}
    except InputError as error:
        answer = {"failed": " ".join(str(error).split())}
    except Exception as fault:
        answer = {"failed": " ".join(f"{type(fault).__name__}: {fault}".split())}
    answer["cost"] = {
        "seconds": round(time.monotonic() - start, 3),
        "cpu_seconds": round(time.process_time() - cpu, 3),
        "peak_mb": peak_memory_mb(),
    }
    return answer


def peak_memory_mb() -> float | None:
    """Return the greatest memory that this process has had, MB; None where not told."""
    # Linux carries the greatest resource usage of the starting process over into a new one; its
    # own high-water mark begins anew.
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text("utf-8").splitlines():
            if line.startswith("VmHWM:"):
                return round(float(line.split()[1]) * 1.024e-3, 1)
    try:
        import resource
    except ImportError:  # Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(peak / (1e6 if sys.platform == "darwin" else 1e3), 1)


def assess_case(job: dict[str, Any]) -> dict[str, Any]:
    """Assess the case of a job; return its rows by table."""
    from veinfit.cohort.batch.plan import run_job
    from veinfit.cohort.batch.rows import case_rows

    return case_rows(run_job(job))


if __name__ == "__main__":
    main()
