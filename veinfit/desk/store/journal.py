"""The journal of a case: what was done, by whom and when; only ever appended to.

One line of JSON an entry. Each names the SHA-256 of the line before it, so that
a line that was changed or taken out later shows.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from veinfit.io.results.swap import locked

JOURNAL = "journal.jsonl"


@dataclass(frozen=True, slots=True)
class Journal:
    """Every whole entry of a journal, and whether one was altered.

    Attributes
    ----------
    entries : tuple of dict
        In the order in which they were written.
    altered : tuple of int
        Numbers, from 1, of entries whose forerunner is not the one they were written after.
    torn : int
        Lines that are no whole entry: what a power failure leaves of one.
    """

    entries: tuple[dict[str, Any], ...]
    altered: tuple[int, ...]
    torn: int


def append(folder: Path, what: str, who: str = "", **more: Any) -> None:
    """Append one entry to a case's journal, and see it onto the disk.

    Parameters
    ----------
    folder : Path
        Of the case.
    what : str
        What was done, in words.
    who : str
        Whoever did it, as they said; empty for the desk itself.
    **more
        Plain values that go with it.

    Raises
    ------
    OSError
        It cannot be written: the disk is full, or the folder read-only.
    """
    path = folder / JOURNAL
    with locked(folder):
        last, ended = _last_line(path)
        entry = {"time": now(), "who": who, "what": what, **more, "after": _digest(last)}
        line = json.dumps(entry, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        with path.open("ab") as stream:
            start = stream.tell()
            try:
                # What was torn off stays in a line of its own.
                stream.write(line if ended else b"\n" + line)
                stream.flush()
                os.fsync(stream.fileno())
            except OSError:
                with contextlib.suppress(OSError):
                    os.truncate(path, start)
                raise


def now() -> str:
    """Return the time, UTC, ISO 8601 to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def read_journal(folder: Path) -> Journal:
    """Return the journal of a case; empty where there is none."""
    entries: list[dict[str, Any]] = []
    altered: list[int] = []
    torn, before = 0, b""
    for line, ended in _lines(folder / JOURNAL):
        entry = _entry(line) if ended else None
        if entry is None:
            torn += 1
        else:
            entries.append(entry)
            if entry.get("after") != _digest(before):
                altered.append(len(entries))
        before = line
    return Journal(tuple(entries), tuple(altered), torn)


def _entry(line: bytes) -> dict[str, Any] | None:
    try:
        entry = json.loads(line)
    except ValueError:
        return None
    return entry if isinstance(entry, dict) and "what" in entry else None


def _lines(path: Path) -> Iterator[tuple[bytes, bool]]:
    """Yield the lines of a file, and whether each came to its end."""
    try:
        content = path.read_bytes()
    except OSError:
        return
    *whole, rest = content.split(b"\n")
    yield from ((line, True) for line in whole)
    if rest:
        yield rest, False


def _last_line(path: Path) -> tuple[bytes, bool]:
    lines = list(_lines(path))
    return lines[-1] if lines else (b"", True)


def _digest(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()[:32] if line else ""
