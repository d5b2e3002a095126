"""What a sound file is, before it is spoiled."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Seed:
    """A sound file.

    Attributes
    ----------
    name : str
        Its format and form.
    file : str
        Name under which it is read, in a folder of its own.
    content : bytes
    read : callable
        Takes the path.
    beside : mapping of str to bytes
        Files that it needs and that stay as they are.
    """

    name: str
    file: str
    content: bytes
    read: Callable[[Path], Any]
    beside: dict[str, bytes]
