"""The comparison of balloons as it stands in ``case.json``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from veinfit.seating.compare import Comparison

DECIMALS = 2
"""Of clock hours and degrees, as in the tables."""


def comparison_documents(
    told: Sequence[Comparison], words: Sequence[Sequence[str]]
) -> list[dict[str, Any]]:
    """Return what sets the balloons of every vein apart as plain values.

    Parameters
    ----------
    told : sequence of Comparison
    words : sequence of sequence of str
        For every remark of every comparison; without them these are empty.
    """
    texts = words or [[""] * len(found.remarks) for found in told]
    return [
        {
            "vein": found.vein,
            "approach": found.approach,
            "first": found.first,
            "second": found.second,
            "remarks": [
                {"topic": remark.topic, "text": text, "tie": remark.tie}
                for remark, text in zip(found.remarks, said, strict=True)
            ],
            "neither_seals": found.neither_seals,
            "open_arcs": [
                {name: round(v, DECIMALS) if isinstance(v, float) else v for name, v in arc.items()}
                for arc in map(asdict, found.open_arcs)
            ],
        }
        for found, said in zip(told, texts, strict=True)
    ]
