"""The branches of the lumen as a tree, where they part, and the openings that they end in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.branches.paths import PathTree
from veinfit.vectors import FloatArray, unit

NORMAL_WEIGHT_MM = 15.0
"""A bifurcation so far from the ostium tells a common part's direction as well as the normal."""

SHOWS_MM = 6.0
"""The middle shows the direction from so far past the ostial plane on; nearer, less."""


@dataclass(frozen=True, slots=True, eq=False)
class Bifurcation:
    """Where a common part ends.

    Attributes
    ----------
    carina : (3,) array
        Of the first carina: where the blood of the first branches to part does. It lies
        nearer to the smaller branch, some millimetres beside the axis.
    middle : (3,) array
        Of the blood a little before it. It leans to the wider branch.
    """

    carina: FloatArray
    middle: FloatArray

    def direction_from(self, centre: FloatArray, normal: FloatArray) -> FloatArray:
        """Return the direction (3,) of the common part from an ostium's centre and normal.

        The mean of three that err to different sides. On invented trunks within 9 degrees of
        their axis in nine of ten.
        """
        return unit(unit(self.carina - centre) + self._to_middle(centre, normal) + normal)

    def length_from(self, centre: FloatArray, normal: FloatArray) -> float:
        """Return the length to the carina from an ostium's centre and normal, mm.

        A bifurcation tells less of the direction the nearer it is; the normal leans by some
        degrees anyway.
        """
        toward = self.carina - centre
        ahead = self._to_middle(centre, normal)
        return float(toward @ unit(float(toward @ toward) * ahead + NORMAL_WEIGHT_MM**2 * normal))

    def _to_middle(self, centre: FloatArray, normal: FloatArray) -> FloatArray:
        toward = self.middle - centre
        share = float(np.clip(toward @ normal / SHOWS_MM, 0.0, 1.0))
        return unit(share * unit(toward) + (1.0 - share) * normal)


@dataclass(frozen=True, slots=True, eq=False)
class Opening:
    """Where a vein was cut off: a boundary loop of the input surface, or a flat end that closes it.

    Attributes
    ----------
    centre : (3,) array
    normal : (3,) array
        Out of the lumen.
    diameter_mm : float
        Of the circle as long as its edge.
    cap_points : (N, 3) array
        Spread over the cap.
    is_closed : bool
        The input closes it, by a flat end.
    """

    centre: FloatArray
    normal: FloatArray
    diameter_mm: float
    cap_points: FloatArray
    is_closed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Branch:
    """A path from the body's core out to one blind or open end.

    Attributes
    ----------
    tip : (3,) array
        The end: the middle of an opening, or the farthest cell.
    path : (N, 3) array
        From the body's centre to the tip through the middle of the lumen, mm.
    reach_mm : float
        How far the branch reaches past its join with a branch that reaches
        farther, or past the core.
    join_mm : float
        Distance from the core at which it joins.
    depth_mm : float
        Distance of the tip from the core.
    opening : int or None
        Index of the opening at the tip; None for a blind end.
    joins : int or None
        Index of the branch it joins; None for the one that reaches farthest.
    """

    tip: FloatArray
    path: FloatArray
    reach_mm: float
    join_mm: float
    depth_mm: float
    opening: int | None
    joins: int | None


@dataclass(frozen=True, slots=True, eq=False)
class SharedPart:
    """A part of the lumen that several branches have in common before they part.

    Attributes
    ----------
    members : tuple of int
        Indices of the branches beyond it, the farthest-reaching first.
    length_mm : float
        How far the common part goes on, along the distance from the core.
    path : (N, 3) array
        From the core through the middle of the part to ``BEYOND_BIFURCATION_MM`` past
        where the branches part.
    bifurcation : Bifurcation
        Where the first branches to part do.
    """

    members: tuple[int, ...]
    length_mm: float
    path: FloatArray
    bifurcation: Bifurcation


@dataclass(frozen=True, slots=True, eq=False)
class Branches:
    """The body and what leaves it.

    Attributes
    ----------
    body_centre : (3,) array
    body_radius_mm : float
        Of the largest inscribed sphere.
    branches : tuple of Branch
        Farthest-reaching first.
    shared : tuple of SharedPart
    paths : PathTree
        From the body's centre to every cell.
    """

    body_centre: FloatArray
    body_radius_mm: float
    branches: tuple[Branch, ...]
    shared: tuple[SharedPart, ...]
    paths: PathTree

    def with_more(self, added: Sequence[Branch]) -> Branches:
        """Return these branches and some more, which share no part with any."""
        return replace(self, branches=(*self.branches, *added)) if added else self
