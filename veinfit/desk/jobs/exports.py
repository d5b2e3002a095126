"""Exports: what leaves is put together in a folder beside the cases, in a process of its own."""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import IO, Any
from zipfile import ZIP_DEFLATED, ZipFile

from veinfit.cohort.batch.supervise import CaseProcess, ProcessDied, ProcessHung
from veinfit.desk.store.cases import CaseFolder
from veinfit.errors import InputError

EXPORTS = "exports"
EXPORT_LIMIT_S = 600.0


class Exports:
    """Puts exports together one after another.

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
        names = (stamp, *(f"{stamp}-{k}" for k in range(2, 1000)))
        with self._lock:
            known = {*self._states}
            name = next(
                n for n in names if n not in known and not (self._folder / EXPORTS / n).exists()
            )
            self._states[name] = {"state": "running", "done": 0, "of": len(cases), "fault": ""}
        job = threading.Thread(
            target=self._work, args=(name, list(cases), list(kinds), identity), daemon=True
        )
        job.start()
        return name

    def state(self, name: str) -> dict[str, Any] | None:
        """Return how far an export is; None where there is none of this name."""
        return self._states.get(name)

    def close(self) -> None:
        """End its process."""
        if self._process is not None:
            self._process.close()

    def _work(self, name: str, cases: list[CaseFolder], kinds: list[str], identity: bool) -> None:
        state = self._states[name]
        process = self._process = CaseProcess(self._function, EXPORT_LIMIT_S)
        place = self._folder / EXPORTS
        try:
            place.mkdir(exist_ok=True)
            stage = Path(tempfile.mkdtemp(prefix=".veinfit-export-", dir=place))
            stage.chmod(0o755)
            try:
                for k, case in enumerate(cases, 1):
                    # A case's name may come from a file's, and that from a patient's.
                    called = case.name if identity else f"case-{k:02d}"
                    options = {"kinds": kinds, "identity": identity}
                    out = str(stage / called)
                    job = {"do": "export", "case": str(case.path), "out": out, "options": options}
                    answer = process.run(job)
                    if "failed" in answer:
                        raise InputError(f"{case.name}: {answer['failed']}")
                    state["done"] = k
                stage.rename(place / name)
            finally:
                shutil.rmtree(stage, ignore_errors=True)
            for case in cases:
                case.note("exported", kinds=kinds, identity=identity, export=name)
            state["state"] = "done"
        except (InputError, OSError) as error:
            state.update(state="failed", fault=str(error))
        except (ProcessDied, ProcessHung) as death:
            state.update(state="failed", fault=f"the process that worked on it ended ({death})")
        finally:
            process.close()

    def packed(self, name: str) -> IO[bytes] | None:
        """Return a finished export as a ZIP archive; None where there is none."""
        folder = self._folder / EXPORTS / name
        if self._states.get(name, {}).get("state") != "done" or not folder.is_dir():
            return None
        stream = tempfile.TemporaryFile()  # noqa: SIM115
        with ZipFile(stream, "w", ZIP_DEFLATED) as archive:
            for path in sorted(folder.rglob("*")):
                if path.is_file():
                    archive.write(path, f"veinfit-{name}/{path.relative_to(folder).as_posix()}")
        stream.seek(0)
        return stream
