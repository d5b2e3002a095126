"""Holds a folder for one run: two that write into it would spoil each other's work."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from filelock import lock_descriptor

from veinfit.errors import InputError

LOCK_FILE = ".lock"


@contextlib.contextmanager
def held(out: Path) -> Iterator[None]:
    """Hold a folder; the operating system lets go of it when the process ends, however it does.

    The folder is made where it is not there, and taken away again where nothing is in it after.

    Raises
    ------
    InputError
        Another run holds the folder.
    """
    made = [folder for folder in (out, *out.parents) if not folder.exists()]
    out.mkdir(parents=True, exist_ok=True)
    path = out / LOCK_FILE
    try:
        with path.open("ab") as stream:
            if not try_lock(stream.fileno()):
                raise InputError(
                    f"output {out} is being written by another run; wait for it or pass another "
                    "--out"
                )
            try:
                yield
            finally:
                path.unlink(missing_ok=True)
    finally:
        with contextlib.suppress(OSError):  # One that holds something ends it.
            for folder in made:
                folder.rmdir()


def try_lock(descriptor: int) -> bool:
    """Lock an open file for this process; return whether it holds it, which no other did before.

    A file system without locks lets every process pass.

    Parameters
    ----------
    descriptor : int

    Returns
    -------
    bool
    """
    try:
        return lock_descriptor(descriptor, blocking=False)
    except OSError:
        return True
