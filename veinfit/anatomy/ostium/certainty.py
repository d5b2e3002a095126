"""How far an ostium can be relied on, from what its fit shows.

Fitted on 247 veins of 64 synthetic atria of the real kind, open and closed, and told on 121 veins
of 30 others, all closed: 96.7 % of the errors lay within the bound, 5.1 mm in the median; of the
sixths of the ostia ordered by their confidence 0.76, 0.55, 0.55, 0.25, 0.15 and 0.05 were right
where 0.70, 0.51, 0.35, 0.23, 0.12 and 0.03 was predicted. The median error was 0.7 mm: one
ostium in ten lies several mm off, for reasons that its fit hardly shows, and the bound has to cover
those.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEAST_LOOSENESS_MM = 0.8
"""Of an ostium of which everything agrees."""

LOOSENESS_PER_MOVE = 0.5
LOOSENESS_PER_RESIDUAL = 2.1
LOOSENESS_PER_SHIFT = 2.4
LOOSENESS_WITHOUT_SECTORS_MM = 5.8
LOOSENESS_PER_APART = 1.5
LOOSENESS_PER_SHORT = 0.25
"""What the plane's instability, the spread of the half turns, a mm that the plane was moved,
missing sectors, a mm between the places of half turns and sections, and a mm that the vein is
shorter than ``SHORT_MM`` add."""

SHORT_MM = 8.0
"""Profiles of a vein known for less than this past its ostium start in the flare, and the ostium
tends into the atrium."""

ERROR_AT_ONE_MM = 2.58
ERROR_POWER = 0.392
ERROR_OFFSET_MM = 0.2
"""The bound is the looseness itself or, where that is less, the first times its power less the
offset: a regression of the 96 % quantile of the error's logarithm, the offset added to it."""

WIDE_MM = 20.0
"""The bound of an ostium wider than this grows with its diameter: few veins are wider, and most
ostia that are lie too far in the atrium. Of 11 wider than 24 mm on label volumes of 0.5 to 1.4 mm
5 lay within the bound without this. The rule was chosen on all of these volumes, the constant on
every second one: 94.6 % of the others' ostia lie within it, 93.5 % without."""

WIDER_FOR_VOXELS = 0.06
FINE_VOXEL_MM = 1.0
WIDER_PER_VOXEL_MM = 0.15
"""From voxels the bound is wider by the first, and from voxels coarser than the second by the third
for each mm. Chosen on 617 ostia of drawn label volumes of 0.5 to 1.4 mm, 94.8 % of which lay within
it without the first; of the 166 of others of 0.7 and 1.4 mm 95.8 % do, 93.4 % did without."""

FARTHEST_APART_MM = 8.0
"""Sections that lie farther than this from the half turns tell of something else."""

FARTHEST_SHIFT_MM = 3.0
"""A plane moved farther than this is as wrong as it gets."""

WRONG_LOG_ODDS = 0.19
"""Log odds of an ostium being off by more than 1 mm or 5 degrees, with the terms of
``ostium_confidence``: logistic regression."""

NOTED_SHIFT_MM = 0.5
"""Moves of the plane below this are within the ostium's error and not worth a note."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the fit of an ostium shows of how firmly it is placed.

    Attributes
    ----------
    moved_mm, tilted_deg : float
        How far the plane moves and tilts when a quarter of the sectors is left out.
    residual_mm : float
        Robust spread of the half-turn points about the plane.
    share : float
        Share of the sectors that have a half-turn point.
    shift_mm : float
        How far the plane was moved until its contour is the vein's alone.
    spread_mm : float
        How far planes about slightly turned axes lie apart.
    apart_mm : float
        Distance to the farthest ostium that another start of the search came to.
    sections_mm : float
        How far the place that the vein's sections tell lies from that of the half turns.
    by_sections : float
        Share of the sections in the place taken, 0 to 1.
    room_mm : float
        From the ostium to the vein's end.
    walks_apart_mm : float
        How far the places lie apart that walks from the vein's end tell, where they tell it alone.
    """

    moved_mm: float
    tilted_deg: float
    residual_mm: float
    share: float
    shift_mm: float
    spread_mm: float = 0.0
    apart_mm: float = 0.0
    sections_mm: float = 0.0
    by_sections: float = 0.0
    room_mm: float = 20.0
    walks_apart_mm: float = 0.0


def looseness_mm(evidence: Evidence) -> float:
    """Return how loosely an ostium is placed; its bound grows with it."""
    return (
        LEAST_LOOSENESS_MM
        + LOOSENESS_PER_MOVE * evidence.moved_mm
        + LOOSENESS_PER_RESIDUAL * evidence.residual_mm
        + LOOSENESS_PER_SHIFT * evidence.shift_mm
        + LOOSENESS_WITHOUT_SECTORS_MM * (1.0 - evidence.share)
        + LOOSENESS_PER_APART * min(abs(evidence.sections_mm), FARTHEST_APART_MM)
        + LOOSENESS_PER_SHORT * max(SHORT_MM - evidence.room_mm, 0.0)
    )


def ostium_error_mm(evidence: Evidence, diameter_mm: float = 0.0) -> float:
    """Return the 95 % bound of the position error of an ostium of this diameter.

    No less than the walks that alone tell its place disagree by.
    """
    loose = looseness_mm(evidence)
    bound = min(loose, ERROR_AT_ONE_MM * loose**ERROR_POWER - ERROR_OFFSET_MM)
    return float(max(bound * max(diameter_mm / WIDE_MM, 1.0), evidence.walks_apart_mm))


def wider_for_voxels(voxel_mm: float | None) -> float:
    """Return how many times as wide a bound is of a surface from voxels of this size.

    ``voxel_mm`` is None for a mesh.
    """
    if voxel_mm is None:
        return 1.0
    return 1.0 + WIDER_FOR_VOXELS + WIDER_PER_VOXEL_MM * max(voxel_mm - FINE_VOXEL_MM, 0.0)


def ostium_confidence(evidence: Evidence) -> float:
    """Return the probability that an ostium lies within 1 mm and 5 degrees of its definition's."""
    log_odds = (
        WRONG_LOG_ODDS
        + 0.62 * np.log(evidence.moved_mm + 0.1)
        + 0.2 * np.log(evidence.tilted_deg + 1.0)
        + 0.8 * np.log(evidence.residual_mm + 0.1)
        + 0.43 * np.log(evidence.spread_mm + 0.1)
        + 0.8 * (1.0 - evidence.share)
        + 0.95 * min(evidence.shift_mm, FARTHEST_SHIFT_MM)
        + 0.087 * min(abs(evidence.sections_mm), FARTHEST_APART_MM)
        + 0.13 * max(SHORT_MM - evidence.room_mm, 0.0)
    )
    return float(1.0 / (1.0 + np.exp(log_odds)))
