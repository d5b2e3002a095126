"""TOML that people write: its content, or one line that says where it is wrong."""

from __future__ import annotations

import tomllib
from typing import Any

from veinfit.errors import InputError

LONGEST_TOML_BYTES = 1 << 22
"""No file that a person writes is longer."""


def parse_toml(content: bytes | str, source: str) -> dict[str, Any]:
    """Return the tables of a TOML file; a mark of the byte order may stand before them.

    Parameters
    ----------
    content : bytes or str
    source : str
        What the file is and its path, for the message.

    Raises
    ------
    InputError
        It is not TOML.
    """
    if len(content) > LONGEST_TOML_BYTES:
        raise InputError(f"{source} has {len(content)} signs; give a shorter one")
    try:
        text = content if isinstance(content, str) else content.decode("utf-8-sig")
        return tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise InputError(f"{source} is not TOML: it is not UTF-8 text; save it as UTF-8") from error
    except RecursionError as error:
        raise InputError(f"{source} has lists in lists without end; correct it") from error
    except ValueError as error:
        # Whole numbers of thousands of digits are a plain ValueError.
        said = " ".join(str(error).split())
        raise InputError(f"{source} is not TOML: {said[:200]}; correct it there") from error
