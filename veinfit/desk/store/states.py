"""What is to be told of each case in the list: its state, and what its results come to."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from veinfit.anatomy.vein import CLOSE_RUNNER_UP
from veinfit.cohort.summary.findings import LOW_CONFIDENCE
from veinfit.desk.store.cases import (
    CORRECTIONS,
    REVIEWED,
    RUN,
    SIGNED,
    CaseFolder,
    cases_in,
    own_size_and_time,
)
from veinfit.desk.store.options import OPTIONS_FILE, CaseOptions
from veinfit.desk.store.owner import DESK
from veinfit.errors import InputError

State = Literal[
    "failed", "to review", "new", "cancelled", "running", "waiting", "reviewed", "signed"
]

ATTENTION: tuple[State, ...] = (
    "failed", "to review", "new", "cancelled", "running", "waiting", "reviewed", "signed",
)  # fmt: skip
"""States in the order in which they need a person."""

SUMMARIES = "summaries.json"


@dataclass(frozen=True, slots=True)
class ResultSummary:
    """What the results of a case come to.

    Attributes
    ----------
    sha256 : str
        Of ``case.json``.
    veins : int
    doubtful : tuple of str
        Veins with a low confidence of measurement or name, or that were not assessed.
    seals : str
        Predicted number of veins sealed in one try, by balloon; empty without a margin.
    created : str
        UTC, ISO 8601.
    """

    sha256: str
    veins: int
    doubtful: tuple[str, ...]
    seals: str
    created: str


@dataclass(frozen=True, slots=True)
class CaseState:
    """One line of the list.

    Attributes
    ----------
    name, title : str
        The folder's, and what the report calls the case.
    state : str
    reason : str
        Why, where that is not plain.
    summary : ResultSummary or None
    date : str
        Of the results, or of the last change.
    outdated : str
        What was changed after the results were written; empty where nothing was.
    """

    name: str
    title: str
    state: State
    reason: str
    summary: ResultSummary | None
    date: str
    outdated: str = ""


class Summaries:
    """Results by the size and time of their record, so that a list reads only what is new.

    Parameters
    ----------
    folder : Path
        They are kept in ``.desk`` there, and made anew where that is lost.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / DESK / SUMMARIES
        self._known: dict[str, tuple[list[int], ResultSummary]] = {}
        self._new = False
        try:
            stored = json.loads(self._path.read_text("utf-8"))
            for name, (mark, told) in stored.items():
                told["doubtful"] = tuple(told["doubtful"])
                self._known[name] = (mark, ResultSummary(**told))
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            self._known = {}

    def of(self, case: CaseFolder) -> ResultSummary | None:
        """Return what the results of a case come to; None where there are none."""
        size, time = own_size_and_time(case.result / "case.json")
        if size < 0:
            return None
        known = self._known.get(case.name)
        if known is not None and known[0] == [size, time]:
            return known[1]
        try:
            found = summary_of(case.result)
        except (OSError, ValueError, KeyError):
            return None
        self._known[case.name] = ([size, time], found)
        self._new = True
        return found

    def keep(self) -> None:
        """Store what was found, where the folder can be written."""
        if not self._new:
            return
        stored = {name: (mark, asdict(told)) for name, (mark, told) in self._known.items()}
        partial = self._path.with_name(f".{SUMMARIES}")
        try:
            partial.write_text(json.dumps(stored), "utf-8")
            partial.replace(self._path)
            self._new = False
        except OSError:
            return


def summary_of(result: Path) -> ResultSummary:
    """Read what the results of a case come to from their tables."""
    record = (result / "case.json").read_bytes()
    veins = list(_rows(result / "veins.csv"))
    fits = list(_rows(result / "fits.csv"))
    doubtful = [
        row["vein"]
        for row in veins
        if float(row["confidence"] or 0.0) < LOW_CONFIDENCE
        or float(row["name_confidence"] or 0.0) < CLOSE_RUNNER_UP
    ]
    doubtful += [row["vein"] for row in fits if row["outcome"] == "not assessed"]
    head = record[:4000].decode("utf-8", "replace")
    _, _, after = head.partition('"created": "')
    created = after.partition('"')[0]
    return ResultSummary(
        hashlib.sha256(record).hexdigest(),
        len(veins),
        tuple(dict.fromkeys(doubtful)),
        _seals(result),
        created,
    )


def _seals(result: Path) -> str:
    path = result / "expected.csv"
    if not path.is_file():
        return ""
    # A single balloon of one try each: a table's line has no room for more.
    rows = [r for r in _rows(path) if r["tries"] == "1" and r["choice"].count(" mm") == 1]
    told = [f"{r['choice']}: {float(r['expected_sealed']):.1f}" for r in rows]
    return f"{', '.join(told)} of {rows[0]['veins']}" if told else ""


def _rows(path: Path) -> Iterator[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        yield from csv.DictReader(stream)


def state_of(case: CaseFolder, summaries: Summaries) -> CaseState:
    """Return the state of a case, as its files say it."""
    try:
        options = case.options
    except InputError as error:
        return CaseState(case.name, case.name, "failed", str(error), None, _changed(case.path))
    summary = summaries.of(case)
    outdated = newer_than_result(case, options) if summary and not case.is_signed else ""
    state, reason = _state(case, summary, options.missing, outdated)
    date = summary.created if summary else _changed(case.path)
    title = options.case_id or case.name
    return CaseState(case.name, title, state, reason, summary, date, outdated)


def _state(
    case: CaseFolder, summary: ResultSummary | None, missing: str, outdated: str
) -> tuple[State, str]:
    found = summary.sha256 if summary else ""
    signed = case.state_file(SIGNED) if case.is_signed else {}
    if case.is_signed:
        changed = signed.get("result") != found
        return "signed", "its results were changed after it was signed" if changed else ""
    run = case.state_file(RUN)
    for state in ("waiting", "running", "failed", "cancelled"):
        if run.get("state") == state:
            return state, str(run.get("reason", ""))
    if summary is None:
        return "new", missing
    if outdated:
        return "to review", outdated
    if found and case.state_file(REVIEWED).get("result") == found:
        return "reviewed", ""
    return "to review", ""


def newer_than_result(case: CaseFolder, options: CaseOptions | None = None) -> str:
    """Say what was changed after the results were written; empty where nothing was.

    Parameters
    ----------
    case : CaseFolder
    options : CaseOptions, optional
        What is asked for the case, where that is at hand.
    """
    if case.result == case.path:
        return ""
    _, done = own_size_and_time(case.result / "case.json")
    options = options or case.options
    again = "run the case again"
    if options.corrections and not (case.path / options.corrections).is_file():
        return f"{options.corrections} was taken away after the results were written: {again}"
    for name in (options.corrections or CORRECTIONS, options.landmarks, options.labels):
        if name and own_size_and_time(case.path / name)[1] > done:
            return f"{Path(name).name} is newer than the results: {again}"
    if own_size_and_time(case.path / OPTIONS_FILE)[1] > done:
        return f"options or files were changed after the results were written: {again}"
    return ""


def _changed(path: Path) -> str:
    _, time = own_size_and_time(path)
    return datetime.fromtimestamp(max(time, 0) / 1e9, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def listed(folder: Path, summaries: Summaries) -> list[CaseState]:
    """Return the cases of a folder, those that need attention first, the newest before others."""
    states = [state_of(case, summaries) for case in cases_in(folder)]
    summaries.keep()
    states.sort(key=lambda one: one.date, reverse=True)
    states.sort(key=_attention)
    return states


def _attention(one: CaseState) -> tuple[int, int]:
    return ATTENTION.index(one.state), -len(one.summary.doubtful) if one.summary else 0
