"""Which triangles of the wall lie near which balloon: looked up once, as points are.

A balloon presses a few thousand of the triangles of a refined wall; each look at all of them
would take longer than the integral over those.
"""

from __future__ import annotations

import numpy as np

from veinfit.seating.mechanics.near import KEPT_MM, Memory
from veinfit.seating.mechanics.walls import BalloonWall
from veinfit.vectors import BoolArray, FloatArray, IntArray


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
            for row, number in zip(stale, again, strict=True):
                near = self._near(float(self._reach[number]), place[row], factors[row])
                self._own[number] = self._wall.near(near)
        return [self._own[number] for number in which]

    def _near(self, reach_mm: float, place: FloatArray, factors: FloatArray) -> BoolArray:
        """Which points (V,) lie within ``KEPT_MM`` of a balloon, or inside it.

        Parameters
        ----------
        reach_mm : float
        place : (3 + M,) array
        factors : (M, 2) array
        """
        wall, centre, reach = self._wall, place[:3], reach_mm + KEPT_MM
        near: BoolArray = np.ones(len(wall.points), dtype=bool)
        for k in range(3):
            offset = wall.points[:, k] - centre[k]
            near &= np.abs(offset) < reach + wall.greatest_move_mm
        kept = np.flatnonzero(near)
        square = np.zeros(len(kept))
        for k in range(3):
            offset = wall.points[kept, k] - centre[k]
            for m, (first, second) in enumerate(factors):
                offset += first * wall.modes.first[m, kept, k]
                offset += second * wall.modes.second[m, kept, k]
            square += offset * offset
        near[kept] = square < reach**2
        return near
