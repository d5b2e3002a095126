"""Whoever is told how far a case is."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str], None]
"""Told what is being done, as each stage begins."""


def silent(stage: str) -> None:
    """Tell nobody."""
