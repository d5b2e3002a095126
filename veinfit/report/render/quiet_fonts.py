"""Characters that a font lacks are drawn as boxes, without a word on the terminal."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def without_warnings() -> Iterator[None]:
    """Keep warnings off the terminal: a name may hold a character that the font lacks."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
