"""The corrections file under review: read anew each time, never replaced unseen."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

from veinfit.anatomy.corrections.apply import Correction
from veinfit.errors import InputError
from veinfit.io.inputs.corrections import read_corrections
from veinfit.io.results.corrections_text import corrections_text, entry_values
from veinfit.io.results.output import write_file
from veinfit.result.input_mark import InputMark, corrections_doubt
from veinfit.review.merging import Entry, combined

ABSENT = ""
"""The version of a file that is not there."""


@dataclass(frozen=True, slots=True)
class FileState:
    """What the file says now.

    Attributes
    ----------
    entries : tuple of dict
        One a vein.
    version : str
        Of its content; ``ABSENT`` where there is no file.
    fault : str
        Why it cannot be read; empty where it can.
    doubt : str
        A warning where it was made on another input; else empty.
    """

    entries: tuple[Entry, ...]
    version: str
    fault: str = ""
    doubt: str = ""

    def told(self) -> dict[str, Any]:
        """Return it as the page is told it."""
        return {
            "entries": self.entries,
            "version": self.version,
            "fault_there": self.fault,
            "doubt": self.doubt,
        }


class CorrectionsFile:
    """A corrections file that others may change meanwhile.

    Parameters
    ----------
    path : Path
    start : sequence of Correction
        What a review begins with where there is no file.
    mark : InputMark
        The input under review.
    doubt : str
        What a review is told of ``start``, where that was made on another input.
    """

    def __init__(
        self, path: Path, start: Sequence[Correction], mark: InputMark, doubt: str = ""
    ) -> None:
        self.path = path
        self._mark = mark
        self._without = FileState(_entries(start), ABSENT, doubt=doubt)
        self._known: dict[str, tuple[Entry, ...]] = {}

    def read(self) -> FileState:
        """Return what stands in the file now; what was returned once is remembered."""
        version = self._version()
        state = self._without
        if version != ABSENT:
            try:
                read = read_corrections(self.path)
                note = corrections_doubt(read.made_on, self._mark)
                state = FileState(_entries(read), version, doubt=note.text if note else "")
            except InputError as error:
                state = FileState((), version, str(error))
        if version != ABSENT:
            # Without a file nothing is saved: what a review began with counts as its own.
            self._known[version] = state.entries
        return state

    def entries_of(self, version: str) -> tuple[Entry, ...]:
        """Return what a version held; nothing where it was never read."""
        return self._known.get(version, ())

    def backup_name(self) -> str:
        """Return the name under which the file as it is would be kept: one that is free."""
        return free_backup(self.path).name

    def write(self, corrections: Sequence[Correction], heading: str) -> str:
        """Put corrections into the file, whole or not at all; keep what was there before.

        Without corrections the file is taken away, as one that corrects nothing
        is refused when it is read.

        Returns
        -------
        str
            The name under which the earlier file is kept; empty where there was none.

        Raises
        ------
        InputError
            It cannot be written. The file is then as it was.
        """
        written = corrections_text(corrections, heading, self._mark)
        text = written.encode("utf-8") if corrections else None
        try:
            before = self.path.read_bytes() if self.path.exists() else None
            if before == text:
                return ""
            kept = self._keep(before) if before is not None else ""
            if text is not None:
                write_file(self.path, text)
            else:
                self.path.unlink(missing_ok=True)
                self._without = FileState((), ABSENT)
        except (OSError, InputError) as error:
            why = error if isinstance(error, OSError) else error.__cause__
            if not isinstance(why, OSError):
                raise
            # No page has an option --out to pass; what it holds is not lost by this.
            raise InputError(
                f"corrections {self.path} cannot be written: {why.strerror or why}; the file is "
                "as it was: make room for it, or let it be written, and save again"
            ) from why
        return kept

    def _keep(self, content: bytes) -> str:
        name = self.backup_name()
        write_file(self.path.with_name(name), content)
        return name

    def _version(self) -> str:
        try:
            return hashlib.sha256(self.path.read_bytes()).hexdigest()[:16]
        except FileNotFoundError:
            return ABSENT
        except OSError as error:
            raise InputError(
                f"corrections {self.path} cannot be read: {error.strerror or error}"
            ) from error


def free_backup(path: Path) -> Path:
    """Return where a file may be kept beside itself: under a name that is free.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Path
    """
    names = (path.with_name(f"{path.stem}.backup-{k}{path.suffix}") for k in count(1))
    return next(name for name in names if not name.exists())


def _entries(corrections: Sequence[Correction]) -> tuple[Entry, ...]:
    return combined(entry_values(one) for one in corrections)
