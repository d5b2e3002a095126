"""What a review tells of a vein: its measures, and how far they can be relied on."""

from __future__ import annotations

from typing import Any

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.report.answers.tables import CERTAINTY_MEASURES, measures_beside
from veinfit.report.wording import MISSING

DOUBTS = tuple(
    next(m for m in CERTAINTY_MEASURES if m.field == name)
    for name in ("confidence", "ostium_error_mm", "axis_error_deg")
)
"""The confidence of a vein's measures, and the bounds of its ostium and axis."""


def told_vein(before: Vein | None, now: Vein | None, anatomy: Anatomy) -> dict[str, Any]:
    """Return a vein's doubts and measures before and now, and its cautions now.

    Parameters
    ----------
    before, now : Vein or None
    anatomy : Anatomy
        That ``now`` is of.

    Returns
    -------
    dict
        ``rows``: label, value before, value now, the doubts first. ``cautions``: sentences;
        what puts the whole case in doubt comes first.
    """
    rows = measures_beside(before, now, DOUBTS)
    bounds = []
    for label, *values in rows[1:]:
        bounds.append([label, *(v if v == MISSING else f"±{v}" for v in values)])
    return {
        "rows": [*rows[:1], *bounds, *measures_beside(before, now)],
        "cautions": _cautions(anatomy, now),
    }


def _cautions(anatomy: Anatomy, now: Vein | None) -> list[str]:
    if now is None:
        return []
    notes = [n for n in anatomy.notes if n.severity == "warning" and not n.subject]
    own = (*now.notes, *(n for n in anatomy.notes if n.subject == now.name))
    notes += [n for n in own if n.severity != "info"]
    return list(dict.fromkeys(f"{note.kind}. {note.text}" for note in notes))
