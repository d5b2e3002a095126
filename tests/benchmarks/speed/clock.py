"""Seconds of processor and peak memory, child processes included."""

from __future__ import annotations

import re
import resource
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

Result = TypeVar("Result")

LEAST_S = 0.5
"""What takes less is done again and again for so long, and the mean is told."""


def cpu_s() -> float:
    """Processor time of this process and of its children that have ended."""
    told = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in told)


def peak_mb() -> float:
    """Greatest resident memory of this process so far, without its children's."""
    status = Path("/proc/self/status")
    if status.exists():
        # What the system's own call tells on Linux begins with the memory of who started us.
        (line,) = re.findall(r"^VmHWM:\s+(\d+) kB$", status.read_text(), re.M)
        return int(line) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def timed(work: Callable[[], Result], again: bool = False) -> tuple[Result, float]:
    """Do a piece of work; return its result and its seconds, a mean of several if ``again``."""
    began, times = cpu_s(), 0
    while True:
        result, times = work(), times + 1
        spent = cpu_s() - began
        if not again or spent > LEAST_S:
            return result, spent / times


class Stages:
    """Seconds of the stages of a job that tells when each begins."""

    def __init__(self) -> None:
        self._seconds: dict[str, float] = {}
        self._now = ""
        self._since = cpu_s()

    def begin(self, stage: str) -> None:
        """Take down that ``stage`` begins; those of one word before a colon are summed."""
        now = cpu_s()
        if self._now:
            self._seconds[self._now] = self._seconds.get(self._now, 0.0) + now - self._since
        self._now, self._since = stage.split(":")[0] if stage else "", now

    def seconds(self) -> dict[str, float]:
        """End the last stage; return the seconds of each."""
        self.begin("")
        return dict(self._seconds)
