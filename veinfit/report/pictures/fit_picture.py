"""The picture of one fit: from the side, and from the atrium into the vein."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.notes import Note
from veinfit.report.by_hand import hand_words
from veinfit.report.colours import (
    INK,
    MUTED,
    PAPER,
    GapBand,
    over_widest,
    widest_band,
)
from veinfit.report.pictures.caution_line import (
    CAUTION_PX,
    LINE_PX,
    WARNING_PX,
    write_caution,
    write_warning,
)
from veinfit.report.pictures.fit_axial import draw_axial
from veinfit.report.pictures.fit_scene import (
    FitFrame,
)
from veinfit.report.pictures.fit_side import draw_side
from veinfit.report.render.canvas import BODY_PX, SMALL_PX, TITLE_PX, Canvas, unit_px
from veinfit.report.render.drawing import printable, shortened
from veinfit.report.render.placing import Box
from veinfit.report.vein_doubt import doubt_of
from veinfit.report.wording import (
    Mark,
    balloon_title,
    figures,
    headline,
    mark,
)
from veinfit.seating.model import Fit
from veinfit.settings import ReportSettings
from veinfit.vectors import FloatArray

HEADER_PX, FOOTER_PX, GUTTER_PX = 118.0, 158.0 + CAUTION_PX, 8.0
"""Heights of the lines above and below the two views, and the space between them."""

TYPE_STEP_PX = 0.5
"""Steps in which a line's type becomes smaller until it fits."""

PAPER_SHARE = 0.0312
"""Type for paper as a share of the two views' width: 8 points where they are 91 mm wide."""

PAPER_QUALITY = 88
"""Quality, of 100, of pictures on paper: no loss that can be seen there."""


@dataclass(frozen=True, slots=True)
class FitLayout:
    """Where the two views lie in a picture, in whole pixels."""

    size_px: tuple[int, int]
    side: Box
    axial: Box

    @property
    def view_px(self) -> tuple[int, int]:
        """Width and height of a view."""
        width, height = self.side.size
        return int(width), int(height)


def fit_layout(size_px: tuple[int, int], warned: bool = False) -> FitLayout:
    """Divide a picture of ``size_px`` into header, two views and footer.

    A warning has a line of the header.
    """
    u = unit_px(size_px)
    gutter = round(GUTTER_PX * u)
    top = round((HEADER_PX + warned * WARNING_PX) * u)
    bottom = size_px[1] - round(FOOTER_PX * u)
    width = (size_px[0] - 3 * gutter) // 2
    left, right = gutter, size_px[0] - gutter - width
    return FitLayout(
        size_px, Box(left, top, left + width, bottom), Box(right, top, right + width, bottom)
    )


def draw_fit(
    anatomy: Anatomy,
    cut_wall: FloatArray,
    fit: Fit,
    frame: FitFrame,
    layout: FitLayout,
    bands: tuple[GapBand, ...],
    images: tuple[np.ndarray, np.ndarray],
    profiles: Mapping[str, FloatArray],
    words: ReportSettings,
) -> np.ndarray:
    """Write on the two flat views of a fit and return the picture, (H, W, 3) uint8.

    ``cut_wall`` is the wall in the cut, from ``side_cut``.
    """
    canvas = Canvas(layout.size_px)
    for image, area in zip(images, (layout.side, layout.axial), strict=True):
        canvas.image(image, int(area.left), int(area.top))
        canvas.box(area, "none", edge="#9aa3ab", above=7.0)
    whole = Box(layout.side.left, layout.side.top, layout.axial.right, layout.side.bottom)
    draw_header(canvas, fit, whole, words, hand_words(anatomy, fit.vein), anatomy.notes)
    view_title(canvas, layout.side, "From the side, near wall cut away")
    view_title(canvas, layout.axial, "From the atrium into the vein")
    draw_side(canvas, cut_wall, fit, frame, layout.side, bands, profiles)
    draw_axial(canvas, fit, frame, layout.axial, bands, profiles)
    doubt = doubt_of(anatomy.veins, fit.vein)
    draw_footer(canvas, fit, whole, bands, ring=True, doubt=doubt)
    return canvas.pixels()


def draw_for_paper(
    cut_wall: FloatArray,
    fit: Fit,
    frame: FitFrame,
    layout: FitLayout,
    bands: tuple[GapBand, ...],
    images: tuple[np.ndarray, np.ndarray],
    profiles: Mapping[str, FloatArray],
) -> bytes:
    """Return the two flat views of a fit as JPEG, with few words and in large type.

    Two of these stand beside each other on a page: type of :data:`PAPER_SHARE` is 8 points there.
    """
    width, height = layout.view_px
    u = unit_px(layout.size_px)
    gutter = round(GUTTER_PX * u)
    size = (2 * width + gutter, height)
    canvas = Canvas(size, unit=u, least_px=PAPER_SHARE * size[0])
    side, axial = Box(0, 0, width, height), Box(width + gutter, 0, size[0], height)
    for image, area in zip(images, (side, axial), strict=True):
        canvas.image(image, int(area.left), 0)
        canvas.box(area, "none", edge="#9aa3ab", above=7.0)
    draw_side(canvas, cut_wall, fit, frame, side, bands, profiles)
    draw_axial(canvas, fit, frame, axial, bands, profiles)
    return canvas.jpeg(PAPER_QUALITY)


def draw_header(
    canvas: Canvas,
    fit: Fit,
    below: Box,
    words: ReportSettings,
    by_hand: str = "",
    notes: Sequence[Note] = (),
) -> None:
    """Write a fit's title and how likely it is to seal above the views, which lie in ``below``.

    ``by_hand`` says what was done to the vein by hand; of ``notes`` the warnings are written.
    """
    u = canvas.unit
    x = below.left + 4 * u
    room = below.right - x
    title = f"{printable(fit.vein)} · {printable(balloon_title(fit))}, {fit.approach}"
    title += f" ({by_hand})" if by_hand else ""
    _one_line(canvas, x, 4 * u, room, title, TITLE_PX, SMALL_PX, bold=True)
    radius = 10 * u
    draw_sign(canvas, mark(fit, words), np.array([x + radius, 63 * u]), radius)
    said, start = headline(fit, words), x + 30 * u
    _one_line(canvas, start, 50 * u, below.right - start, said, BODY_PX, LINE_PX)
    write_warning(canvas, x, 82 * u, notes)


def view_title(canvas: Canvas, area: Box, words: str) -> None:
    """Write above a view how it is seen."""
    u = canvas.unit
    canvas.write(area.left + 4 * u, area.top - 32 * u, words, SMALL_PX, colour=MUTED, bold=True)


def draw_sign(canvas: Canvas, sign: Mark, centre: np.ndarray, radius: float) -> None:
    """Draw the sign of a probability: a full, half or empty circle, or a dash."""
    if sign == "none":
        dash = centre + radius * np.array([[-1.0, 0.0], [1.0, 0.0]])
        canvas.line(dash, INK, 4.0, casing=None)
        return
    canvas.circle(centre, radius, INK if sign == "full" else PAPER, edge=INK, width=3.0)
    if sign == "half":
        turn = np.linspace(np.pi / 2, 3 * np.pi / 2, 24)
        half = centre + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        canvas.polygon(half, INK, above=2.5)


def _one_line(
    canvas: Canvas,
    x: float,
    y: float,
    room: float,
    text: str,
    size: float,
    least: float,
    bold: bool = False,
) -> None:
    """Write a line in type that fits, down to the least; then it is cut."""
    shown = printable(text)
    # Letters are placed on whole pixels: smaller type is narrower by steps, not by its share.
    while canvas.measure(shown, size, bold=bold).right > room and size > least:
        size = max(least, size - TYPE_STEP_PX)
    while canvas.measure(shown, size, bold=bold).right > room and len(shown) > 4:
        shown = shortened(shown, len(shown) - 1)
    canvas.write(x, y, shown, size, bold=bold)


def _why_no_seat(fit: Fit) -> str:
    """Say in a sentence why there is no seat: the header has no room for all of it."""
    if fit.outcome == "seated" or not fit.reason:
        return ""
    return f"{fit.reason[:1].upper()}{fit.reason[1:]}. "


def draw_footer(
    canvas: Canvas,
    fit: Fit,
    above: Box,
    bands: tuple[GapBand, ...],
    *,
    ring: bool,
    doubt: str = "",
) -> None:
    """Write the gap's scale, the figures and the cautions below the views, in ``above``.

    ``ring`` tells whether the ring around the clock is drawn, on which the scale ends earlier;
    ``doubt`` what is uncertain of the vein.
    """
    u = canvas.unit
    x, y = above.left + 4 * u, above.bottom + 14 * u
    canvas.write(x, y + 11 * u, "Gap, mm", SMALL_PX, bold=True, down="center")
    x += canvas.measure("Gap, mm", SMALL_PX, bold=True).right + 16 * u
    start, end = x, above.right
    for band in bands:
        label = band.label
        if ring and band is widest_band(bands):
            label += f"; ring {over_widest(bands)}"
        width = canvas.measure(label, SMALL_PX).right
        if x + 43 * u + width > end:
            x, y = start, y + 30 * u
        canvas.box(Box(x, y, x + 36 * u, y + 22 * u), band.colour, edge=INK)
        canvas.write(x + 43 * u, y + 11 * u, label, SMALL_PX, down="center")
        x += 43 * u + width + 18 * u
    y += 36 * u
    canvas.wrapped(
        Box(above.left + 4 * u, y, above.right, canvas.height),
        f"{doubt}{_why_no_seat(fit)}{figures(fit)}",
        SMALL_PX,
        lines=4,
    )
    write_caution(canvas, above.left + 4 * u)
