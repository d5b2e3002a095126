"""Lines of words, as OBJ and OFF have them."""

from __future__ import annotations

import re
from collections.abc import Iterator

from veinfit.io.mesh_formats.polygons import DamagedMesh


def worded_lines(data: bytes, joined: bool = False) -> Iterator[tuple[int, list[str]]]:
    """Yield number and words of every line that says something; # begins a comment."""
    if b"\0" in data:
        raise DamagedMesh("it is not text")
    pending = ""
    # Not splitlines, to which bytes of letters with accents are ends of lines.
    for number, line in enumerate(re.split(r"\r\n?|\n", data.decode("latin-1")), start=1):
        line = pending + line
        pending = ""
        if joined and line.endswith("\\"):
            pending = line[:-1] + " "
            continue
        words = line.split("#", 1)[0].split()
        if words:
            yield number, words
