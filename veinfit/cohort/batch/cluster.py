"""Works on the cases of a cohort with the workers of a Dask scheduler, on any number of machines.

Within each Dask worker a case runs in a supervised process of its own, as on one machine:
a native crash or a hang costs the case and not the worker. A worker that is lost gives its
case back to the scheduler, which hands it to another.
"""

from __future__ import annotations

import atexit
import queue
from collections.abc import Callable, Iterable, Iterator
from importlib import import_module, metadata
from typing import Any

from veinfit.cohort.batch.plan import RunPlan, Task
from veinfit.cohort.batch.supervise import ASSESS, TIME_LIMIT_S, Answer, CaseProcess, supervised
from veinfit.errors import InputError

CONNECT_S = 20.0
"""A scheduler that does not answer for so long is not there."""

AHEAD = 2
"""Cases handed to the scheduler for each thread of its workers: one at work, one waiting."""

_idle: queue.LifoQueue[CaseProcess] = queue.LifoQueue()
"""On a Dask worker: processes that wait for a case."""


def run_cluster(
    tasks: Iterable[Task],
    plan: RunPlan,
    address: str,
    *,
    function: str = ASSESS,
    limit_s: float = TIME_LIMIT_S,
    say: Callable[[str], None] = lambda text: None,
) -> Iterator[tuple[Task, Answer]]:
    """Work on tasks by way of a scheduler; yield each with its answer as it comes.

    Parameters
    ----------
    tasks : iterable of Task
        Their paths must mean the same on every worker.
    plan : RunPlan
    address : str
        Of the scheduler, such as ``tcp://host:8786``.
    function, limit_s
        As for :func:`~veinfit.cohort.batch.supervise.run_local`.
    say : callable
        Told how many workers there are.

    Raises
    ------
    InputError
        The package ``distributed`` is not there, the scheduler does not answer or is
        lost, or a worker has another version of this program.
    """
    distributed = _distributed()
    client = _client(distributed, address)
    with client:
        _check_versions(client)
        say(f"scheduler {address}: {_threads(client)} cases at a time")
        waiting = iter(tasks)
        at_work: dict[Any, Task] = {}
        done = distributed.as_completed(loop=client.loop)
        count = 0

        def hand_out() -> None:
            nonlocal count
            room = max(AHEAD * _threads(client), 1) - len(at_work)
            for _ in range(room):
                task = next(waiting, None)
                if task is None:
                    return
                count += 1
                # The count keeps a case that is worked on again from being taken for the first.
                name = f"case-{task.key[:16]}-{count}"
                future = client.submit(
                    work_here, task.job(plan), function, limit_s, key=name, pure=False
                )
                at_work[future] = task
                done.add(future)

        try:
            hand_out()
            while at_work:
                future = next(done)
                task = at_work.pop(future)
                answer = _answer(distributed, future)
                future.release()
                hand_out()
                yield task, answer
        except (OSError, distributed.CancelledError, TimeoutError) as error:
            raise InputError(
                f"scheduler {address} was lost; what is finished is kept: start it again and run "
                "the same command"
            ) from error
        finally:
            client.cancel(list(at_work))


def _distributed() -> Any:
    try:
        return import_module("distributed")
    except ImportError as error:
        raise InputError(
            "a scheduler needs the package distributed; install it with "
            'pip install "veinfit[cluster]"'
        ) from error


def _client(distributed: Any, address: str) -> Any:
    try:
        return distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError, TimeoutError) as error:
        raise InputError(
            f"scheduler {address} does not answer; check the address and that it runs"
        ) from error


def _threads(client: Any) -> int:
    return sum(client.nthreads().values())


def _check_versions(client: Any) -> None:
    mine = metadata.version("veinfit")
    try:
        there = client.run(_version)
    except ImportError as error:
        raise InputError(f"the workers of the scheduler lack veinfit {mine}: {error}") from error
    other = sorted({version for version in there.values() if version != mine})
    if other:
        raise InputError(
            f"workers of the scheduler run veinfit {', '.join(other)}, and this is {mine}; "
            "install the same version on all"
        )


def _version() -> str:
    return metadata.version("veinfit")


def _answer(distributed: Any, future: Any) -> Answer:
    """Return a future's answer; one whose workers died again and again failed."""
    try:
        answer: Answer = future.result()
    except distributed.KilledWorker:
        return {"failed": "the workers that worked on it died again and again"}
    return answer


def work_here(job: dict[str, Any], function: str, limit_s: float) -> Answer:
    """Work on a job in a supervised process of this Dask worker."""
    process = _idle_process(function, limit_s)
    try:
        return supervised(process, job)
    finally:
        _idle.put(process)


def _idle_process(function: str, limit_s: float) -> CaseProcess:
    """Return a process that waits for a case of this kind, or a new one."""
    try:
        process = _idle.get_nowait()
    except queue.Empty:
        pass
    else:
        if (process.function, process.limit_s) == (function, limit_s):
            return process
        process.close()
    process = CaseProcess(function, limit_s)
    atexit.register(process.close)
    return process
