"""One picture of one fit, from a side of one's choice; or one that turns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.errors import InputError
from veinfit.notes import Note
from veinfit.report.by_hand import hand_words
from veinfit.report.cautions import warning_line
from veinfit.report.colours import (
    DARK_TONES,
    INK,
    LEAK,
    PAPER,
    PLANE,
    WALL_OUTER,
    GapBand,
    gap_bands,
)
from veinfit.report.pictures.caution_line import WARNING_PX
from veinfit.report.pictures.fit_axial import draw_axial
from veinfit.report.pictures.fit_picture import (
    FOOTER_PX,
    GUTTER_PX,
    HEADER_PX,
    draw_footer,
    draw_header,
    view_title,
)
from veinfit.report.pictures.fit_scene import (
    FitFrame,
    axial_view,
    camera_around,
    frame_vein,
    side_view,
    whole_view,
)
from veinfit.report.pictures.fit_shared import leak_point
from veinfit.report.pictures.fit_side import draw_side, side_cut
from veinfit.report.pictures.moving import moving
from veinfit.report.pictures.overview import NAME_LENGTH, landmarks, seen_at
from veinfit.report.pictures.pictures import (
    COARSE,
    GREATEST_PX,
    SMALLEST_PX,
    SMOOTH,
    RendererName,
    fallback_note,
    finite,
    flattened,
)
from veinfit.report.render import plain_renderer, vtk_renderer
from veinfit.report.render.annotations import annotate
from veinfit.report.render.canvas import BODY_PX, SMALL_PX, Canvas
from veinfit.report.render.drawing import printable, shortened
from veinfit.report.render.look import Look
from veinfit.report.render.placing import Box
from veinfit.report.render.projection import (
    projection_name,
    viewer_angles,
    viewer_direction,
    viewer_up,
)
from veinfit.report.render.scene import Camera, Raster, View, passes_of
from veinfit.report.vein_doubt import doubt_of
from veinfit.report.wording import figures, headline, leak_mm
from veinfit.seating.model import Fit
from veinfit.settings import ReportSettings
from veinfit.vectors import FloatArray

HOLD_FRAMES = 4
"""Each diameter of a growing balloon is shown so many times as long."""


@dataclass(frozen=True, slots=True)
class Style:
    """How a picture is made.

    Attributes
    ----------
    size_px : tuple of int
        Width and height.
    dark : bool
        Light writing on a dark ground.
    cutaway : bool
        Whether the wall before the balloon is cut away. The view down the axis
        is always cut behind the balloon: the atrium would hide it.
    scale_bar : bool
    contact_tolerance_mm : float
        A gap up to this is painted as contact.
    renderer : {'auto', 'vtk', 'plain'}
    words : ReportSettings
        From where on a seal is called likely or unlikely.
    """

    size_px: tuple[int, int] = (1200, 900)
    dark: bool = False
    cutaway: bool = True
    scale_bar: bool = True
    contact_tolerance_mm: float = 0.5
    renderer: RendererName = "auto"
    words: ReportSettings = field(default_factory=ReportSettings)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture as the content of its file, its caption, and how it came about."""

    content: bytes
    caption: str
    notes: tuple[Note, ...] = ()


def check_size(size_px: tuple[int, int]) -> None:
    """Make sure that a picture can have this many pixels.

    Parameters
    ----------
    size_px : (int, int)
        Width and height.

    Raises
    ------
    InputError
        It cannot; the message tells the range.
    """
    (width, height), (least_w, least_h) = size_px, SMALLEST_PX
    if not (least_w <= width <= GREATEST_PX and least_h <= height <= GREATEST_PX):
        raise InputError(
            f"size {width}x{height} is out of range: {least_w}x{least_h} to "
            f"{GREATEST_PX}x{GREATEST_PX} pixels"
        )


def draw_still(
    anatomy: Anatomy, fit: Fit, others: Sequence[Fit], look: Look, style: Style
) -> Drawn:
    """Draw one picture as PNG: the same bytes for the same input.

    Parameters
    ----------
    anatomy : Anatomy
    fit : Fit
    others : sequence of Fit
        All fits of the vein: every size is seen by the same camera.
    look : Look
    style : Style

    Returns
    -------
    Drawn
    """
    frame = _frame(anatomy, fit, others, look, style)
    drawn, notes = _draw(anatomy, fit, [frame], look, style, labelled=True)
    words = _title(frame, look, style)
    about = f"{fit.vein}, {fit.balloon}, {fit.approach}. {words}."
    caption = (
        f"{about} {headline(fit, style.words)}. {doubt_of(anatomy.veins, fit.vein)}{figures(fit)}"
    )
    return Drawn(drawn[0], caption, notes)


def draw_turning(
    anatomy: Anatomy, fit: Fit, others: Sequence[Fit], look: Look, style: Style, frames: int
) -> Drawn:
    """Draw a picture that turns once about the patient's long axis, as GIF.

    It starts at ``look`` and turns towards the patient's left.

    Parameters
    ----------
    anatomy : Anatomy
    fit : Fit
    others : sequence of Fit
        All fits of the vein: every size is seen by the same camera.
    look : Look
    style : Style
    frames : int
        How many pictures a turn has.

    Returns
    -------
    Drawn
    """
    first = _frame(anatomy, fit, others, look, style)
    camera = first.axial if look.kind == "axis" else first.side
    lao, cranial = viewer_angles(camera.towards)
    looks = [Look("angles", lao + 360.0 * k / frames, cranial) for k in range(frames)]
    seen = [_frame(anatomy, fit, others, one, style) for one in looks]
    scale = max(frame.side.mm_per_px for frame in seen)
    places = [first.vein.ostium.centre, *(f.centre for f in others if f.centre is not None)]
    middle = np.mean(places, axis=0)
    still = [replace(f, side=replace(f.side, mm_per_px=scale, focal=middle)) for f in seen]
    drawn, notes = _draw(anatomy, fit, still, looks[0], style, labelled=False)
    caption = (
        f"{fit.vein}, {fit.balloon}, {fit.approach}, turning once, "
        f"from {projection_name(lao, cranial)}. "
        f"{headline(fit, style.words)}. {doubt_of(anatomy.veins, fit.vein)}{figures(fit)}"
    )
    return Drawn(moving(drawn, gap_bands(style.contact_tolerance_mm)), caption, notes)


def draw_growing(anatomy: Anatomy, grown: Sequence[Fit], look: Look, style: Style) -> Drawn:
    """Draw a balloon that grows where it lies, a picture a diameter and back again, as GIF.

    Parameters
    ----------
    anatomy : Anatomy
    grown : sequence of Fit
        The seat at each diameter, smallest first; all are seen by the same camera.
    look : Look
    style : Style

    Returns
    -------
    Drawn
    """
    frame = _frame(anatomy, grown[0], grown, look, style)
    pictures: list[bytes] = []
    notes: dict[Note, None] = {}
    for fit in grown:
        drawn, told = _draw(anatomy, fit, [frame], look, style, labelled=True)
        pictures += drawn
        notes |= dict.fromkeys(told)
    first, last = grown[0], grown[-1]
    told_last = figures(last)
    caption = (
        f"{first.vein}, {first.balloon} to {last.balloon_mm:g} mm, {first.approach}. "
        f"{_title(frame, look, style)}. At {last.balloon_mm:g} mm: "
        f"{told_last[0].lower()}{told_last[1:]} {doubt_of(anatomy.veins, first.vein)}".rstrip()
    )
    held = [picture for picture in pictures for _ in range(HOLD_FRAMES)]
    content = moving([*held, *held[::-1]], gap_bands(style.contact_tolerance_mm))
    return Drawn(content, caption, tuple(notes))


def _area(canvas: Canvas, anatomy: Anatomy) -> Box:
    u = canvas.unit
    gutter = round(GUTTER_PX * u)
    return Box(
        gutter,
        round((HEADER_PX + bool(warning_line(anatomy.notes)) * WARNING_PX) * u),
        int(canvas.width) - gutter,
        int(canvas.height) - round(FOOTER_PX * u),
    )


def _frame(anatomy: Anatomy, fit: Fit, fits: Sequence[Fit], look: Look, style: Style) -> FitFrame:
    vein = next(vein for vein in anatomy.veins if vein.name == fit.vein)
    width, height = (int(n) for n in _area(Canvas(style.size_px), anatomy).size)
    frame = frame_vein(vein, fits, width, height)
    if look.kind != "angles":
        return frame
    towards = viewer_direction(look.lao_deg, look.cranial_deg)
    up = viewer_up(look.lao_deg, look.cranial_deg)
    return replace(frame, side=camera_around(vein, fits, towards, up, width, height))


def _title(frame: FitFrame, look: Look, style: Style) -> str:
    camera = frame.axial if look.kind == "axis" else frame.side
    name = projection_name(*viewer_angles(camera.towards))
    if look.kind == "axis":
        return f"From the atrium into the vein ({name})"
    words = f"From the side ({name})" if look.kind == "side" else f"Seen {_from(name)}"
    return words + (", near wall cut away" if style.cutaway else ", wall as it is")


def _from(name: str) -> str:
    return name if name.startswith("from") else f"from {name}"


def _draw(
    anatomy: Anatomy,
    fit: Fit,
    frames: Sequence[FitFrame],
    look: Look,
    style: Style,
    *,
    labelled: bool,
) -> tuple[list[bytes], tuple[Note, ...]]:
    """Return a PNG for each frame; the plain renderer stands in where the library cannot draw."""
    bands = gap_bands(style.contact_tolerance_mm)
    if look.kind != "axis" and not style.cutaway:
        # What is out of the balloon's reach looks like the rest of the wall's outside.
        bands = (*bands[:-1], replace(bands[-1], colour=WALL_OUTER))
    shown = finite(fit)
    views = [_view(anatomy, shown, frame, look, style, bands) for frame in frames]
    passes = tuple(one for view in views for one in passes_of(view))
    ground = DARK_TONES[PAPER] if style.dark else PAPER

    def paint(renderer: object, scale: int) -> list[bytes]:
        rasters = renderer(passes, scale)  # type: ignore[operator]
        flat = flattened(views, rasters, scale, ground)
        return [
            _written(anatomy, fit, frame, look, style, bands, image, solid, scale, labelled)
            for frame, (image, solid) in zip(frames, flat, strict=True)
        ]

    if style.renderer == "plain":
        return paint(plain_renderer.paint, COARSE), ()
    try:
        return paint(vtk_renderer.paint, SMOOTH), ()
    except vtk_renderer.GraphicsUnavailable as fault:
        if style.renderer == "vtk":
            raise
        return paint(plain_renderer.paint, COARSE), (fallback_note(str(fault)),)


def _view(
    anatomy: Anatomy,
    fit: Fit,
    frame: FitFrame,
    look: Look,
    style: Style,
    bands: tuple[GapBand, ...],
) -> View:
    if look.kind == "axis":
        return axial_view(anatomy, fit, frame, bands, {})
    if style.cutaway:
        return side_view(anatomy, fit, frame, bands, {})
    return whole_view(anatomy, fit, frame, bands)


def _written(
    anatomy: Anatomy,
    fit: Fit,
    frame: FitFrame,
    look: Look,
    style: Style,
    bands: tuple[GapBand, ...],
    image: np.ndarray,
    solid: Raster,
    scale: int,
    labelled: bool,
) -> bytes:
    canvas = Canvas(style.size_px, dark=style.dark)
    area = _area(canvas, anatomy)
    canvas.image(image, int(area.left), int(area.top))
    canvas.box(area, "none", edge="#9aa3ab", above=7.0)
    draw_header(canvas, fit, area, style.words, hand_words(anatomy, fit.vein), anatomy.notes)
    view_title(canvas, area, _title(frame, look, style))
    bar = style.scale_bar
    if look.kind == "axis":
        draw_axial(canvas, fit, frame, area, bands, {}, scale_bar=bar)
    elif style.cutaway:
        cut = side_cut(anatomy, fit, frame)
        draw_side(canvas, cut, fit, frame, area, bands, {}, scale_bar=bar, labelled=labelled)
    else:
        _outside(canvas, anatomy, fit, frame, area, solid, scale, bar)
    doubt = doubt_of(anatomy.veins, fit.vein)
    draw_footer(canvas, fit, area, bands, ring=look.kind == "axis", doubt=doubt)
    return canvas.png()


def _outside(
    canvas: Canvas,
    anatomy: Anatomy,
    fit: Fit,
    frame: FitFrame,
    area: Box,
    solid: Raster,
    scale: int,
    scale_bar: bool,
) -> None:
    """Write on a view of the wall as it is: names, the ostium's line, the leak where it is seen."""
    camera, corner = frame.side, np.array([area.left, area.top])
    annotate(canvas, camera, area, scale_bar=scale_bar)
    _visible_line(canvas, frame.vein.ostium.contour.points, camera, solid, scale, area)
    for leak in sorted(fit.leaks, key=lambda one: -one.width_mm):
        if (spot := seen_at(leak_point(leak)[None], camera, solid, scale)) is None:
            continue
        at, u = spot + corner, canvas.unit
        canvas.circle(at, 12 * u, edge=PAPER, width=6.0, clip=area, above=3.0)
        canvas.circle(at, 12 * u, edge=LEAK, width=3.0, clip=area, above=3.1)
        canvas.label(at, f"leak {leak_mm(leak.width_mm)}", area, BODY_PX, bold=True)
    for named in landmarks(anatomy, {}):
        if (spot := seen_at(named.points, camera, solid, scale)) is not None:
            canvas.circle(spot + corner, 4 * canvas.unit, INK, clip=area, above=4.0)
            text = shortened(printable(named.text), NAME_LENGTH)
            told = named.figures if named.figures.endswith("by hand") else ""
            canvas.label(spot + corner, text, area, SMALL_PX, bold=True, second=told)


def _visible_line(
    canvas: Canvas, points: FloatArray, camera: Camera, solid: Raster, scale: int, area: Box
) -> None:
    """Draw a closed line on the wall where it is seen."""
    ring = np.concatenate([points, points[:1]])
    flat = camera.project(ring)[:, :2] + np.array([area.left, area.top])
    seen = [seen_at(point[None], camera, solid, scale) is not None for point in ring]
    for k in range(len(ring) - 1):
        if seen[k] and seen[k + 1]:
            canvas.line(flat[k : k + 2], PLANE, 2.8, casing=None, clip=area, above=2.2)
