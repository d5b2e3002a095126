"""Has spoiled files read by worker processes, and outlives them."""

from __future__ import annotations

import json
import os
import selectors
import subprocess
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

TIME_LIMIT_S = 10.0
"""A reader that takes longer hangs."""
START_LIMIT_S = 180.0
WORKER = Path(__file__).with_name("worker.py")


@dataclass
class Outcome:
    """How many inputs came to what, by seed, and every fault."""

    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    @property
    def inputs(self) -> int:
        return sum(self.counts.values())


def run(
    number: int, first: int, last: int, time_limit_s: float = TIME_LIMIT_S, only: str = ""
) -> Outcome:
    """Read the inputs from ``first`` up to ``last`` of the stream ``number``."""
    outcome = Outcome()
    while first < last:
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.executable, str(WORKER), *map(str, (number, first, last, folder, only))]
            errors = Path(folder) / "errors.txt"
            with (
                errors.open("wb") as stream,
                subprocess.Popen(command, stdout=subprocess.PIPE, stderr=stream) as process,
            ):
                found, ended = _follow(process, outcome, time_limit_s)
                process.kill()
            if found is None and not ended:
                raise RuntimeError(f"the worker does not start: {errors.read_text()[-2000:]}")
        if ended and found is None:
            if process.returncode:
                raise RuntimeError(f"the worker failed between inputs of {first} to {last}")
            break
        assert found is not None
        at, name = found
        outcome.counts[name, "fault"] += 1
        why = f"ended by {process.returncode}" if ended else f"took more than {time_limit_s:g} s"
        outcome.faults.append(f"input {at}, {name}: the process {why}")
        first = at + 1
    return outcome


def _follow(
    process: subprocess.Popen[bytes], outcome: Outcome, limit_s: float
) -> tuple[tuple[int, str] | None, bool]:
    """Return the input that was being read, if any, and whether the process ended by itself."""
    assert process.stdout is not None
    pipe = process.stdout.fileno()
    at: tuple[int, str] | None = None
    started = False
    pending = b""
    with selectors.DefaultSelector() as selector:
        selector.register(pipe, selectors.EVENT_READ)
        while selector.select(limit_s if started else START_LIMIT_S):
            said = os.read(pipe, 1 << 16)
            if not said:
                process.wait()
                return at, started
            *lines, pending = (pending + said).split(b"\n")
            for line in lines:
                if line == b"ready":
                    started = True
                elif line.startswith(b"["):
                    k, name, what, words = json.loads(line)
                    outcome.counts[name, what] += 1
                    if what == "fault":
                        outcome.faults.append(f"input {k}, {name}: {words}")
                    at = None
                else:
                    k, name = line.decode().split(" ", 1)
                    at = int(k), name
    return at, False
