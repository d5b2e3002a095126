"""Writes a folder of results all at once: a run that fails leaves nothing behind."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from veinfit.errors import InputError
from veinfit.io.results.belonging import check_belongs
from veinfit.io.results.swap import NEW, STAGE_PREFIX, locked, make_holder, recover, swap_in


def check_output(out: Path, command: str = "") -> None:
    """Make sure that a folder ``out`` can be made and written to.

    Leaves nothing behind, so that it can be asked before the long work.

    Parameters
    ----------
    out : Path
    command : str
        Who is about to write, as :data:`veinfit.io.results.belonging.MARKS` has it.

    Raises
    ------
    InputError
        It cannot, or holds the results of another command.
    """
    try:
        if out.is_dir():
            place = out
        elif os.path.lexists(out):
            raise InputError(f"output {out} is not a folder; pass --out with the name of a folder")
        else:
            place = _nearest_ancestor(out)
            if not place.is_dir():
                raise InputError(
                    f"output {out} cannot be made: {place} is not a folder; pass another --out"
                )
        check_belongs(out, command)
        Path(tempfile.mkdtemp(prefix=STAGE_PREFIX, dir=place)).rmdir()
    except OSError as error:
        raise unwritable(out, error) from error


def unwritable(out: Path, error: OSError) -> InputError:
    """Word an operating system's refusal to write below ``out``.

    Parameters
    ----------
    out : Path
    error : OSError

    Returns
    -------
    InputError
    """
    return InputError(
        f"output {out} cannot be written: {error.strerror or error}; pass another --out"
    )


@contextmanager
def staged_output(
    out: Path,
    supersedes: Iterable[str] | Callable[[], Iterable[str]] = (),
    last: str = "",
    command: str = "",
) -> Iterator[Path]:
    """Give a hidden folder to write into; when the block ends well it becomes ``out``.

    Parameters
    ----------
    out : Path
        The folder of results. Where it exists, files of the same name are
        replaced and all others left alone.
    supersedes : iterable of str, or function that returns one
        Names, relative to ``out``, of an earlier run's files: those that the
        new run did not write again are removed. A function is asked at the
        end, when another run may have been faster.
    last : str
        Name of the file that makes the folder whole: while files are being
        replaced, it is not there.
    command : str
        Who writes; of another command's results nothing is replaced.

    Yields
    ------
    Path
        An empty folder on the same file system as ``out``.

    Raises
    ------
    InputError
        ``out`` cannot be written, or belongs to another command. Then, and when
        the block raises, ``out`` is as it was before.
    """
    check_output(out, command)
    made = _make_parents(out)
    holder: Path | None = None
    try:
        with locked(out.absolute().parent):
            recover(out)
            holder = make_holder(out if out.is_dir() else out.absolute().parent)
        stage = holder / NEW
        stage.mkdir()
        yield stage
        with locked(out.absolute().parent):
            if out.is_dir():
                # The work took long: another command may have written here meanwhile.
                check_belongs(out, command)
                stale = supersedes() if callable(supersedes) else supersedes
                swap_in(holder, out, stale, last)
            else:
                stage.rename(out)
        made = []
    except OSError as error:
        raise unwritable(out, error) from error
    finally:
        if holder is not None:
            shutil.rmtree(holder, ignore_errors=True)
        for folder in reversed(made):
            # Another run may have come to need it.
            with suppress(OSError):
                folder.rmdir()


def _nearest_ancestor(path: Path) -> Path:
    """Return the closest parent of ``path`` that exists."""
    return next(p for p in path.absolute().parents if os.path.lexists(p))


def _make_parents(out: Path) -> list[Path]:
    """Make the missing parents of ``out``; return those made, outermost first."""
    missing = [p for p in out.absolute().parents if not p.exists()][::-1]
    for folder in missing:
        folder.mkdir(exist_ok=True)
    return missing


def check_output_file(path: Path) -> None:
    """Make sure that a file ``path`` could be there: asked before the long work.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        It is a folder, or there is none to hold it.
    """
    if path.is_dir():
        raise InputError(f"output {path} is a folder; name a file")
    if not path.absolute().parent.is_dir():
        raise InputError(
            f"output {path} cannot be written: there is no folder {path.parent}; make it first"
        )


def write_file(path: Path, content: bytes) -> None:
    """Write one file whole or not at all.

    Parameters
    ----------
    path : Path
    content : bytes

    Raises
    ------
    InputError
        It cannot be written; what was there is left.
    """
    check_output_file(path)
    partial = path.with_name(f"{STAGE_PREFIX}{os.getpid()}-{path.name}")
    try:
        partial.write_bytes(content)
        partial.replace(path)
    except OSError as error:
        raise unwritable(path, error) from error
    finally:
        partial.unlink(missing_ok=True)
