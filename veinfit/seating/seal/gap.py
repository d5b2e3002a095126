"""The gap between a seated balloon and the wall, and what of it is contact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.seating.balloon import Balloon
from veinfit.seating.mechanics.shape import gaps_mm
from veinfit.seating.patch import WallPatch
from veinfit.vectors import BoolArray, FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class GapField:
    """Gap and contact at the vertices of a patch, to be read as linear in between.

    Attributes
    ----------
    gap_mm : (V,) array
        Distance from the balloon's surface along the ray from its centre, negative
        where pressed; inf at vertices that it cannot press from the blood's side.
    polar_deg : (V,) array
        Polar angle from the balloon's nose.
    open_mm : (V,) array
        Gap beyond the tolerance: contact where it is 0 or less.
    warm_open_mm : (V,) array
        The same with warm contact counted as open: the greater of ``open_mm`` and
        the distance over the balloon from its freezing zone. Cold contact where
        it is 0 or less.
    past_missing_mm : (M,) array
        How far the balloon reaches past the flat cap of each of the patch's missing walls.
    """

    gap_mm: FloatArray
    polar_deg: FloatArray
    open_mm: FloatArray
    warm_open_mm: FloatArray
    past_missing_mm: FloatArray

    @property
    def contact(self) -> BoolArray:
        """Vertices in contact."""
        return self.open_mm <= 0.0


def gap_field(
    patch: WallPatch,
    touchable: BoolArray,
    balloon: Balloon,
    centre: FloatArray,
    shaft: FloatArray,
    tolerance_mm: float,
) -> GapField:
    """Measure the gap between a balloon and the wall.

    Parameters
    ----------
    patch : WallPatch
    touchable : (V,) bool array
        Vertices that the balloon can press.
    balloon : Balloon
    centre : (3,) array
    shaft : (3,) array
        Unit vector from the balloon's centre to its nose.
    tolerance_mm : float
        A gap up to this counts as contact.
    """
    offset = patch.surface.points - centre
    shape = balloon.shape
    beyond, cosine = gaps_mm(shape, offset, shaft)
    gap = np.where(touchable, beyond, np.inf)
    polar = np.degrees(np.arccos(cosine))
    outside_zone = np.maximum(polar - balloon.zone_to_deg, balloon.zone_from_deg - polar)
    over_balloon = np.radians(outside_zone) * shape.reach_mm
    open_mm = gap - tolerance_mm
    past = [-gaps_mm(shape, wall.cap - centre, shaft)[0].min() for wall in patch.missing]
    return GapField(
        gap,
        polar,
        open_mm,
        np.maximum(open_mm, over_balloon),
        np.maximum(np.array(past, dtype=float), 0.0),
    )
