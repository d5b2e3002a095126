"""What many tries came to."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from veinfit.seating.kinds import Outcome
from veinfit.vectors import BoolArray, FloatArray, IntArray

SEATED, PASSES_THROUGH, CANNOT_REACH, NOT_ASSESSED = 0, 1, 2, 3
"""Outcomes of a try, in tables by the words of ``OUTCOMES``."""

OUTCOMES: tuple[Outcome, ...] = ("seated", "passes through", "cannot reach", "not assessed")

BY_STEP = ("occluded", "sealed")
"""Told at three contact tolerances."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What N tries came to.

    Attributes
    ----------
    outcome : (N,) int array
        Index of ``OUTCOMES``.
    direction : (N, 3) array
        Of the shaft.
    place : (N, 3 + M) array
        Centre and amplitudes of the shape, mm; NaN where the balloon does not rest.
    push_n, push_to_occlude_n, push_to_seal_n : (N,) array
        At the seat, and the least that closed on the way; NaN where there is none.
    occluded, sealed : (3, N) bool array
        At the contact tolerance less its uncertainty, at the tolerance, at the
        tolerance and its uncertainty.
    deep : (N,) bool array
    width_mm, cold_width_mm : (N,) array
        Greatest gap that a path from vein to atrium can keep, at most ``WIDE_MM``,
        negative where it is pressed shut; the second with warm contact counted as open. NaN
        where they were not asked for.
    narrowest : (N,) int array
        Vertex of the patch where that path is narrowest; -1 for none.
    """

    outcome: IntArray
    direction: FloatArray
    place: FloatArray
    push_n: FloatArray
    push_to_occlude_n: FloatArray
    push_to_seal_n: FloatArray
    occluded: BoolArray
    sealed: BoolArray
    deep: BoolArray
    width_mm: FloatArray
    cold_width_mm: FloatArray
    narrowest: IntArray

    def rows(self, own: slice) -> Readings:
        """Return some of the tries.

        Parameters
        ----------
        own : slice

        Returns
        -------
        Readings
        """
        parts = {one.name: getattr(self, one.name) for one in fields(self)}
        return Readings(
            **{name: part[:, own] if name in BY_STEP else part[own] for name, part in parts.items()}
        )

    @property
    def assessed(self) -> BoolArray:
        """Which of them (N,) could be assessed."""
        return np.asarray(self.outcome != NOT_ASSESSED)

    @property
    def antral(self) -> BoolArray:
        """Sealed and not deep (3, N)."""
        return np.asarray(self.sealed & ~self.deep)

    @property
    def centre(self) -> FloatArray:
        """Centres (N, 3), mm."""
        return self.place[:, :3]
