"""Shows how far a cohort is and when it will be done."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Protocol, TextIO

LINE_EVERY_S = 30.0
"""Away from a terminal a line is printed this often."""
LINES_IN_ALL = 20
"""Or whenever another twentieth of the cases is done, whichever comes first."""


class Progress(Protocol):
    """What a run tells while it goes on."""

    def start(self, total: int) -> None:
        """Say how many cases there are.

        Parameters
        ----------
        total : int
        """

    def passed(self, cases: int) -> None:
        """Say that cases were done by an earlier run.

        Parameters
        ----------
        cases : int
            How many.
        """

    def finished(self, failed: bool) -> None:
        """Say that one case was worked on.

        Parameters
        ----------
        failed : bool
        """

    def say(self, text: str) -> None:
        """Tell something beside the count.

        Parameters
        ----------
        text : str
        """

    def warn(self, text: str) -> None:
        """Tell what is told also where little is: the run stands still.

        Parameters
        ----------
        text : str
        """

    def close(self) -> None:
        """Say no more."""


class Silent:
    """Tells nothing."""

    def start(self, total: int) -> None:
        """Take note of nothing."""

    def passed(self, cases: int) -> None:
        """Take note of nothing."""

    def finished(self, failed: bool) -> None:
        """Take note of nothing."""

    def say(self, text: str) -> None:
        """Take note of nothing."""

    def warn(self, text: str) -> None:
        """Take note of nothing."""

    def close(self) -> None:
        """Take note of nothing."""


class Warnings(Silent):
    """Prints warnings alone."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def warn(self, text: str) -> None:
        """Print a line."""
        print(f"veinfit: {text}", file=self._stream, flush=True)


class _Count:
    """Counts cases and estimates the time that is left from those of this run."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self.total = self.before = self.worked = self.failed = 0
        self.began = clock()

    def start(self, total: int) -> None:
        self.total, self.began = total, self._clock()

    @property
    def done(self) -> int:
        return self.before + self.worked

    def elapsed_s(self) -> float:
        return self._clock() - self.began

    def left_s(self) -> float | None:
        """Return the estimated time to the end, s; None before the first case."""
        if not self.worked:
            return None
        return self.elapsed_s() / self.worked * max(self.total - self.done, 0)

    def words(self) -> str:
        left = self.left_s()
        estimate = "" if left is None else f", about {clock_words(left)} left"
        failed = f", {self.failed} failed" if self.failed else ""
        return (
            f"{self.done} of {self.total} cases{failed}, {clock_words(self.elapsed_s())}{estimate}"
        )


def clock_words(seconds: float) -> str:
    """Return a time span as hours, minutes and seconds."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


class Lines:
    """Prints plain lines: for files and logs."""

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream = stream
        self._clock = clock
        self._count = _Count(clock)
        self._told_at = clock()
        self._told = 0

    def start(self, total: int) -> None:
        """Say how many cases there are."""
        self._count.start(total)
        self.say(f"{total} cases")

    def passed(self, cases: int) -> None:
        """Say that cases were done by an earlier run."""
        self._count.before += cases

    def finished(self, failed: bool) -> None:
        """Print a line when it is time for one."""
        count = self._count
        count.worked += 1
        count.failed += failed
        enough = (count.done - self._told) * LINES_IN_ALL >= count.total
        if enough or self._clock() - self._told_at >= LINE_EVERY_S or count.done == count.total:
            self._told, self._told_at = count.done, self._clock()
            self.say(count.words())

    def say(self, text: str) -> None:
        """Print a line."""
        print(f"veinfit: {text}", file=self._stream, flush=True)

    def warn(self, text: str) -> None:
        """Print a line."""
        self.say(text)

    def close(self) -> None:
        """Say no more."""


class Bar:
    """Draws a bar on a terminal."""

    def __init__(self, stream: TextIO) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
        from rich.progress import Progress as RichProgress

        self._count = _Count()
        self._bar: Any = RichProgress(
            TextColumn("veinfit"),
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn("{task.description}"),
            console=Console(file=stream),
        )
        self._task: Any = None

    def start(self, total: int) -> None:
        """Draw the bar."""
        self._count.start(total)
        self._bar.start()
        self._task = self._bar.add_task("", total=total)

    def passed(self, cases: int) -> None:
        """Move the bar on."""
        self._count.before += cases
        self._update()

    def finished(self, failed: bool) -> None:
        """Move the bar on."""
        self._count.worked += 1
        self._count.failed += failed
        self._update()

    def _update(self) -> None:
        words = self._count.words().partition(" cases")[2].lstrip(", ")
        self._bar.update(self._task, completed=self._count.done, description=words)

    def say(self, text: str) -> None:
        """Print a line above the bar."""
        self._bar.console.print(f"veinfit: {text}", markup=False, highlight=False)

    def warn(self, text: str) -> None:
        """Print a line above the bar."""
        self.say(text)

    def close(self) -> None:
        """Leave the bar as it is."""
        self._bar.stop()
