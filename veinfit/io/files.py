"""What every reader asks of a file before it looks inside."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path
from typing import Literal

from veinfit.errors import InputError

MESH_SUFFIXES = (".stl", ".ply", ".obj", ".off", ".vtk", ".vtp")
VOLUME_SUFFIXES = (".nii", ".nii.gz", ".nrrd", ".nhdr", ".mha", ".mhd")

DICOM_SUFFIXES = (".dcm",)

QUOTED_CHARACTERS = 200
"""A message quotes at most this much of a library's words."""

LARGEST_FILE_BYTES = 1 << 31
"""No mesh of an atrium, and no packed volume of the chest, is larger."""

LARGEST_TABLE_BYTES = 1 << 22
"""No table that a person writes is larger: 100,000 points."""

HASH_CHUNK_BYTES = 1 << 20
"""Bytes of a file hashed at a time."""


def input_kind(path: Path) -> Literal["mesh", "volume"]:
    """Tell by its extension whether a file is a surface mesh or a label volume.

    A DICOM file may have any extension, or none.

    Parameters
    ----------
    path : Path
        Only its name is looked at, unless that says nothing.

    Returns
    -------
    {'mesh', 'volume'}

    Raises
    ------
    InputError
        The extension is none of the known ones, which the message lists.
    """
    if is_dicom(path):
        return "volume"
    known = MESH_SUFFIXES + VOLUME_SUFFIXES + DICOM_SUFFIXES
    return "mesh" if known_suffix(path, known, "input") in MESH_SUFFIXES else "volume"


def is_dicom(path: Path) -> bool:
    """Tell whether a file is DICOM: by its extension, or, where that says nothing, by its start.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    name = path.name.lower()
    if name.endswith(DICOM_SUFFIXES):
        return True
    if name.endswith(MESH_SUFFIXES + VOLUME_SUFFIXES):
        return False
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return False
        with path.open("rb") as stream:
            # PS3.10: a preamble of any 128 bytes, then these four.
            return stream.read(132)[128:] == b"DICM"
    except (OSError, ValueError):
        return False


def known_suffix(path: Path, known: tuple[str, ...], role: str) -> str:
    """Return which of the known extensions a file has, in lower case.

    Parameters
    ----------
    path : Path
    known : tuple of str
        Extensions in lower case, with their dots.
    role : str
        What the file is, for the message.

    Returns
    -------
    str

    Raises
    ------
    InputError
        None of them.
    """
    name = path.name.lower()
    for suffix in sorted(known, key=len, reverse=True):
        if name.endswith(suffix):
            return suffix
    what = f"extension {path.suffix!r}" if path.suffix else "no extension"
    if not os.path.lexists(path):
        raise InputError(
            f"{role} {path} does not exist and has {what}; check the path. veinfit reads "
            f"{', '.join(known)}"
        )
    raise InputError(f"{role} {path} has {what}; veinfit reads {', '.join(known)}")


def check_file(path: Path, role: str, largest_bytes: int = LARGEST_FILE_BYTES) -> None:
    """Make sure that a path is a readable file that holds something.

    Parameters
    ----------
    path : Path
    role : str
        What the file is, for the message.
    largest_bytes : int
        A larger one is refused.

    Raises
    ------
    InputError
        It is missing, empty, too large, a folder or a device, or may not be read.
    """
    try:
        status = path.stat()
    except FileNotFoundError:
        raise InputError(f"{role} {path} does not exist; check the path") from None
    except (OSError, ValueError) as error:
        raise unreadable(path, role, error) from error
    if stat.S_ISDIR(status.st_mode):
        raise InputError(f"{role} {path} is a folder; name the file in it")
    if not stat.S_ISREG(status.st_mode):
        # A device or a pipe may have no end.
        raise InputError(f"{role} {path} is a device or a pipe; give a file")
    if status.st_size > largest_bytes:
        raise InputError(
            f"{role} {path} has {status.st_size >> 20} MiB, more than the "
            f"{largest_bytes >> 20} that are read; export it smaller"
        )
    try:
        with path.open("rb") as stream:
            first = stream.read(1)
    except OSError as error:
        raise unreadable(path, role, error) from error
    if not first:
        raise InputError(f"{role} {path} is empty; export it again")


def read_bytes(path: Path, role: str, largest_bytes: int = LARGEST_FILE_BYTES) -> bytes:
    """Return the content of a file.

    Parameters
    ----------
    path : Path
    role : str
        What the file is, for the message.
    largest_bytes : int
        A larger one is refused.

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        As :func:`check_file`.
    """
    check_file(path, role, largest_bytes)
    try:
        return path.read_bytes()
    except OSError as error:
        raise unreadable(path, role, error) from error


def unreadable(path: Path, role: str, error: OSError | ValueError) -> InputError:
    """Word an operating system's refusal to read a file.

    Parameters
    ----------
    path : Path
    role : str
        What the file is for, such as ``input``.
    error : OSError or ValueError

    Returns
    -------
    InputError
    """
    said = getattr(error, "strerror", None) or error
    return InputError(f"{role} {path} cannot be read: {said}; check the path")


def first_line(error: BaseException | str) -> str:
    """Return the first line of a library's words, without what surrounds it."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    text = "".join(c if c.isprintable() else "?" for c in lines[0]) if lines else ""
    return text[:QUOTED_CHARACTERS].rstrip(".") or type(error).__name__


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's content as 64 hexadecimal digits.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str

    Raises
    ------
    InputError
        The file cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(HASH_CHUNK_BYTES):
                digest.update(chunk)
    except OSError as error:
        raise unreadable(path, "input", error) from error
    return digest.hexdigest()
