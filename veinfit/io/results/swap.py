"""Puts new files in the place of earlier ones so that a run that is killed leaves no mixture.

Files that a run has written wait in a hidden folder. First the earlier run's files are moved
out of the way, then the new ones in; the file that makes a folder whole, as ``case.json`` does,
goes first and comes last. A killed process leaves the hidden folder behind, and with it what is
needed to put everything back: the next run into the folder does so.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import re
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from filelock import lock_descriptor

STAGE_PREFIX = ".veinfit-"
"""How the name of the hidden folder begins in which results wait until all are written."""

NEW, OLD, MOVING = "new", "old", "moving.json"
"""In the hidden folder: what was written, what it replaces, and the names of the former."""


def make_holder(place: Path) -> Path:
    """Make a hidden folder whose name tells the process that it belongs to."""
    return Path(tempfile.mkdtemp(prefix=f"{_mine()}{os.getpid()}-", dir=place))


def _mine() -> str:
    host = re.sub(r"[^A-Za-z0-9]", "", platform.node())[:40]
    return f"{STAGE_PREFIX}{host}-"


def swap_in(holder: Path, out: Path, stale: Iterable[str], last: str) -> None:
    """Move what waits in ``holder`` into ``out``; put everything back if one cannot be moved.

    Parameters
    ----------
    holder : Path
    out : Path
        A folder on the same file system.
    stale : iterable of str
        Names of an earlier run's files: those that are not written again are removed.
    last : str
        Name of the file that makes ``out`` whole; empty where none does.
    """
    stage, old = holder / NEW, holder / OLD
    names = [p.relative_to(stage) for p in sorted(stage.rglob("*")) if p.is_file()]
    new = sorted(names, key=lambda name: (name.as_posix() == last, name))
    # Only plain names below the folder: a list of files that came from a file is not trusted.
    gone = {Path(name) for name in stale} - set(new)
    gone = {p for p in gone if not p.is_absolute() and ".." not in p.parts}
    (holder / MOVING).write_text(json.dumps([p.as_posix() for p in new]), encoding="utf-8")
    try:
        for name in [*reversed(new), *sorted(gone)]:
            if (out / name).is_file() or (out / name).is_symlink():
                _move(out / name, old / name)
        for name in new:
            _move(stage / name, out / name)
    except OSError:
        _put_back(holder, out)
        raise


def _move(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    if target.is_dir() and not target.is_symlink():
        raise IsADirectoryError(0, f"{target} is a folder where a file is to be written")
    source.replace(target)


def _put_back(holder: Path, out: Path) -> None:
    """Take out what was moved in, and move back what was moved out."""
    stage, old = holder / NEW, holder / OLD
    for name in json.loads((holder / MOVING).read_text(encoding="utf-8")):
        if not (stage / name).exists() and (out / name).is_file():
            (stage / name).parent.mkdir(parents=True, exist_ok=True)
            (out / name).replace(stage / name)
    for path in sorted(old.rglob("*")):
        if path.is_file() or path.is_symlink():
            _move(path, out / path.relative_to(old))


def recover(out: Path) -> None:
    """Put back, or away, what processes that were killed have left in or beside ``out``.

    Whoever calls holds the folder that ``out`` is in.
    """
    beside = out.absolute().parent
    for place in (out, beside):
        with contextlib.suppress(OSError):
            for holder in sorted(place.glob(f"{STAGE_PREFIX}*-*-*")):
                if not _is_dead(holder):
                    continue
                if place == out:
                    _clear(holder, place)
                else:
                    # The folder beside may be the output of another run, which moves its files
                    # under the lock one level up. Locks are taken upwards only: none waits forever.
                    with _locked_above(beside):
                        _clear(holder, place)


def _clear(holder: Path, place: Path) -> None:
    """Put back what a dead run has half moved into ``place``, then remove its hidden folder."""
    # With nothing left to move in, the move was through.
    if (holder / MOVING).is_file() and _any_file(holder / NEW):
        _put_back(holder, place)
    shutil.rmtree(holder, ignore_errors=True)


def _any_file(folder: Path) -> bool:
    return any(p.is_file() for p in folder.rglob("*"))


def _is_dead(holder: Path) -> bool:
    """Tell whether a hidden folder was left by a process of this machine that is no more."""
    found = re.fullmatch(re.escape(_mine()) + r"(\d+)-.*", holder.name)
    if found is None or sys.platform == "win32" or holder.is_symlink():
        return False
    try:
        os.kill(int(found.group(1)), 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keep other runs from moving files within ``folder`` meanwhile, where the system can.

    Parameters
    ----------
    folder : Path

    Yields
    ------
    None
    """
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folders
        yield
        return
    try:
        with contextlib.suppress(OSError):
            lock_descriptor(descriptor, poll_interval=0.01)
        yield
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def _locked_above(folder: Path) -> Iterator[None]:
    """Hold the folder that ``folder`` is in; the root of a file system is in itself, and held."""
    if folder.parent.samefile(folder):
        yield
    else:
        with locked(folder.parent):
            yield
