"""Separate lines as few paths; loaded where a picture is drawn, as it loads the library."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np
from matplotlib.path import Path


def joined(ends: np.ndarray, colours: Sequence[str]) -> Iterator[tuple[str, Path]]:
    """Yield a colour, and one path for all lines that follow each other in it.

    To draw a path for each line takes ten times as long, and its edges get darker where lines meet.

    Parameters
    ----------
    ends : (S, 2, 2) array
    colours : sequence of str
        One for all lines, or S.
    """
    flat = np.asarray(ends, dtype=float).reshape(-1, 2)
    codes = np.tile(np.array([Path.MOVETO, Path.LINETO], dtype=Path.code_type), len(flat) // 2)
    start = 0
    for colour, same in groupby(colours):
        stop = len(flat) if len(colours) == 1 else start + 2 * sum(1 for _ in same)
        path = Path(flat[start:stop], codes[start:stop])
        # Short lines stay where they are.
        path.should_simplify = False
        yield colour, path
        start = stop
