"""What holds for a whole case, on every picture: cautions at its foot, a warning at its head."""

from __future__ import annotations

from collections.abc import Iterable

from veinfit.notes import Note
from veinfit.report.cautions import PICTURE_CAUTION, warning_line
from veinfit.report.colours import ALARM, MUTED
from veinfit.report.render.canvas import BODY_PX, Canvas

LINE_PX = 15.0
"""Type of the line: smaller than all else, as it says the same on every picture."""

CAUTION_PX = 26.0
"""Height that the line needs."""

WARNING_PX = 32.0
"""Height that the line of a warning needs at the head of a picture."""


def write_warning(canvas: Canvas, left: float, y: float, notes: Iterable[Note]) -> None:
    """Write the warnings of a case, if there are any, at the height ``y`` from ``left`` on."""
    line = warning_line(notes)
    if line:
        canvas.write(left, y, line, BODY_PX, colour=ALARM, bold=True)


def write_caution(canvas: Canvas, left: float) -> None:
    """Write what a picture is not, at its lower edge from ``left`` on."""
    u = canvas.unit
    lines = canvas.broken(PICTURE_CAUTION, canvas.width - 2 * left, LINE_PX)
    for k, line in enumerate(reversed(lines)):
        y = canvas.height - (CAUTION_PX - 4.0 + 1.28 * LINE_PX * k) * u
        canvas.write(left, y, line, LINE_PX, colour=MUTED)
