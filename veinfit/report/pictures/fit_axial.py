"""The view of a fit from the atrium into the vein: clock, ostium, balloon, leaks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from veinfit.report.colours import (
    BALLOON_LINE,
    INK,
    LEAK,
    PAPER,
    PLANE,
    GapBand,
    colour_on_ring,
)
from veinfit.report.pictures.fit_scene import FitFrame, ring_radius_mm
from veinfit.report.pictures.fit_shared import by_width, finite_gap, leak_point, outline_of
from veinfit.report.render.annotations import annotate
from veinfit.report.render.canvas import BODY_PX, Canvas
from veinfit.report.render.placing import Box
from veinfit.report.wording import hours, leak_mm
from veinfit.seating.model import Fit
from veinfit.vectors import FloatArray

LEAKS_LABELLED = 3
"""So many leaks, the widest first, get a label; all are marked."""


def draw_axial(
    canvas: Canvas,
    fit: Fit,
    frame: FitFrame,
    area: Box,
    bands: tuple[GapBand, ...],
    profiles: Mapping[str, FloatArray],
    *,
    scale_bar: bool = True,
) -> None:
    """Write on the view down the axis: clock, ostium, balloon, leaks."""
    camera, u = frame.axial, canvas.unit
    corner = np.array([area.left, area.top])

    def at(points: FloatArray) -> np.ndarray:
        return camera.project(points)[..., :2] + corner

    middle = at(camera.focal)
    radius = ring_radius_mm(frame) / camera.mm_per_px
    ring = _clock_ring(canvas, fit, middle, radius, bands)
    annotate(canvas, camera, area, scale_bar=scale_bar)
    canvas.line(
        at(frame.vein.ostium.contour.points), PLANE, 2.6, dash=(12.0, 6.0), closed=True, clip=area
    )
    outline = outline_of(fit, at, profiles)
    avoid = [ring, at(frame.vein.ostium.contour.points)]
    if outline is not None:
        canvas.line(outline, BALLOON_LINE, 3.0, clip=area, closed=True)
        avoid.append(outline)
    if fit.centre is None:
        return
    hub = at(fit.centre)
    for arm in (np.array([7 * u, 0.0]), np.array([0.0, 7 * u])):
        canvas.line(np.stack([hub - arm, hub + arm]), BALLOON_LINE, 2.4, clip=area)
    together = np.concatenate(avoid)
    for k, leak in enumerate(by_width(fit)):
        spot = at(leak_point(leak))
        canvas.circle(spot, 11 * u, edge=PAPER, width=6.0, clip=area, above=3.0)
        canvas.circle(spot, 11 * u, edge=LEAK, width=3.0, clip=area, above=3.1)
        rim = _ring_point(leak.clock_h, middle, radius - 12 * u)
        canvas.line(np.stack([spot, rim]), LEAK, 2.0, clip=area, above=2.9)
        if k < LEAKS_LABELLED:
            width = leak_mm(leak.width_mm)
            words = width if canvas.terse else f"leak {width}, {hours(leak.clock_h)}"
            canvas.label(spot, words, area, BODY_PX, bold=True, avoid=together, away_from=rim)


def _ring_point(clock_h: float | np.ndarray, middle: np.ndarray, radius: float) -> np.ndarray:
    """Return the places (..., 2) of hours (...) on a ring."""
    turn = np.radians(30.0 * np.asarray(clock_h))
    return np.asarray(middle + radius * np.stack([np.sin(turn), -np.cos(turn)], axis=-1))


def _clock_ring(
    canvas: Canvas,
    fit: Fit,
    middle: np.ndarray,
    radius: float,
    bands: tuple[GapBand, ...],
) -> np.ndarray:
    """Draw the clock around the view, painted with the least gap of each direction."""
    u = canvas.unit
    turn = np.linspace(0, 12, 361)
    circle = _ring_point(turn, middle, radius)
    readings = sorted(fit.clock, key=lambda r: r.clock_h)
    # Without readings a plain line: a white band would be read as a gap over 5 mm all around.
    canvas.line(circle, INK, 13.0 if len(readings) > 1 else 3.0, casing=PAPER, above=3.4)
    if len(readings) > 1:
        canvas.line(circle, PAPER, 10.0, casing=None, above=3.5)
        at = np.array([r.clock_h for r in readings])
        gap = finite_gap(np.array([r.gap_mm for r in readings], dtype=float))
        middles = 0.5 * (turn[1:] + turn[:-1])
        level = np.interp(middles, at, gap, period=12.0)
        shades = [colour_on_ring(value, bands) for value in level]
        canvas.segments(np.stack([circle[:-1], circle[1:]], axis=1), shades, 10.0, above=3.6)
    for h in range(12):
        inner, outer = (_ring_point(h, middle, radius + d * u) for d in (-8, 8))
        if h % 3:
            canvas.line(np.stack([inner, outer]), INK, 1.6, casing=None, above=3.8)
            continue
        canvas.line(np.stack([inner, outer]), INK, 3.0, casing=None, above=3.8)
        spot = _ring_point(h, middle, radius - 26 * u)
        canvas.reserve(
            canvas.write(
                float(spot[0]), float(spot[1]), str(h or 12), BODY_PX,
                across="center", down="center", bold=True, halo=True,
            )
        )  # fmt: skip
    reserved = _ring_point(np.arange(0, 12, 0.125), middle, radius).tolist()
    canvas.reserve(*(Box(x - 8 * u, y - 8 * u, x + 8 * u, y + 8 * u) for x, y in reserved))
    return circle
