"""Thins the surface that comes in, in a process of its own: what the library takes it keeps.

Started by ``veinfit/surface/resample.py``; imports nothing of the package.
"""

from __future__ import annotations

import io
import sys

import fast_simplification
import numpy as np


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
    """Read a surface from standard input, and write what is left of it to standard output."""
    given = np.load(io.BytesIO(sys.stdin.buffer.read()))
    points, faces = thinned(
        given["points"], given["faces"], int(given["wanted"]), float(given["greed"])
    )
    written = io.BytesIO()
    np.savez(written, points=points, faces=faces)
    sys.stdout.buffer.write(written.getvalue())


if __name__ == "__main__":
    main()
