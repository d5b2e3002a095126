"""Probabilities held against a limit as they are told, so that none contradicts what is shown."""

from __future__ import annotations

DIGITS = 2
"""Decimals with which a probability is told to readers."""


def as_told(probability: float) -> float:
    """Return a probability as it is told.

    Parameters
    ----------
    probability : float

    Returns
    -------
    float
        To two decimals.

    Examples
    --------
    >>> as_told(42 / 64)
    0.66
    """
    return float(f"{probability:.{DIGITS}f}")


def reaches(probability: float | None, limit: float) -> bool:
    """Tell whether a probability, as it is told, is at least a limit.

    Parameters
    ----------
    probability : float or None
        None reaches none.
    limit : float

    Returns
    -------
    bool
    """
    return probability is not None and as_told(probability) >= limit
