"""What the naming is told of a candidate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.vectors import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class CandidateFeatures:
    """What the naming needs to know of a candidate.

    Attributes
    ----------
    members : tuple of int
        Branches it is made of.
    place, direction : (3,) array
        Unit vectors from the body's centre to it, and out along it.
    diameter_mm : float
        Of its ostium, opening or widest section.
    is_open : bool
        It ends in an opening.
    has_ostium : bool
    slenderness : float
        Length of its tube over its diameter.
    shared_mm : float or None
        Length of the trunk; None for one branch.
    excess : float
        Area of a trunk's ostium over the areas of its branches together.
    hint : str
        What a label of the input says it is; empty where there is none.
    is_closed : bool
        The input closes its opening.
    common_mm : float or None
        Length of the trunk before its branches' own ostia; as ``shared_mm`` where None.
    cut_members : int
        So many of a trunk's branches end in an opening.
    is_bulge : bool
        It reaches hardly past the wall: it is a vein only where one is missing without.
    ostium_error_mm : float
        Bound of its ostium's place; 0 where it is as good as known.
    """

    members: tuple[int, ...]
    place: FloatArray
    direction: FloatArray
    diameter_mm: float
    is_open: bool
    has_ostium: bool
    slenderness: float
    shared_mm: float | None
    excess: float = 1.0
    hint: str = ""
    is_closed: bool = False
    common_mm: float | None = None
    cut_members: int = 0
    is_bulge: bool = False
    ostium_error_mm: float = 0.0

    @property
    def common_length_mm(self) -> float:
        """How long it is common to all its branches, mm; 0 for one branch."""
        return self.common_mm if self.common_mm is not None else self.shared_mm or 0.0


def share_of(between: tuple[float, float], value: float) -> float:
    """Return how far a value is from the first of two numbers to the second, 0 to 1."""
    low, high = between
    return float(np.clip((value - low) / (high - low), 0.0, 1.0))
