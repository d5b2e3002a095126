"""What every view of a picture carries: a scale bar, and letters of the patient's sides."""

from __future__ import annotations

import numpy as np

from veinfit.report.colours import INK
from veinfit.report.render.canvas import BODY_PX, SMALL_PX, Canvas
from veinfit.report.render.placing import Box
from veinfit.report.render.scene import Camera, side_letters

SCALE_BAR_MM = 10.0


def annotate(canvas: Canvas, camera: Camera, area: Box, *, scale_bar: bool = True) -> None:
    """Put a scale bar into a view's lower left corner and letters at its sides."""
    if scale_bar:
        _scale_bar(canvas, camera, area)
    _letters(canvas, camera, area)


def _scale_bar(canvas: Canvas, camera: Camera, area: Box) -> None:
    u = canvas.unit
    length = SCALE_BAR_MM / camera.mm_per_px
    x, y = area.left + 16 * u, area.bottom - 18 * u
    canvas.line(np.array([[x, y], [x + length, y]]), INK, 4.0, above=6.0)
    for end in (x, x + length):
        canvas.line(np.array([[end, y - 6 * u], [end, y + 6 * u]]), INK, 3.0, above=6.0)
    written = canvas.write(
        x + length / 2, y - 9 * u, f"{SCALE_BAR_MM:g} mm", SMALL_PX,
        across="center", down="bottom", halo=True, above=6.0,
    )  # fmt: skip
    # The wall's outline often runs here, and would strike the figure out.
    canvas.plate(Box(written.left - 2 * u, written.top, written.right + 2 * u, written.bottom))
    canvas.reserve(Box(x - 6 * u, written.top, max(x + length, written.right), y + 8 * u))


def _letters(canvas: Canvas, camera: Camera, area: Box) -> None:
    u = canvas.unit
    middle_x, middle_y = (area.left + area.right) / 2, (area.top + area.bottom) / 2
    for direction, at, across, down in (
        (camera.right, (area.right - 8 * u, middle_y), "right", "center"),
        (-camera.right, (area.left + 8 * u, middle_y), "left", "center"),
        (camera.up, (middle_x, area.top + 8 * u), "center", "top"),
        (-camera.up, (middle_x, area.bottom - 8 * u), "center", "bottom"),
    ):
        canvas.reserve(
            canvas.write(
                *at, side_letters(direction), BODY_PX,
                across=across, down=down, bold=True, halo=True, above=6.0,
            )
        )  # fmt: skip


def arrow(
    canvas: Canvas,
    start: np.ndarray,
    end: np.ndarray,
    colour: str = INK,
    width: float = 2.5,
    *,
    both: bool = False,
    clip: Box | None = None,
    above: float = 3.0,
) -> None:
    """Draw a straight arrow; with ``both``, one with two heads."""
    a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    length = float(np.linalg.norm(b - a))
    if length < 1e-6:
        return
    along = (b - a) / length
    aside = np.array([-along[1], along[0]])
    head = min(13.0 * canvas.unit, 0.45 * length)
    canvas.line(np.array([a, b]), colour, width, clip=clip, above=above)
    for tip, direction in ((b, along), (a, -along))[: 2 if both else 1]:
        corners = [tip, tip - head * direction + 0.42 * head * aside, tip - head * direction
                   - 0.42 * head * aside]  # fmt: skip
        canvas.polygon(np.array(corners), colour, clip=clip, above=above + 0.05)
