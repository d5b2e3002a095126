"""Takes files in: streamed to the disk, whole or not at all, within limits, under plain names."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import re
import shutil
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from veinfit.desk.store.cases import (
    CORRECTIONS,
    INPUTS,
    OWN_LABELS,
    OWN_LANDMARKS,
    CaseFolder,
)
from veinfit.desk.store.options import CaseOptions, HeldFile
from veinfit.errors import InputError
from veinfit.io.files import LARGEST_FILE_BYTES, hash_file
from veinfit.io.results.output import unwritable
from veinfit.review.corrections_file import free_backup

ROOM_BYTES = 1 << 28
"""So much of the disk stays free: a run writes some 20 MB, and needs room to exchange files."""

MOST_FILES = 2000
"""Files of one case: a series has a thousand slices at most."""

LONGEST_FILE_NAME = 120


class NameTaken(Exception):
    """Another file of this name is there already."""


def plain_file_name(given: str) -> str:
    """Return the name under which a file is kept: no folders, no signs that mean something.

    One that has the name of a file that the desk itself writes gets another.

    Raises
    ------
    InputError
        Nothing is left of it.
    """
    last = re.split(r"[/\\]", given)[-1]
    name = re.sub(r"[^\w .()+-]+", "-", last, flags=re.UNICODE).strip(" .-")
    if len(name) > LONGEST_FILE_NAME:
        name = name[-LONGEST_FILE_NAME:].lstrip(" .-")
    if not name:
        raise InputError(f"the file name {given!r} cannot be used; rename the file")
    # Also where a file system knows no capitals.
    return f"given-{name}" if name.casefold() in (OWN_LABELS, OWN_LANDMARKS) else name


def check_size(case: CaseFolder, size: int) -> None:
    """Raise InputError where a file of this size cannot be taken."""
    if size > LARGEST_FILE_BYTES:
        raise InputError(
            f"the file has {size >> 20} MiB, more than the {LARGEST_FILE_BYTES >> 20} that are "
            "read; export it smaller"
        )
    if size == 0:
        raise InputError("the file is empty; export it again")
    if len(case.options.files) >= MOST_FILES:
        raise InputError(f"the case has {MOST_FILES} files already; make another case")
    free = shutil.disk_usage(case.path).free
    if free < size + ROOM_BYTES:
        raise InputError(
            f"the disk has {free >> 20} MiB left, too little for this file and a run; free some"
        )


async def take_in(
    case: CaseFolder, given: str, size: int, chunks: AsyncIterator[bytes], clash: str = ""
) -> HeldFile:
    """Write a file that is sent into a case's inputs.

    Parameters
    ----------
    case : CaseFolder
    given : str
        Its name as the browser tells it.
    size : int
        As announced; more is not read.
    chunks : async iterator of bytes
    clash : {'', 'replace', 'both'}
        What becomes of another file of this name.

    Returns
    -------
    HeldFile

    Raises
    ------
    NameTaken
        Another file has the name, and nothing was said of what becomes of it.
    InputError
        It cannot be taken; the case is then as it was.
    """
    name = plain_file_name(given)
    check_size(case, size)
    inputs = case.path / INPUTS
    partial = inputs / f".veinfit-{os.getpid()}-{id(chunks)}-{name}"
    digest, count = hashlib.sha256(), 0
    try:
        inputs.mkdir(exist_ok=True)
        with partial.open("wb") as stream:
            async for chunk in chunks:
                count += len(chunk)
                if count > size:
                    raise InputError("the file is larger than was announced; send it again")
                digest.update(chunk)
                stream.write(chunk)
            stream.flush()
            os.fsync(stream.fileno())
        if count < size:
            raise InputError("the file did not come whole; send it again")
        told = digest.hexdigest()
        return await asyncio.to_thread(_put, case, partial, name, told, count, clash)
    except OSError as error:
        raise unwritable(case.path, error) from error
    finally:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)


def _put(
    case: CaseFolder, partial: Path, name: str, digest: str, size: int, clash: str
) -> HeldFile:
    def added(options: CaseOptions) -> CaseOptions:
        others = tuple(one for one in options.files if one.path != held.path)
        return replace(options, files=(*others, held))

    # The case may have been signed while the file came.
    with case.held_open():
        target = partial.with_name(name)
        same = target.is_file() and hash_file(target) == digest
        if target.exists() and not same:
            if not clash:
                raise NameTaken(name)
            if clash == "both":
                target = _free(target)
        if not same:
            partial.replace(target)
        held = HeldFile(f"{INPUTS}/{target.name}", digest, size)
        case.change(added, what=f"file taken in: {target.name}")
    return held


def _free(target: Path) -> Path:
    stem, dot, rest = target.name.partition(".")
    for k in range(2, 10_000):
        path = target.with_name(f"{stem}-{k}{dot}{rest}")
        if not path.exists():
            return path
    raise InputError(f"too many files are called {target.name}; rename it")


def referred(case_folder: Path, file: Path) -> HeldFile:
    """Return a file that stays where it is, as a case refers to it."""
    path = os.path.relpath(file, case_folder)
    return HeldFile(Path(path).as_posix(), hash_file(file), file.stat().st_size)


def take_out(case: CaseFolder, path: str, who: str = "") -> None:
    """Take a file out of a case; one that is referred to stays where it is.

    Raises
    ------
    InputError
        The case has no such file, or is signed.
    """

    def without(options: CaseOptions) -> CaseOptions:
        if path not in {one.path for one in options.files}:
            raise InputError("the case has no such file")
        referring = ("input", "labels", "landmarks", "image", "settings")
        unset: dict[str, Any] = {n: "" for n in referring if getattr(options, n) == path}
        left = tuple(one for one in options.files if one.path != path)
        return replace(options, files=left, **unset)

    with case.held_open():
        case.change(without, who, f"file removed: {Path(path).name}")
        file = case.path / path
        own = case.path / CORRECTIONS
        with contextlib.suppress(OSError):
            # The first reader's corrections began as a copy of such a file.
            if own.read_bytes() == file.read_bytes():
                own.unlink()
        if file.parent == case.path / INPUTS:
            with contextlib.suppress(OSError):
                file.unlink(missing_ok=True)


def put_aside(case: CaseFolder, who: str = "") -> str:
    """Take the corrections of the next run away, and keep them under another name beside.

    Parameters
    ----------
    case : CaseFolder
    who : str
        For the journal.

    Returns
    -------
    str
        The name under which they are kept.

    Raises
    ------
    InputError
        There are none, the case is signed, or the folder cannot be written.
    """
    with case.held_open():
        file = case.path / (case.options.corrections or CORRECTIONS)
        if not file.is_file():
            raise InputError("the case has no corrections; load the page again")
        kept = free_backup(file)
        try:
            file.rename(kept)
        except OSError as error:
            raise unwritable(case.path, error) from error
        stated = "corrections of the run stated"
        case.change(lambda now: replace(now, corrections=""), who, stated)
        case.note(f"corrections put aside as {kept.name}", who)
        return kept.name
