"""Exports: what leaves is put together in a folder beside the cases, in a process of its own."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO
from zipfile import ZIP_DEFLATED, ZipFile

from veinfit.cohort.batch.supervise import CaseProcess
from veinfit.desk.jobs.one_by_one import OneByOne
from veinfit.desk.store.cases import CaseFolder
from veinfit.errors import InputError


@dataclass(frozen=True, slots=True)
class _Export:
    """What goes into an export: whose cases, which files, and whether names stay."""

    cases: tuple[CaseFolder, ...]
    kinds: tuple[str, ...]
    identity: bool


class Exports(OneByOne):
    """Puts exports together one after another."""

    place = "exports"
    limit_s = 600.0

    def ask(self, cases: Sequence[CaseFolder], kinds: Sequence[str], identity: bool) -> str:
        """Begin an export; return its name.

        Raises
        ------
        InputError
            Nothing was chosen, or a case has no results.
        """
        if not cases or not kinds:
            raise InputError("choose at least one case and one kind of file")
        for case in cases:
            if not case.has_result:
                raise InputError(f"{case.name} has no results yet")
        stamp = datetime.now().strftime("%Y-%m-%d-%H%M%S")
        export = _Export(tuple(cases), tuple(kinds), identity)
        return self._begin(stamp, {"done": 0, "of": len(cases)}, export)

    def _make(self, name: str, job: _Export, process: CaseProcess) -> None:
        stage = Path(tempfile.mkdtemp(prefix=".veinfit-export-", dir=self.folder_of(name).parent))
        stage.chmod(0o755)
        kinds, identity = list(job.kinds), job.identity
        try:
            for k, case in enumerate(job.cases, 1):
                # A case's name may come from a file's, and that from a patient's.
                called = case.name if identity else f"case-{k:02d}"
                options = {"kinds": kinds, "identity": identity}
                out = str(stage / called)
                asked = {"do": "export", "case": str(case.path), "out": out, "options": options}
                answer = process.run(asked)
                if "failed" in answer:
                    raise InputError(f"{case.name}: {answer['failed']}")
                self._states[name]["done"] = k
            stage.rename(self.folder_of(name))
        finally:
            shutil.rmtree(stage, ignore_errors=True)
        for case in job.cases:
            case.note("exported", kinds=kinds, identity=identity, export=name)

    def packed(self, name: str) -> IO[bytes] | None:
        """Return a finished export as a ZIP archive; None where there is none."""
        folder = self.folder_of(name)
        if self._states.get(name, {}).get("state") != "done" or not folder.is_dir():
            return None
        stream = tempfile.TemporaryFile()  # noqa: SIM115
        with ZipFile(stream, "w", ZIP_DEFLATED) as archive:
            for path in sorted(folder.rglob("*")):
                if path.is_file():
                    archive.write(path, f"veinfit-{name}/{path.relative_to(folder).as_posix()}")
        stream.seek(0)
        return stream
