"""What is made of finished cases in a process of its own, and kept in a folder beside them."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from pathlib import Path
from typing import Any, ClassVar

from veinfit.cohort.batch.supervise import CaseProcess, ProcessDied, ProcessHung
from veinfit.errors import InputError


class OneByOne(ABC):
    """Makes what is asked for in threads, each with its process.

    Parameters
    ----------
    folder : Path
        Of the desk.
    function : str
        What the processes run.
    """

    place: ClassVar[str]
    """The folder, within the desk's, in which it is kept."""

    limit_s: ClassVar[float]
    """A job that takes longer is given up."""

    def __init__(self, folder: Path, function: str) -> None:
        self._folder, self._function = folder, function
        self._states: dict[str, dict[str, Any]] = {}
        self._lock = threading.Lock()
        self._process: CaseProcess | None = None

    def state(self, name: str) -> dict[str, Any] | None:
        """Return how far one is; None where there is none of this name."""
        return self._states.get(name)

    def folder_of(self, name: str) -> Path:
        """Return where one lies."""
        return self._folder / self.place / name

    def close(self) -> None:
        """End its process."""
        if self._process is not None:
            self._process.close()

    @abstractmethod
    def _make(self, name: str, job: Any, process: CaseProcess) -> None:
        """Make one.

        Raises
        ------
        InputError, OSError
            It cannot be made.
        """

    def _begin(self, stamp: str, state: dict[str, Any], job: Any) -> str:
        """Begin one under a name that none has, made from ``stamp``; return the name."""
        names = (stamp, *(f"{stamp}-{k}" for k in range(2, 1000)))
        with self._lock:
            name = next(
                n for n in names if n not in self._states and not self.folder_of(n).exists()
            )
            self._states[name] = {"state": "running", "fault": "", **state}
        threading.Thread(target=self._work, args=(name, job), daemon=True).start()
        return name

    def _work(self, name: str, job: Any) -> None:
        state = self._states[name]
        process = self._process = CaseProcess(self._function, self.limit_s)
        try:
            (self._folder / self.place).mkdir(exist_ok=True)
            self._make(name, job, process)
            state["state"] = "done"
        except (InputError, OSError) as error:
            state.update(state="failed", fault=str(error))
        except (ProcessDied, ProcessHung) as death:
            state.update(state="failed", fault=f"the process that worked on it ended ({death})")
        finally:
            process.close()
