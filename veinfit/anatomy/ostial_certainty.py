"""How far an ostium can be relied on, from what its fit shows."""

from __future__ import annotations

import numpy as np

from veinfit.anatomy.model import Evidence

LEAST_ERROR_MM = 0.4
"""Error bound of an ostium whose plane nothing moves."""

ERROR_PER_MOVE = 1.0
"""What the plane's instability adds to the bound."""

WRONG_LOG_ODDS = -4.2
"""Log odds of an ostium being off by more than 1 mm or 5 degrees, with the terms of
``ostium_confidence``."""

NOTED_SHIFT_MM = 0.5
"""Moves of the plane below this are within the ostium's error and not worth a note."""


def ostium_error_mm(evidence: Evidence) -> float:
    """Return the 95 % bound of an ostium's position error."""
    return (
        LEAST_ERROR_MM
        + ERROR_PER_MOVE * evidence.moved_mm
        + 2.0 * (1.0 - evidence.share)
        + 0.5 * evidence.shift_mm
    )


def ostium_confidence(evidence: Evidence) -> float:
    """Return the probability that an ostium lies within 1 mm and 5 degrees of its definition's."""
    log_odds = (
        WRONG_LOG_ODDS
        + 0.4 * np.log(evidence.moved_mm + 0.1)
        + 0.7 * np.log(evidence.tilted_deg + 1.0)
        + 0.5 * np.log(evidence.residual_mm + 0.1)
        + 0.9 * (evidence.shift_mm >= NOTED_SHIFT_MM)
    )
    return float(1.0 / (1.0 + np.exp(log_odds)))
