"""Breaks a text into lines of a given width."""

from __future__ import annotations

from collections.abc import Callable


def broken(text: str, width: float, length_of: Callable[[str], float]) -> list[str]:
    """Break ``text`` into lines of at most ``width``, long words too.

    Parameters
    ----------
    text : str
    width : float
    length_of : callable
        The length of a piece of text, in the unit of ``width``.
    """
    rows, used = [""], 0.0
    space = length_of("n n") - length_of("nn")
    for word in text.split():
        length = length_of(word)
        if rows[-1] and used + space + length > width:
            rows.append("")
            used = 0.0
        while length > width and len(word) > 1:
            cut = max((k for k in range(1, len(word)) if length_of(word[:k]) <= width), default=1)
            rows[-1] = word[:cut]
            rows.append("")
            word = word[cut:]
            length = length_of(word)
        used += length + (space if rows[-1] else 0.0)
        rows[-1] = f"{rows[-1]} {word}".strip()
    return rows
