"""Which desk holds a folder: one writes, others are told of it and look on."""

from __future__ import annotations

import contextlib
import json
import os
import platform
import threading
from pathlib import Path
from typing import IO

from veinfit.cohort.batch.lock import try_lock
from veinfit.desk.store.journal import now

DESK = ".desk"
"""Folder of what belongs to the desk itself and to no case; all in it can be done without."""

LOCK, OWNER = "lock", "owner.json"


class Ownership:
    """Holds a folder from :meth:`take` on; the system lets go of it when the process ends.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self._place = folder / DESK
        self._stream: IO[bytes] | None = None
        self._guard = threading.Lock()
        self.hindrance = ""
        """Why the folder is not held, where that is not another desk."""

    @property
    def held(self) -> bool:
        """Whether this desk holds the folder."""
        return self._stream is not None

    def take(self) -> bool:
        """Take the folder if no other desk has it; return whether it is held now."""
        with self._guard:
            if self._stream is not None:
                return True
            self.hindrance = ""
            try:
                self._place.mkdir(exist_ok=True)
                stream = (self._place / LOCK).open("ab")
            except OSError as error:
                self.hindrance = f"the folder cannot be written: {error.strerror or error}"
                return False
            if not try_lock(stream.fileno()):
                stream.close()
                return False
            self._stream = stream
            with contextlib.suppress(OSError):
                self._tell()
            return True

    def other(self) -> str:
        """Return who holds the folder, in words; empty where this desk does or nobody."""
        if self.held or self.hindrance:
            return ""
        try:
            told = json.loads((self._place / OWNER).read_text("utf-8"))
            return f"process {int(told['process'])} on {told['machine']}, since {told['since']}"
        except (OSError, ValueError, KeyError, TypeError):
            return "another desk"

    def release(self) -> None:
        """Let go of the folder."""
        with self._guard:
            if self._stream is not None:
                (self._place / OWNER).unlink(missing_ok=True)
                self._stream.close()
                self._stream = None

    def _tell(self) -> None:
        told = {"process": os.getpid(), "machine": platform.node(), "since": now()}
        partial = self._place / f".{OWNER}-{os.getpid()}"
        partial.write_text(json.dumps(told), "utf-8")
        partial.replace(self._place / OWNER)
