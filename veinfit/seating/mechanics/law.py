"""Pressure against depth of a wall point inside a balloon."""

from __future__ import annotations

import math
from dataclasses import dataclass

from veinfit.vectors import FloatArray

NEWTON_PER_KPA_MM2 = 1e-3
"""1 kPa over 1 mm² is a millinewton."""


@dataclass(frozen=True, slots=True)
class IndentationLaw:
    """w(δ) = ½ k δ² (1 + ½ (δ/δ₀)²): the wall gives way, and locks where stretch locks it.

    Energies, pressures and slopes are those for k = 1 N/mm³; each wall point has its own k.

    Attributes
    ----------
    locking_depth_mm : float
        δ₀, where the stiffness against further depth has risen to four times and
        the pressure to twice that of the linear foundation; inf is linear (Winkler).
    """

    locking_depth_mm: float = math.inf

    def energy(self, depth: FloatArray) -> FloatArray:
        """Return w/k, mm², at depths of 0 mm and more."""
        square = depth * depth
        return 0.5 * square * (1.0 + 0.5 * square * self._inverse)

    def pressure(self, depth: FloatArray) -> FloatArray:
        """Return w′/k, mm, at depths of 0 mm and more."""
        return depth * (1.0 + depth * depth * self._inverse)

    def slope(self, depth: FloatArray) -> FloatArray:
        """Return w″/k at depths of 0 mm and more."""
        return 1.0 + 3.0 * depth * depth * self._inverse

    def terms(self, depth: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return all three at once, at depths of 0 mm and more."""
        square = depth * depth
        locking = square * self._inverse
        return 0.5 * square * (1.0 + 0.5 * locking), depth * (1.0 + locking), 1.0 + 3.0 * locking

    @property
    def _inverse(self) -> float:
        return self.locking_depth_mm**-2
