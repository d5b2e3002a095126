"""The margin and the expected split as they stand in ``case.json``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from veinfit.seating.model import Chance, Margin
from veinfit.seating.uncertainty.split import ExpectedSplit

DECIMALS = 4
"""Of probabilities and shares, as in the tables."""

WIDTH_DECIMALS = 3
"""Of leak widths, mm."""


def margin_document(margin: Margin | None) -> dict[str, Any] | None:
    """Return a margin as plain values.

    Parameters
    ----------
    margin : Margin or None

    Returns
    -------
    dict or None
    """
    if margin is None:
        return None
    return {
        "chains": margin.chains,
        "assessed": margin.assessed,
        "through": margin.through,
        "occluded": _chance(margin.occluded),
        "sealed": _chance(margin.sealed),
        "antral": _chance(margin.antral),
        "steered_occluded": _chance(margin.steered_occluded),
        "steered_antral": _chance(margin.steered_antral),
        "deep_seal_probability": _number(margin.deep_seal_probability),
        "freeze_loss_probability": None
        if margin.freeze_loss_probability is None
        else _number(margin.freeze_loss_probability),
        "attempts_per_chain": _number(margin.attempts_per_chain),
        "push_to_seal_n": [round(push, WIDTH_DECIMALS) + 0.0 for push in margin.push_percentiles],
        "leak_width_mm": [
            round(width, WIDTH_DECIMALS) + 0.0 for width in margin.leak_width_percentiles
        ],
        "shares": {name: _number(share) for name, share in margin.variance_shares.items()},
    }


def split_documents(splits: Sequence[ExpectedSplit]) -> list[dict[str, Any]]:
    """Return the expected split of every two balloons in every vein as plain values."""
    return [
        {name: _number(v) if isinstance(v, float) else v for name, v in asdict(split).items()}
        for split in splits
    ]


def _chance(chance: Chance) -> dict[str, Any]:
    return {
        "probability": _number(chance.probability),
        "low": _number(chance.low),
        "high": _number(chance.high),
        "sampling_error": _number(chance.sampling_error),
        "given_patient": [_number(value) for value in chance.given_patient],
    }


def _number(value: float) -> float | None:
    return round(value, DECIMALS) + 0.0 if math.isfinite(value) else None
