"""What makes the measures of a vein uncertain, as pages, pictures and the 3D view tell it."""

from __future__ import annotations

from collections.abc import Iterable

from veinfit.anatomy.model import Vein
from veinfit.report.wording import SPACE, number

LOW_CONFIDENCE = 0.5
"""Below it what makes it low is told beside the figures."""

UNCLEAR: dict[str, str] = {
    "half_turn_in_part": "a clear turn of the wall on one side alone",
    "area_gradient": "no clear turn of the wall",
    "separation": "no clear turn of the wall",
    "label_border": "placed at the border of its label",
}
"""What makes an ostium unclear, by the way in which it was placed."""


def doubt_words(vein: Vein) -> str:
    """Say what makes a measurement confidence low; empty where it is not."""
    doubts = []
    if vein.name_confidence < LOW_CONFIDENCE:
        doubts.append("the name is in doubt")
    if vein.ostium.confidence < LOW_CONFIDENCE and vein.ostium.kind != "set_by_hand":
        doubts.append(f"ostium ±{number(vein.ostium.error_mm)}{SPACE}mm")
        doubts += filter(None, [UNCLEAR.get(vein.ostium.kind)])
    return ", ".join(doubts)


def doubt_of(veins: Iterable[Vein], name: str) -> str:
    """Say in a sentence what is in doubt of the vein ``name``; empty where nothing is.

    A picture is shown without its report: the ostium to which its figures refer may lie elsewhere.
    """
    vein = next((vein for vein in veins if vein.name == name), None)
    doubt = doubt_words(vein) if vein is not None else ""
    if vein is None or not doubt:
        return ""
    return f"Measurement confidence {number(vein.confidence, 2)}: {doubt}. "
