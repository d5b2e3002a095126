"""How far a run is, and how long it will still take: by the stages that it has told.

What stages took in earlier runs of the folder is kept, so that a slow machine, or large files,
are known from the second run on.
"""

from __future__ import annotations

import contextlib
import json
import math
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from veinfit.errors import InputError
from veinfit.io.results.output import write_file

BEGINNING, SEATING, CROSSINGS = "beginning", "seating", "seating: places of the septal crossing"

USUAL_S: Mapping[str, float] = {
    BEGINNING: 2.5,
    "reading the input": 1.0,
    "anatomy: lumen": 0.5,
    "anatomy: branches": 2.5,
    "anatomy: names": 0.5,
    "anatomy: wall": 0.5,
    "anatomy: measures": 1.0,
    SEATING: 6.5,
    CROSSINGS: 0.7,
    "pictures": 11.0,
    "report": 4.0,
}
"""Stages of a run in their order, and the seconds that each takes on the sample and one core.
``seating`` is that of one vein."""

PACE = "pace.json"
"""File of what stages took, in ``.desk``."""

VEINS = 4
"""Veins there usually are: their number is told only as they come."""

TRUST_S = 10.0
"""So many seconds of usual work count beside what this run has taken when its pace is told."""

PAGE_S = 1.0
"""The page of a review, once the anatomy is found again."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is.

    Attributes
    ----------
    stage : str
    share : float
        Of the whole work, 0 to 1.
    elapsed_s : float
    left_s : float
        Expected.
    """

    stage: str
    share: float
    elapsed_s: float
    left_s: float


Stages = list[tuple[str, float]]
"""Stages that have begun, each with the time at which it did, s."""


def stages_in(path: Path) -> Stages:
    """Return what a worker has told of its stages into a file; none where nothing."""
    try:
        return [(str(name), float(at)) for name, at in json.loads(path.read_text("utf-8"))]
    except (OSError, ValueError, TypeError):
        return []


def progress_of(
    stages: Stages, at_s: float, usual: Mapping[str, float] = USUAL_S
) -> Progress | None:
    """Return how far a run is by the stages that have begun, and the time now.

    Parameters
    ----------
    stages : list of (str, float)
        Each with the time at which it began, s.
    at_s : float
    usual : dict
        Seconds that stages usually take, in their order.
    """
    if not stages:
        return None
    names = [name for name, _ in stages]
    order = list(usual)
    veins = sum(_kind(name) == SEATING for name in names)
    past_seating = SEATING in order and any(
        name in names for name in order[order.index(SEATING) + 1 :]
    )
    all_veins = veins if past_seating else max(VEINS, veins)
    whole = sum(s * (all_veins if name == SEATING else 1) for name, s in usual.items())
    before = sum(usual.get(_kind(name), 0.0) for name in names[:-1])
    took = stages[-1][1] - stages[0][1]
    pace = (TRUST_S + took) / (TRUST_S + before)
    # Of the stage at work no more than nine tenths count, however long it takes.
    now_s = usual.get(_kind(names[-1]), 0.0)
    done = before + min((at_s - stages[-1][1]) / pace, 0.9 * now_s)
    share = min(max(done / whole, 0.0), 0.99)
    return Progress(names[-1], share, at_s - stages[0][1], max(whole - done, 0.0) * pace)


def _kind(name: str) -> str:
    return SEATING if name.startswith(f"{SEATING}: ") and name != CROSSINGS else name


class Pace:
    """What the stages of a run take in a folder, learned from the runs that came to their end.

    Parameters
    ----------
    path : Path
        They are kept there; where that is lost, what is usual counts again.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.usual = dict(USUAL_S)
        with contextlib.suppress(OSError, ValueError, TypeError, AttributeError):
            stored = json.loads(path.read_text("utf-8")).items()
            known = {str(name): float(s) for name, s in stored if name in USUAL_S}
            if all(math.isfinite(s) and s >= 0.0 for s in known.values()):
                self.usual |= known

    @property
    def opening(self) -> dict[str, float]:
        """Return what the stages take in which a review is opened: those that find the anatomy."""
        anatomy, page = "anatomy: ", {"page": PAGE_S}
        found = {k.removeprefix(anatomy): s for k, s in self.usual.items() if k.startswith(anatomy)}
        return {BEGINNING: self.usual[BEGINNING], **found, **page}

    def progress(self, path: Path) -> Progress | None:
        """Return how far the run is that tells its stages there; None where it told none."""
        return progress_of(stages_in(path), time.time(), self.usual)

    def learn(self, stages: Stages, ended_s: float) -> None:
        """Take in a run that came to its end; half of what is known is of the latest."""
        took: dict[str, list[float]] = {}
        ends: Iterable[float] = [at for _, at in stages[1:]] + [ended_s]
        for (name, at), end in zip(stages, ends, strict=True):
            took.setdefault(_kind(name), []).append(max(end - at, 0.0))
        for name in took.keys() & self.usual.keys():
            mean = sum(took[name]) / len(took[name])
            self.usual[name] = round(0.5 * (self.usual[name] + mean), 2)
        with contextlib.suppress(InputError):
            write_file(self._path, json.dumps(self.usual, indent=1).encode())


def tell_stage(path: Path, stages: Stages, stage: str) -> None:
    """Add a stage that begins now to those in a file, for whoever asks."""
    stages.append((stage, round(time.time(), 1)))
    # A run does not end because nobody can be told of its progress.
    with contextlib.suppress(InputError):
        write_file(path, json.dumps(stages).encode())
