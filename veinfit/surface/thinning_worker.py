"""The process that thins one surface: run as a script, it reads it from a pipe and answers there.

The library keeps the memory of its greatest surface, some 70 MB of 256,000 faces, as long as its
process lives. Nothing of the package is imported here.
"""

from __future__ import annotations

import sys

import numpy as np
import numpy.typing as npt

COUNTS = 4
"""What is told first, as long integers: points, faces, how many faces are wanted, and the
aggression times ``AGGRESSION_PARTS``. The answer begins with its points and faces alone."""

AGGRESSION_PARTS = 1000


def packed(
    points: npt.NDArray[np.float64], faces: npt.NDArray[np.int32], *more: int
) -> list[memoryview]:
    """Return a surface, points (V, 3) and faces (F, 3), and some numbers as bytes in pieces."""
    counts = np.array([len(points), len(faces), *more], dtype=np.int64)
    parts = counts, np.ascontiguousarray(points), np.ascontiguousarray(faces)
    return [part.reshape(-1).view(np.uint8).data for part in parts]


def unpacked(
    told: bytes, counts: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int32], list[int]]:
    """Return what was packed, ``counts`` numbers first; ValueError where it is not whole."""
    numbers = np.frombuffer(told, dtype=np.int64, count=counts)
    at = numbers.nbytes
    points = np.frombuffer(told, dtype=np.float64, count=3 * int(numbers[0]), offset=at)
    at += points.nbytes
    faces = np.frombuffer(told, dtype=np.int32, count=3 * int(numbers[1]), offset=at)
    return points.reshape(-1, 3), faces.reshape(-1, 3), numbers[2:].tolist()


def main() -> None:
    """Thin the surface that comes in; write what is left."""
    import fast_simplification

    points, faces, (wanted, aggression) = unpacked(sys.stdin.buffer.read(), COUNTS)
    # Copies, as the library takes no arrays that may not be written.
    points, faces = fast_simplification.simplify(
        points.copy(),
        faces.copy(),
        target_count=wanted,
        agg=aggression / AGGRESSION_PARTS,
        # Else rims draw together, which moved ostia of short stubs by up to 1.4 mm.
        preserve_border=True,
    )
    for part in packed(points.astype(np.float64), faces.astype(np.int32)):
        sys.stdout.buffer.write(part)


if __name__ == "__main__":
    main()
