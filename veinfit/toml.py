"""TOML that people write: its content, or one line that says where it is wrong."""

from __future__ import annotations

import stat
import tomllib
from pathlib import Path
from typing import Any

from veinfit.errors import InputError

LONGEST_TOML_BYTES = 1 << 22
"""No file that a person writes is longer."""


def read_toml(path: Path, role: str) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Parameters
    ----------
    path : Path
    role : str
        What the file is, for the message.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        It cannot be read, or is not TOML.
    """
    source = f"{role} {path}"
    try:
        status = path.stat()
        # A device or a pipe has no end, or waits for one.
        if not stat.S_ISREG(status.st_mode):
            raise InputError(f"{source} is no file; name one")
        if status.st_size > LONGEST_TOML_BYTES:
            raise InputError(f"{source} has {status.st_size} bytes; give a shorter one")
        content = path.read_bytes()
    except OSError as error:
        said = error.strerror or error
        raise InputError(f"{source} cannot be read: {said}; check the path") from error
    return parse_toml(content, source)


def parse_toml(content: bytes | str, source: str) -> dict[str, Any]:
    """Return the tables of a TOML file; a mark of the byte order may stand before them.

    Parameters
    ----------
    content : bytes or str
    source : str
        What the file is and its path, for the message.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        It is not TOML.
    """
    try:
        text = content if isinstance(content, str) else content.decode("utf-8-sig")
        tables = tomllib.loads(text)
        _check_numbers(tables)
    except UnicodeDecodeError as error:
        raise InputError(f"{source} is not TOML: it is not UTF-8 text; save it as UTF-8") from error
    except RecursionError as error:
        raise InputError(f"{source} has lists in lists without end; correct it") from error
    except ValueError as error:
        # Whole numbers of thousands of digits are a plain ValueError.
        said = " ".join(str(error).split())
        raise InputError(f"{source} is not TOML: {said[:200]}; correct it there") from error
    return tables


def _check_numbers(value: Any) -> None:
    """Raise ValueError at a whole number that is none of TOML's, which have 64 bits."""
    if isinstance(value, dict):
        for item in value.values():
            _check_numbers(item)
    elif isinstance(value, list):
        for item in value:
            _check_numbers(item)
    elif isinstance(value, int) and abs(value) >= 1 << 63:
        raise ValueError("it holds a whole number of more than 64 bits")
