"""Which triangles of the wall lie near which balloon: looked up once, as points are.

A balloon presses a few thousand of the triangles of a refined wall; each look at all of them
would take longer than the integral over those.
"""

from __future__ import annotations

import numpy as np

from veinfit.seating.mechanics.near import Memory, squares_of, wall_columns
from veinfit.seating.mechanics.walls import BalloonWall
from veinfit.vectors import FloatArray, IntArray


class NearFaces(Memory):
    """The part of a wall near each balloon of a batch, renewed when it has moved too far.

    Parameters
    ----------
    wall : BalloonWall
    reach_mm : (N,) array
        Longest ray of each balloon.
    """

    def __init__(self, wall: BalloonWall, reach_mm: FloatArray) -> None:
        super().__init__(wall, reach_mm)
        self._wall = wall
        self._own = [wall] * len(reach_mm)
        self._squares = squares_of(wall_columns(wall))

    def walls(self, which: IntArray, place: FloatArray, factors: FloatArray) -> list[BalloonWall]:
        """Return for some balloons the wall of the triangles that they can press.

        Parameters
        ----------
        which : (K,) array
            Their numbers, each once.
        place : (K, 3 + M) array
        factors : (K, M, 2) array
        """
        which = self._numbers[which]
        stale = self._moved(which, place, factors)
        if len(stale):
            again = which[stale]
            found = self._squares.near(self._reach[again], place[stale], factors[stale])
            for number, own in zip(again, found, strict=True):
                near = np.zeros(len(self._wall.points), dtype=bool)
                near[own] = True
                self._own[number] = self._wall.near(near)
        return [self._own[number] for number in which]
