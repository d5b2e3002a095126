"""Thins the surfaces that come in, in a process of its own: what the library takes it keeps.

Started by ``veinfit/surface/resample.py``; imports nothing of the package.
"""

from __future__ import annotations

import io
import sys
from typing import Any

import fast_simplification
import numpy as np

POINTS, FACES = "points-{}", "faces-{}"
"""Names of the arrays of each surface, as they come and as they go."""

WANTED, GREED = "wanted", "greed"
"""Names of what is asked for: faces of each surface, and one number for all."""


def thinned(
    points: np.ndarray, faces: np.ndarray, wanted: int, greed: float
) -> tuple[np.ndarray, np.ndarray]:
    """Take faces off a surface, until about so many are left.

    Parameters
    ----------
    points : (V, 3) float64 array
    faces : (F, 3) int32 array
    wanted : int
        Faces to be left.
    greed : float
        How fast edges may move the surface farther, round by round.

    Returns
    -------
    points : (V', 3) array
    faces : (F', 3) array
    """
    fewer: tuple[np.ndarray, np.ndarray] = fast_simplification.simplify(
        points, faces, target_count=wanted, agg=greed
    )
    return fewer


def main() -> None:
    """Read surfaces from standard input, and write what is left of them to standard output."""
    given = np.load(io.BytesIO(sys.stdin.buffer.read()))
    left: dict[str, Any] = {}
    for k, wanted in enumerate(given[WANTED]):
        points, faces = given[POINTS.format(k)], given[FACES.format(k)]
        fewer = thinned(points, faces, int(wanted), float(given[GREED]))
        left[POINTS.format(k)], left[FACES.format(k)] = fewer
    written = io.BytesIO()
    np.savez(written, **left)
    sys.stdout.buffer.write(written.getbuffer())


if __name__ == "__main__":
    main()
