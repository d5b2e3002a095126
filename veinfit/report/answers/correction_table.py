"""What was corrected by hand, as the rows of a table: before and after side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from veinfit.anatomy.model import AppliedCorrection, Vein
from veinfit.report.wording import number
from veinfit.result.columns import column

COMPARED: tuple[tuple[str, str], ...] = tuple(
    (name, column("veins", name).heading()) for name in ("d_area_mm", "d_max_mm", "d_min_mm")
)
"""Measures of the ostium that the table compares."""


@dataclass(frozen=True, slots=True)
class CorrectionRow:
    """One correction: its words, and (automatic, corrected) for each measure compared."""

    vein: str
    what: str
    who: str
    why: str
    values: tuple[tuple[str, str], ...]


def correction_rows(corrections: Sequence[AppliedCorrection]) -> tuple[CorrectionRow, ...]:
    """Return a row a correction."""
    return tuple(
        CorrectionRow(
            one.corrected.name if one.corrected else one.vein,
            one.what,
            one.who,
            one.why,
            tuple((_value(one.automatic, m), _value(one.corrected, m)) for m, _ in COMPARED),
        )
        for one in corrections
    )


def _value(vein: Vein | None, measure: str) -> str:
    return "–" if vein is None else number(getattr(vein.ostium.measures, measure))
