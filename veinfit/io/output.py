"""Writes a folder of results all at once: a run that fails leaves nothing behind."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from veinfit.errors import InputError

STAGE_PREFIX = ".veinfit-"
"""How the name of the hidden folder begins in which results wait until all are written."""


def check_output(out: Path) -> None:
    """Raise InputError unless a folder ``out`` can be made and written to.

    Leaves nothing behind, so that it can be asked before the long work.
    """
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
    try:
        Path(tempfile.mkdtemp(prefix=STAGE_PREFIX, dir=place)).rmdir()
    except OSError as error:
        raise unwritable(out, error) from error


def unwritable(out: Path, error: OSError) -> InputError:
    """Word an operating system's refusal to write below ``out``."""
    return InputError(
        f"output {out} cannot be written: {error.strerror or error}; pass another --out"
    )


@contextmanager
def staged_output(out: Path, supersedes: Iterable[str] = ()) -> Iterator[Path]:
    """Give a hidden folder to write into; when the block ends well it becomes ``out``.

    Parameters
    ----------
    out : Path
        The folder of results. Where it exists, files of the same name are
        replaced and all others left alone.
    supersedes : iterable of str
        Names, relative to ``out``, of an earlier run's files: those that the
        new run did not write again are removed.

    Yields
    ------
    Path
        An empty folder on the same file system as ``out``.

    Raises
    ------
    InputError
        ``out`` cannot be written. Then, and when the block raises, ``out`` is
        as it was before.
    """
    check_output(out)
    made = _make_parents(out)
    holder: Path | None = None
    try:
        holder = Path(
            tempfile.mkdtemp(prefix=STAGE_PREFIX, dir=out if out.is_dir() else out.parent)
        )
        stage = holder / "new"
        stage.mkdir()
        yield stage
        if out.is_dir():
            _swap_in(stage, out, holder / "old", supersedes)
        else:
            stage.rename(out)
        made = []
    except OSError as error:
        raise unwritable(out, error) from error
    finally:
        if holder is not None:
            shutil.rmtree(holder, ignore_errors=True)
        for folder in reversed(made):
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


def _swap_in(stage: Path, out: Path, old: Path, supersedes: Iterable[str]) -> None:
    """Move the files of ``stage`` into ``out``; put everything back if one cannot be moved."""
    new = [p.relative_to(stage) for p in sorted(stage.rglob("*")) if p.is_file()]
    stale = {Path(name) for name in supersedes} - set(new)
    # Only plain names below the folder: a list of files that came from a file is not trusted.
    stale = {p for p in stale if not p.is_absolute() and ".." not in p.parts}
    undo: list[tuple[Path, Path]] = []

    def move(source: Path, target: Path) -> None:
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.is_dir() and not target.is_symlink():
            raise IsADirectoryError(0, f"{target} is a folder where a file is to be written")
        source.replace(target)
        undo.append((source, target))

    try:
        for name in [*new, *sorted(stale)]:
            if (out / name).is_file() or (out / name).is_symlink():
                move(out / name, old / name)
        for name in new:
            move(stage / name, out / name)
    except OSError:
        for source, target in reversed(undo):
            target.replace(source)
        raise


def check_output_file(path: Path) -> None:
    """Raise InputError unless a file ``path`` could be there: asked before the long work."""
    if path.is_dir():
        raise InputError(f"output {path} is a folder; name a file")
    if not path.absolute().parent.is_dir():
        raise InputError(f"output {path} cannot be written: there is no folder {path.parent}")


def write_file(path: Path, content: bytes) -> None:
    """Write one file whole or not at all.

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
