"""Draws a case's pictures: every fit, and the atrium with its veins named."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.memory import freeing_new_objects, give_back_memory
from veinfit.notes import Note
from veinfit.report.cautions import warning_line
from veinfit.report.colours import PAPER, GapBand, gap_bands, over_widest
from veinfit.report.model import Picture
from veinfit.report.pictures.fit_picture import FitLayout, draw_fit, draw_for_paper, fit_layout
from veinfit.report.pictures.fit_scene import FitFrame, fit_views, frame_vein
from veinfit.report.pictures.fit_shared import finite_gap
from veinfit.report.pictures.fit_side import side_cut
from veinfit.report.pictures.overview import (
    Landmark,
    draw_overview,
    landmarks,
    overview_caption,
    overview_layout,
    overview_views,
)
from veinfit.report.pictures.shown import for_page
from veinfit.report.render import plain_renderer, vtk_renderer
from veinfit.report.render.canvas import PX_AN_INCH
from veinfit.report.render.composite import flatten
from veinfit.report.render.png_file import png_file
from veinfit.report.render.scene import Raster, Renderer, View, passes_of
from veinfit.report.vein_doubt import doubt_of
from veinfit.report.wording import balloon_title, figures, headline, safe_file_name
from veinfit.seating.kinds import DEFAULT_APPROACH
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import Structure
from veinfit.settings import ReportSettings, SeatingSettings
from veinfit.vectors import FloatArray

RendererName = Literal["auto", "vtk", "plain"]

FOLDER = "pictures"
"""Where the pictures go, below the case's folder."""

SMOOTH, COARSE = 2, 1
"""Passes are drawn this many times larger and averaged down: by the graphics library, whose
borders become smooth, and by the slower built-in renderer."""

SYSTEM_PACKAGES = "libegl1 libegl-mesa0 libgl1-mesa-dri"
"""What brings OpenGL without a display on Debian and its kin."""

SMALLEST_PX = (400, 300)
"""Below this size the writing does not fit."""

GREATEST_PX = 4000
"""Above this a picture's passes do not fit into the memory of a small machine."""


def draw_pictures(
    anatomy: Anatomy,
    fits: Sequence[Fit],
    structures: Mapping[str, Structure],
    folder: Path,
    *,
    size_px: tuple[int, int] = (1200, 900),
    renderer: RendererName = "auto",
    contact_tolerance_mm: float | None = None,
    words: ReportSettings | None = None,
    profiles: Mapping[str, FloatArray] | None = None,
    for_report: bool = False,
) -> tuple[Picture, ...]:
    """Draw the overview and one picture for each fit, as PNG.

    Parameters
    ----------
    anatomy : Anatomy
    fits : sequence of Fit
        Those of a vein that the anatomy does not have are left out.
    structures : mapping of str to Surface or (N, 3) array
        Neighbours, shown in the overview.
    folder : Path
        The case's folder; the pictures go into ``pictures`` below it.
    size_px : tuple of int
        Width and height.
    renderer : {'auto', 'vtk', 'plain'}
        ``auto`` has the graphics library draw in a child process and takes the
        plain renderer, with a note, where that fails; ``vtk`` raises instead.
    contact_tolerance_mm : float, optional
        A gap up to this is painted as contact; the setting's default if not given.
    words : ReportSettings, optional
        From where on a seal is called likely or unlikely; the defaults if not given.
    profiles : mapping of str to (N, 2) array, optional
        Half sections, by balloon name, of balloons that are no spheres: place
        along the shaft, from back to nose, and distance from it, mm.
    for_report : bool
        Whether a page is made of them too.

    Returns
    -------
    tuple of Picture
        The overview first, then the fits in their order. The same input gives
        the same bytes.

    Raises
    ------
    ValueError
        ``size_px`` is too small.
    veinfit.report.render.vtk_renderer.GraphicsUnavailable
        With ``renderer='vtk'``, where the graphics library cannot draw.
    """
    if size_px[0] < SMALLEST_PX[0] or size_px[1] < SMALLEST_PX[1]:
        raise ValueError(
            f"size_px is {size_px[0]} × {size_px[1]}, but pictures need at least "
            f"{SMALLEST_PX[0]} × {SMALLEST_PX[1]}"
        )
    tolerance = contact_tolerance_mm
    if tolerance is None:
        tolerance = SeatingSettings().contact_tolerance_mm
    bands = gap_bands(tolerance)
    shapes = profiles or {}
    settings = words or ReportSettings()
    alarm = warning_line(anatomy.notes)
    layout, over_layout = fit_layout(size_px, bool(alarm)), overview_layout(size_px, bool(alarm))
    drawn = [finite(fit) for fit in fits if any(v.name == fit.vein for v in anatomy.veins)]
    frames = _frames(anatomy, drawn, layout)

    overview = overview_views(anatomy, structures, over_layout)
    views = [*overview]
    cuts = []
    for fit in drawn:
        views += fit_views(anatomy, fit, frames[fit.vein], bands, shapes)
        # While the wall has this balloon's shape; it is drawn twice.
        cuts.append(side_cut(anatomy, fit, frames[fit.vein]))
    passes = tuple(one for view in views for one in passes_of(view))
    anatomy.wall.drop_tables()
    give_back_memory()

    def draw(paint: Renderer, scale: int) -> tuple[Picture, ...]:
        flat = flattened(views, paint(passes, scale), scale)
        pair = [next(flat) for _ in overview]
        named = landmarks(anatomy, structures)
        pixels = draw_overview(anatomy, named, over_layout, overview, pair, scale)
        over = warned(_overview_picture(anatomy, named), alarm)
        pictures = [_written(folder, "overview.png", pixels, over, for_report)]
        with freeing_new_objects() as free:
            for fit, cut, name in zip(drawn, cuts, _file_names(drawn), strict=True):
                frame, images = frames[fit.vein], (next(flat)[0], next(flat)[0])
                pixels = draw_fit(anatomy, cut, fit, frame, layout, bands, images, shapes, settings)
                paper = draw_for_paper(cut, fit, frame, layout, bands, images, shapes)
                told = replace(
                    warned(_fit_picture(anatomy, fit, bands, settings), alarm), paper=paper
                )
                pictures.append(_written(folder, name, pixels, told, for_report))
                free()
        # The renderer is run to its end, so that a late failure is not overlooked.
        for _ in flat:
            pass
        return tuple(pictures)

    (folder / FOLDER).mkdir(parents=True, exist_ok=True)
    if renderer == "plain":
        return draw(plain_renderer.paint, COARSE)
    try:
        return draw(vtk_renderer.paint, SMOOTH)
    except vtk_renderer.GraphicsUnavailable as fault:
        if renderer == "vtk":
            raise
        note = fallback_note(str(fault))
    return tuple(replace(picture, notes=(note,)) for picture in draw(plain_renderer.paint, COARSE))


def flattened(
    views: Sequence[View], rasters: Iterator[Raster], scale: int, ground: str = PAPER
) -> Iterator[tuple[np.ndarray, Raster]]:
    """Yield each view's flat picture and the raster of its solid layers."""
    for view in views:
        solid = next(rasters)
        translucent = [(translucent_body, next(rasters)) for translucent_body in view.translucent]
        yield flatten(solid, translucent, scale, ground), solid
    for _ in rasters:
        raise AssertionError("more rasters than passes")


def finite(fit: Fit) -> Fit:
    """Return a fit whose gaps can be painted: out of reach is a plain large number."""
    if fit.patch_gap_mm is None:
        return fit
    return replace(fit, patch_gap_mm=finite_gap(fit.patch_gap_mm))


def _frames(anatomy: Anatomy, fits: Sequence[Fit], layout: FitLayout) -> dict[str, FitFrame]:
    width, height = layout.view_px
    return {
        vein.name: frame_vein(vein, [f for f in fits if f.vein == vein.name], width, height)
        for vein in anatomy.veins
    }


def fallback_note(fault: str) -> Note:
    """Say that the plain renderer drew, and why."""
    return Note(
        "pictures",
        f"The graphics library could not draw ({fault}), so the built-in renderer drew the "
        "pictures: the same content, less smooth and slower. On Debian and systems like it the "
        f"system packages {SYSTEM_PACKAGES} let the library draw without a display.",
    )


def _file_names(fits: Sequence[Fit]) -> Iterator[str]:
    """Yield a file name for each fit, no two the same even where case does not count."""
    used = {"overview"}
    for fit in fits:
        balloon = fit.balloon.replace(" mm", "mm") or f"{fit.balloon_mm:g}mm"
        stem = f"{safe_file_name(fit.vein)}-{safe_file_name(balloon)}"
        if fit.approach != DEFAULT_APPROACH:
            stem += f"-{fit.approach}"
        name, again = stem, 2
        while name.lower() in used:
            name, again = f"{stem}_{again}", again + 1
        used.add(name.lower())
        yield f"{name}.png"


def _written(
    folder: Path, name: str, pixels: np.ndarray, picture: Picture, for_report: bool
) -> Picture:
    target = folder / FOLDER / name
    partial = target.with_suffix(".part")
    partial.write_bytes(png_file(pixels, PX_AN_INCH))
    partial.replace(target)
    # While the pixels are at hand: to unpack them from the file again takes as long.
    page = for_page(pixels) if for_report else b""
    return replace(picture, file=f"{FOLDER}/{name}", page=page)


def warned(picture: Picture, alarm: str) -> Picture:
    """Return a picture that tells the warning ``alarm``, if there is one, in its words too."""
    return replace(picture, alt=f"{alarm}. {picture.alt}", warned=True) if alarm else picture


def _overview_picture(anatomy: Anatomy, named: Sequence[Landmark]) -> Picture:
    names = ", ".join(mark.text for mark in named)
    return Picture(
        file="",
        vein="",
        balloon="",
        caption=overview_caption(anatomy),
        alt=f"The left atrium from behind and from the front; named are {names or 'no parts'}.",
    )


def _fit_picture(
    anatomy: Anatomy, fit: Fit, bands: tuple[GapBand, ...], settings: ReportSettings
) -> Picture:
    seen = (
        "the balloon, transparent, against the wall"
        if fit.centre is not None
        else "the wall without a balloon, which has no seat"
    )
    scale = ", ".join(band.label for band in bands)
    return Picture(
        file="",
        vein=fit.vein,
        balloon=fit.balloon,
        approach=fit.approach,
        caption=f"{headline(fit, settings)}. {doubt_of(anatomy.veins, fit.vein)}{figures(fit)}",
        alt=(
            f"{fit.vein}, {balloon_title(fit)}, {fit.approach}: {seen}, from the side with the "
            "near wall cut away "
            f"and from the atrium into the vein. The wall is painted with the gap: {scale}; "
            f"the ring around the clock too, its darkest colour {over_widest(bands)}. "
            f"{headline(fit, settings)}."
        ),
    )
