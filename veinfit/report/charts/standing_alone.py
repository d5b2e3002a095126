"""A drawing that is written to a file of its own, away from a page that carries the cautions."""

from __future__ import annotations

from dataclasses import replace

from veinfit.report.cautions import PICTURE_CAUTION
from veinfit.report.colours import MUTED
from veinfit.report.render.drawing import TYPE_PX, Drawing, Words
from veinfit.report.render.wrapping import broken

LETTER_WIDTH = 0.62
"""Mean width of a letter as a share of the type's size, in a wide sans serif."""

MARGIN_PX = 8.0
"""Left and right of the lines, and below the last."""


def with_caution(drawing: Drawing) -> Drawing:
    """Return a drawing with what it is not written below it.

    Parameters
    ----------
    drawing : Drawing

    Returns
    -------
    Drawing
        Taller by the lines of writing.
    """
    room = drawing.width - 2.0 * MARGIN_PX
    lines = broken(PICTURE_CAUTION, room, lambda text: LETTER_WIDTH * TYPE_PX * len(text))
    step = 1.3 * TYPE_PX
    words = tuple(
        Words(MARGIN_PX, drawing.height + step * (k + 1), line, colour=MUTED)
        for k, line in enumerate(lines)
    )
    height = drawing.height + step * len(lines) + MARGIN_PX
    return replace(drawing, height=height, shapes=(*drawing.shapes, *words))
