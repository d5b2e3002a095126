"""How far a run is, and how long it will still take: by the stages that it has told."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from pathlib import Path

USUAL_S: tuple[tuple[str, float], ...] = (
    ("reading the input", 2.0),
    ("anatomy: lumen", 1.0),
    ("anatomy: branches", 14.0),
    ("anatomy: names", 0.5),
    ("anatomy: wall", 1.0),
    ("anatomy: measures", 3.0),
    ("seating", 14.0),
    ("pictures", 12.0),
    ("report", 5.0),
)
"""Stages of a run in their order, and the seconds each takes on an invented atrium with 0.7 mm
voxels on one core; what counts is their ratio. ``seating`` is that of one vein."""

VEINS = 4
"""Veins there usually are: their number is told only as they come."""

SEATING = "seating"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is.

    Attributes
    ----------
    stage : str
    share : float
        Of the whole work, 0 to 1.
    elapsed_s : float
    left_s : float or None
        Expected; None before enough is known.
    """

    stage: str
    share: float
    elapsed_s: float
    left_s: float | None


def progress_in(path: Path) -> Progress | None:
    """Return what a worker has told of its progress into a file; None where nothing."""
    try:
        stages = json.loads(path.read_text("utf-8"))
        return progress_of([(str(name), float(at)) for name, at in stages], time.time())
    except (OSError, ValueError, TypeError):
        return None


def progress_of(stages: list[tuple[str, float]], at_s: float) -> Progress | None:
    """Return how far a run is by the stages that have begun, and the time now.

    Parameters
    ----------
    stages : list of (str, float)
        Each with the time at which it began, s.
    at_s : float
    """
    if not stages:
        return None
    names = [name for name, _ in stages]
    veins = sum(name.startswith(SEATING) for name in names)
    usual = dict(USUAL_S)
    order = [name for name, _ in USUAL_S]
    past_seating = any(name in names for name in order[order.index(SEATING) + 1 :])
    all_veins = veins if past_seating else max(VEINS, veins)
    whole = sum(s * (all_veins if name == SEATING else 1) for name, s in USUAL_S)
    done = sum(_usual(name, usual) for name in names[:-1])
    elapsed = at_s - stages[0][1]
    now_s = _usual(names[-1], usual)
    # Of the stage at work no more than nine tenths count, however long it takes.
    pace = (stages[-1][1] - stages[0][1]) / done if done > 0 else 1.0
    done += min((at_s - stages[-1][1]) / max(pace, 1e-3), 0.9 * now_s)
    share = min(max(done / whole, 0.0), 0.99)
    left = elapsed * (1.0 - share) / share if share > 0.1 else None
    return Progress(names[-1], share, elapsed, left)


def _usual(name: str, usual: dict[str, float]) -> float:
    return usual[SEATING] if name.startswith(SEATING) else usual.get(name, 0.5)
