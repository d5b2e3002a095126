"""What a run of a cohort computes, and the keys by which finished work is known again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from importlib import metadata
from pathlib import Path
from typing import Any

from veinfit.case import assess
from veinfit.cohort.batch.cases import BatchCase
from veinfit.errors import InputError
from veinfit.io.inputs.label_map import read_label_map
from veinfit.io.results.provenance import input_files
from veinfit.seating.approach.line import approaches_named
from veinfit.seating.approach.reachable import STEP_WITHOUT_MAP_DEG
from veinfit.seating.balloon import Balloon
from veinfit.seating.balloon_file import parse_balloons
from veinfit.seating.kinds import DEFAULT_APPROACH
from veinfit.settings import Settings

FORMAT = "veinfit cohort"
FORMAT_VERSION = "1.0"

SHARD_CASES = 200
"""Cases in one part of the tables: a megabyte or two, and few files in a folder at 10^6 cases."""


@dataclass(frozen=True, slots=True)
class RunPlan:
    """What is done with every case.

    Attributes
    ----------
    balloons : tuple of Balloon
    approach : str
    settings : Settings
    """

    balloons: tuple[Balloon, ...]
    approach: str
    settings: Settings

    def as_mapping(self) -> dict[str, Any]:
        """Return the content of ``run.json``; without times, so the same plan has the same."""
        return {
            "format": FORMAT,
            "format_version": FORMAT_VERSION,
            "veinfit": metadata.version("veinfit"),
            "approach": self.approach,
            "balloons": [asdict(balloon) for balloon in self.balloons],
            "settings": self.settings.as_mapping(),
        }


@dataclass(frozen=True, slots=True)
class Task:
    """One case in its part of the tables."""

    shard: int
    case: BatchCase
    key: str

    def job(self, plan: RunPlan) -> dict[str, Any]:
        """Return what a worker process is told."""
        return {**asdict(self.case), "plan": plan.as_mapping()}


def make_plan(
    balloons: Sequence[str] = (),
    approach: str = DEFAULT_APPROACH,
    settings: Settings | Path | None = None,
) -> RunPlan:
    """Return the plan that options ask for.

    Parameters
    ----------
    balloons : sequence of str
        Diameters in mm or balloon files; the standard two where empty.
    approach : str
    settings : Settings or path, optional

    Returns
    -------
    RunPlan

    Raises
    ------
    InputError
        One of them cannot be used.
    """
    approaches_named(approach)
    chosen = Settings.from_toml(settings) if isinstance(settings, Path) else settings
    return RunPlan(parse_balloons(balloons), approach, chosen or Settings())


def run_job(job: dict[str, Any]) -> Any:
    """Assess the case that a job describes; return the CaseResult."""
    plan = job["plan"]
    return assess(
        job["input"],
        labels=job["labels"],
        also=tuple(job["also"]),
        landmarks=job["landmarks"],
        corrections=job["corrections"],
        settings=of_tables(Settings.from_mapping(plan["settings"])),
        frame=job["frame"],
        unit=job["unit"],
        trust_frame=job["trust_frame"],
        balloons=tuple(Balloon(**values) for values in plan["balloons"]),
        approach=plan["approach"],
        case_id=job["case"],
        phase=job["phase"],
    )


def of_tables(settings: Settings) -> Settings:
    """Return settings under which nothing is worked out that a cohort's tables do not hold.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    Settings
        Without aim maps, places of the crossing and plans, and without growth where no tries
        are made: every row is the same.
    """
    seating, margin = settings.seating, settings.margin
    usual_aims = margin.aim_tilt_step_deg == STEP_WITHOUT_MAP_DEG
    return replace(
        settings,
        seating=replace(
            seating,
            crossing_map=False,
            plan_below_probability=0.0,
            growth_in_place=seating.growth_in_place and margin.samples > 0,
        ),
        # The step of another map tells which aims a sheath reaches too.
        margin=replace(margin, aim_tilt_step_deg=0.0) if usual_aims else margin,
    )


def shards(cases: Sequence[BatchCase], size: int = SHARD_CASES) -> list[Sequence[BatchCase]]:
    """Divide sorted cases into the parts of the tables."""
    return [cases[k : k + size] for k in range(0, len(cases), size)]


def plan_digest(plan: RunPlan) -> str:
    """Return the SHA-256 of all that a plan says."""
    return _digest(plan.as_mapping())


def case_key(case: BatchCase, plan: str) -> str:
    """Return the key of a case: the SHA-256 of its files' content, its options and the plan.

    A file that cannot be read counts by that; when it can, the key is another.
    """
    files: dict[str, Any] = {}
    given = (
        ("input", case.input),
        ("label map", case.labels),
        ("landmarks", case.landmarks),
        ("corrections", case.corrections),
    )
    for role, path in given:
        if path is not None:
            files[role] = _content(role, path)
    volumes = [*case.also, *_mapped_volumes(case.labels)]
    if volumes:
        files["label volumes"] = [_content("label volume", path) for path in volumes]
    options = (case.case, case.frame, case.unit, case.phase, case.trust_frame)
    return _digest({"plan": plan, "case": options, "files": files})


def _content(role: str, path: str) -> Any:
    try:
        return [(file.role, file.sha256) for file in input_files(role, Path(path))]
    except InputError:
        return "unreadable"


def _mapped_volumes(labels: str | None) -> list[str]:
    """Return the volumes that a label map names."""
    if labels is None:
        return []
    try:
        parts = read_label_map(Path(labels)).parts.values()
    except InputError:
        return []
    return list(dict.fromkeys(part.file for part in parts if part.file))


def _digest(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()
