"""The line of cautions at the foot of every picture."""

from __future__ import annotations

from veinfit.report.cautions import PICTURE_CAUTION
from veinfit.report.colours import MUTED
from veinfit.report.render.canvas import Canvas

LINE_PX = 15.0
"""Type of the line: smaller than all else, as it says the same on every picture."""

CAUTION_PX = 26.0
"""Height that the line needs."""


def write_caution(canvas: Canvas, left: float) -> None:
    """Write what a picture is not, at its lower edge from ``left`` on."""
    u = canvas.unit
    lines = canvas.broken(PICTURE_CAUTION, canvas.width - 2 * left, LINE_PX)
    for k, line in enumerate(reversed(lines)):
        y = canvas.height - (CAUTION_PX - 4.0 + 1.28 * LINE_PX * k) * u
        canvas.write(left, y, line, LINE_PX, colour=MUTED)
