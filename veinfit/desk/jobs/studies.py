"""Studies of several cases, or of one before and after: made in a process, kept in a folder."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from veinfit.cohort.batch.supervise import CaseProcess
from veinfit.desk.jobs.one_by_one import OneByOne
from veinfit.desk.jobs.study_work import AGREE, CHANGES, SUMMARY, TABLE
from veinfit.desk.store.cases import CaseFolder
from veinfit.errors import InputError

KINDS = (CHANGES, SUMMARY, AGREE, TABLE)


class Studies(OneByOne):
    """Makes studies one after another."""

    place = "studies"
    limit_s = 900.0

    def ask(self, kind: str, cases: Sequence[CaseFolder], observed: str = "") -> str:
        """Begin a study; return its name.

        Raises
        ------
        InputError
            There is no such study, or a case has no results.
        """
        if kind not in KINDS:
            raise InputError(f"there is no study {kind!r}; choose one of {', '.join(KINDS)}")
        if not cases:
            raise InputError("choose at least one case")
        for case in cases:
            if not case.has_result:
                raise InputError(f"{case.name} has no results yet")
        paths = [str(case.path) for case in cases]
        job = {"do": "study", "kind": kind, "cases": paths, "observed": observed}
        return self._begin(f"{datetime.now():%Y-%m-%d-%H%M%S}-{kind}", {"page": ""}, job)

    def _make(self, name: str, job: dict[str, Any], process: CaseProcess) -> None:
        answer = process.run({**job, "out": str(self.folder_of(name))})
        if "failed" in answer:
            raise InputError(str(answer["failed"]))
        self._states[name]["page"] = answer["rows"]["page"]
