"""The comparison of balloons as it stands in ``case.json``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from veinfit.seating.compare import comparisons
from veinfit.seating.model import Fit
from veinfit.settings import Settings

DECIMALS = 2
"""Of clock hours and degrees, as in the tables."""


def comparison_documents(fits: Sequence[Fit], settings: Settings) -> list[dict[str, Any]]:
    """Return what sets the balloons of every vein apart as plain values."""
    return [
        {
            "vein": found.vein,
            "approach": found.approach,
            "first": found.first,
            "second": found.second,
            "remarks": [asdict(remark) for remark in found.remarks],
            "neither_seals": found.neither_seals,
            "open_arcs": [
                {name: round(v, DECIMALS) if isinstance(v, float) else v for name, v in arc.items()}
                for arc in map(asdict, found.open_arcs)
            ],
        }
        for found in comparisons(fits, settings.seating, settings.comparison)
    ]
