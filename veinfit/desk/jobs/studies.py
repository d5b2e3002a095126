"""Studies of several cases, or of one before and after: made in a process, kept in a folder."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from veinfit.cohort.batch.supervise import CaseProcess, ProcessDied, ProcessHung
from veinfit.desk.jobs.study_work import AGREE, CHANGES, SUMMARY, TABLE
from veinfit.desk.store.cases import CaseFolder
from veinfit.errors import InputError

STUDIES = "studies"
STUDY_LIMIT_S = 900.0

KINDS = (CHANGES, SUMMARY, AGREE, TABLE)


class Studies:
    """Makes studies one after another.

    Parameters
    ----------
    folder : Path
    function : str
    """

    def __init__(self, folder: Path, function: str) -> None:
        self._folder, self._function = folder, function
        self._states: dict[str, dict[str, Any]] = {}
        self._lock = threading.Lock()
        self._process: CaseProcess | None = None

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
        stamp = f"{datetime.now():%Y-%m-%d-%H%M%S}-{kind}"
        names = (stamp, *(f"{stamp}-{k}" for k in range(2, 1000)))
        with self._lock:
            name = next(
                n for n in names if n not in self._states and not self.folder_of(n).exists()
            )
            self._states[name] = {"state": "running", "page": "", "fault": ""}
        job = {
            "do": "study", "kind": kind, "cases": [str(case.path) for case in cases],
            "out": str(self.folder_of(name)), "observed": observed,
        }  # fmt: skip
        threading.Thread(target=self._work, args=(name, job), daemon=True).start()
        return name

    def state(self, name: str) -> dict[str, Any] | None:
        """Return how far a study is; None where there is none of this name."""
        return self._states.get(name)

    def folder_of(self, name: str) -> Path:
        """Return where a study lies."""
        return self._folder / STUDIES / name

    def close(self) -> None:
        """End its process."""
        if self._process is not None:
            self._process.close()

    def _work(self, name: str, job: dict[str, Any]) -> None:
        state = self._states[name]
        process = self._process = CaseProcess(self._function, STUDY_LIMIT_S)
        try:
            (self._folder / STUDIES).mkdir(exist_ok=True)
            answer = process.run(job)
            if "failed" in answer:
                state.update(state="failed", fault=str(answer["failed"]))
            else:
                state.update(state="done", page=answer["rows"]["page"])
        except OSError as error:
            state.update(state="failed", fault=str(error))
        except (ProcessDied, ProcessHung) as death:
            state.update(state="failed", fault=f"the process that worked on it ended ({death})")
        finally:
            process.close()
