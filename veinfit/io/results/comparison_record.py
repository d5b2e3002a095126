"""The comparison of balloons as it stands in ``case.json``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from veinfit.result.values import Row
from veinfit.seating.compare import Comparison

DECIMALS = 2
"""Of clock hours and degrees, as in the tables."""


def comparison_documents(
    told: Sequence[Comparison], rows: Sequence[Row], words: Sequence[Sequence[str]]
) -> list[dict[str, Any]]:
    """Return what sets the balloons of every vein apart as plain values.

    Parameters
    ----------
    told : sequence of Comparison
    rows : sequence of mapping
        Those of ``comparisons.csv``.
    words : sequence of sequence of str
        For every remark of every comparison; without them these are empty.
    """
    texts = words or [[""] * len(found.remarks) for found in told]
    return [
        {
            **row,
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
        for found, row, said in zip(told, rows, texts, strict=True)
    ]
