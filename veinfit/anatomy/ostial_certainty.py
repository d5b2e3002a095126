"""How far an ostium can be relied on, from what its fit shows.

Fitted on 105 veins of 26 synthetic atria, 14 of them of the real kind, on which nothing of the
definitions is sharp. Halves of them predicted each other: 91 and 93 % of the errors lay within the
bound before it was widened by a tenth; of the sixths of the ostia ordered by their confidence 1.00,
0.88, 0.76, 0.61, 0.34 and 0.07 were right where 0.95, 0.89, 0.76, 0.59, 0.37 and 0.15 was
predicted.
"""

from __future__ import annotations

import numpy as np

from veinfit.anatomy.model import Evidence

LEAST_ERROR_MM = 0.8
"""Error bound of an ostium of which everything agrees."""

ERROR_PER_MOVE = 0.5
ERROR_PER_RESIDUAL = 2.1
ERROR_PER_SHIFT = 2.4
ERROR_WITHOUT_SECTORS_MM = 5.8
ERROR_PER_APART = 1.5
"""What the plane's instability, the spread of the half turns, a mm that the plane was moved,
missing sectors, and a mm between the places of half turns and sections add to the bound."""

FARTHEST_APART_MM = 8.0
"""Sections that lie farther than this from the half turns tell of something else."""

WRONG_LOG_ODDS = -2.3
"""Log odds of an ostium being off by more than 1 mm or 5 degrees, with the terms of
``ostium_confidence``: logistic regression."""

NOTED_SHIFT_MM = 0.5
"""Moves of the plane below this are within the ostium's error and not worth a note."""


def ostium_error_mm(evidence: Evidence) -> float:
    """Return the 95 % bound of an ostium's position error."""
    return (
        LEAST_ERROR_MM
        + ERROR_PER_MOVE * evidence.moved_mm
        + ERROR_PER_RESIDUAL * evidence.residual_mm
        + ERROR_PER_SHIFT * evidence.shift_mm
        + ERROR_WITHOUT_SECTORS_MM * (1.0 - evidence.share)
        + ERROR_PER_APART * min(abs(evidence.sections_mm), FARTHEST_APART_MM)
    )


def ostium_confidence(evidence: Evidence) -> float:
    """Return the probability that an ostium lies within 1 mm and 5 degrees of its definition's."""
    log_odds = (
        WRONG_LOG_ODDS
        + 0.36 * np.log(evidence.moved_mm + 0.1)
        + 1.05 * np.log(evidence.tilted_deg + 1.0)
        + 0.84 * np.log(evidence.residual_mm + 0.1)
        + 0.39 * np.log(evidence.spread_mm + 0.1)
        + 0.26 * min(abs(evidence.sections_mm), FARTHEST_APART_MM)
        + 0.3 * evidence.by_sections
    )
    return float(1.0 / (1.0 + np.exp(log_odds)))
