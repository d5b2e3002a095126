"""Holds a folder for one run: two that write into it would spoil each other's work."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Iterator
from pathlib import Path

from veinfit.errors import InputError

LOCK_FILE = ".lock"
TAKEN = {errno.EACCES, errno.EAGAIN}


@contextlib.contextmanager
def held(out: Path) -> Iterator[None]:
    """Hold a folder; the operating system lets go of it when the process ends, however it does.

    Raises
    ------
    InputError
        Another run holds the folder.
    """
    out.mkdir(parents=True, exist_ok=True)
    path = out / LOCK_FILE
    with path.open("ab") as stream:
        try:
            lock_descriptor(stream.fileno())
        except OSError as error:
            # A file system without locks lets every run pass.
            if error.errno in TAKEN:
                raise InputError(
                    f"output {out} is being written by another run; wait for it or pass another "
                    "--out"
                ) from error
        yield
    path.unlink(missing_ok=True)


def lock_descriptor(descriptor: int) -> None:
    """Lock an open file for this process; OSError with a number in ``TAKEN`` where another has."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        return
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
