"""The view of a fit from the side: cut, plane, balloon, leak, depth."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.report.colours import (
    BALLOON_LINE,
    INK,
    LEAK,
    PAPER,
    PLANE,
    GapBand,
    band_edges,
    colour_of_gap,
)
from veinfit.report.pictures.fit_scene import FitFrame, balloon_axis, cut_origin, wall_under
from veinfit.report.pictures.fit_shared import Flatten, by_width, finite_gap, leak_point, outline_of
from veinfit.report.render.annotations import annotate, arrow
from veinfit.report.render.canvas import BODY_PX, SMALL_PX, Canvas
from veinfit.report.render.placing import Box
from veinfit.report.render.scene import plane_segments
from veinfit.report.wording import leak_mm, number
from veinfit.seating.model import Fit, Leak
from veinfit.vectors import FloatArray, unit

APART_PX = 60.0
"""Places nearer to each other than this are not both named."""

FACE_ON = 0.7
"""From this cosine between line of sight and normal on a plane is seen from its face: where it
crosses the cut says nothing of where it lies, and depths along its normal look too short."""


def side_cut(anatomy: Anatomy, fit: Fit, frame: FitFrame) -> FloatArray:
    """Return the lines (S, 2, 3) in which the view from the side cuts the wall, mm."""
    wall = wall_under(anatomy, fit, frame)
    return plane_segments(wall, cut_origin(fit, frame), frame.side.towards)[0]


def draw_side(
    canvas: Canvas,
    cut_wall: FloatArray,
    fit: Fit,
    frame: FitFrame,
    area: Box,
    bands: tuple[GapBand, ...],
    profiles: Mapping[str, FloatArray],
    *,
    scale_bar: bool = True,
    labelled: bool = True,
) -> None:
    """Write on the view from the side: cut, plane, balloon, leak, depth.

    ``cut_wall`` is what :func:`side_cut` returns.
    """
    camera = frame.side
    corner = np.array([area.left, area.top])

    def at(points: FloatArray) -> np.ndarray:
        return camera.project(points)[..., :2] + corner

    annotate(canvas, camera, area, scale_bar=scale_bar)
    origin, towards = cut_origin(fit, frame), camera.towards
    wall_lines = at(cut_wall)
    canvas.segments(wall_lines, [INK], 2.6, clip=area, above=1.5)
    cut = [wall_lines.reshape(-1, 2)]
    if fit.patch is not None and fit.patch_gap_mm is not None:
        gap = finite_gap(fit.patch_gap_mm)
        ends, means = plane_segments(fit.patch, origin, towards, gap)
        painted = means <= band_edges(bands)[-1]
        shades = [colour_of_gap(value, bands) for value in means[painted]]
        canvas.segments(at(ends[painted]), shades, 7.0, casing=INK, clip=area, above=1.6)
    if _seen_from_face(frame.vein.ostium.normal, frame):
        ring = at(frame.vein.ostium.contour.points)
        canvas.line(ring, PLANE, 2.6, dash=(12.0, 6.0), closed=True, clip=area, above=2.2)
    else:
        canvas.line(at(plane_trace(fit, frame)), PLANE, 2.6, dash=(12.0, 6.0), clip=area, above=2.2)
    outline = outline_of(fit, at, profiles)
    if outline is not None:
        canvas.line(outline, BALLOON_LINE, 3.0, clip=area, closed=True)
        _balloon_lines(canvas, fit, area, at)
        cut.append(outline)
    avoid = np.concatenate(cut)
    axis, o = unit(frame.vein.axis), frame.vein.ostium.centre
    tail, head = at(np.stack([o + 3.0 * axis, o + 9.0 * axis]))
    if labelled:
        # Before any label, which would cover it.
        arrow(canvas, tail, head, INK, 3.0, clip=area)
        half = 7.0 * canvas.unit
        canvas.reserve(
            *(
                Box(x - half, y - half, x + half, y + half)
                for x, y in (tail + t * (head - tail) for t in np.linspace(0, 1, 6))
            )
        )
    if fit.centre is not None:
        for leak in by_width(fit)[:1]:
            _leak_in_profile(canvas, fit, leak, frame, area, at, avoid, labelled)
    if not labelled:
        return
    if not canvas.terse:
        canvas.label(head, "into the vein", area, SMALL_PX, avoid=avoid, away_from=tail)
    _side_labels(canvas, fit, frame, area, at, avoid)


def _seen_from_face(normal: FloatArray, frame: FitFrame) -> bool:
    return bool(abs(normal @ frame.side.towards) > FACE_ON)


def plane_trace(fit: Fit, frame: FitFrame) -> FloatArray:
    """Return the two ends of the line in which the ostial plane crosses the cut."""
    ostium, towards = frame.vein.ostium, frame.side.towards
    along = unit(np.cross(ostium.normal, towards))
    reach = 0.5 * ostium.measures.d_max_mm + 6.0
    offset = (cut_origin(fit, frame) - ostium.centre) @ towards
    # In the cut's plane and in the ostial plane at once.
    inward = towards - (towards @ ostium.normal) * ostium.normal
    length = float(inward @ inward)
    middle = ostium.centre + (offset / length) * inward if length > 0.05 else ostium.centre
    return np.stack([middle - reach * along, middle + reach * along])


def _balloon_lines(canvas: Canvas, fit: Fit, area: Box, at: Flatten) -> None:
    """Draw the shaft and the equator as they lie in the cut."""
    if fit.centre is None:
        return
    radius, d = 0.5 * fit.balloon_mm, balloon_axis(fit)
    shaft = at(np.stack([fit.centre - (radius + 8.0) * d, fit.centre + (radius + 3.0) * d]))
    canvas.line(
        shaft, BALLOON_LINE, 2.0, dash=(14.0, 4.0, 3.0, 4.0), casing=None, clip=area, above=1.9
    )


def _equator(fit: Fit, frame: FitFrame) -> FloatArray | None:
    if fit.centre is None or _seen_from_face(balloon_axis(fit), frame):
        return None
    across = unit(np.cross(balloon_axis(fit), frame.side.towards))
    radius = 0.5 * fit.balloon_mm
    return np.stack([fit.centre - radius * across, fit.centre + radius * across])


def equator_end(ends: np.ndarray, other: np.ndarray, apart: float) -> np.ndarray:
    """Return the end (2,) of the equator that is named: the lower one, unless it is near ``other``.

    There the ostial plane is named, and two leaders from one place look like a bracket.
    """
    lower, upper = ends[np.argsort(-ends[:, 1])]
    return np.asarray(lower if np.linalg.norm(lower - other) >= apart else upper)


def _leak_in_profile(
    canvas: Canvas,
    fit: Fit,
    leak: Leak,
    frame: FitFrame,
    area: Box,
    at: Flatten,
    avoid: np.ndarray,
    labelled: bool,
) -> None:
    assert fit.centre is not None
    point = leak_point(leak)
    out = unit(point - fit.centre)
    balloon_side = point - leak.width_mm * out
    flat = at(np.stack([point, balloon_side]))
    before = (point - cut_origin(fit, frame)) @ frame.side.towards > 2.0
    along = flat[0] - flat[1]
    length = float(np.linalg.norm(along))
    if length > 4 * canvas.unit:
        # The gap itself between two ticks, at the picture's scale.
        aside = np.array([-along[1], along[0]]) / length * 9 * canvas.unit
        canvas.line(flat, LEAK, 3.4, clip=area, above=3.2)
        for end in flat:
            canvas.line(np.stack([end - aside, end + aside]), LEAK, 3.0, clip=area, above=3.2)
    canvas.circle(flat.mean(axis=0), 15 * canvas.unit, edge=PAPER, width=5.0, clip=area, above=3.0)
    canvas.circle(flat.mean(axis=0), 15 * canvas.unit, edge=LEAK, width=2.4, clip=area, above=3.1)
    if not labelled:
        return
    width, where = leak_mm(leak.width_mm), ", on the side cut away" if before else ""
    canvas.label(
        flat.mean(axis=0),
        width if canvas.terse else f"leak {width}{where}",
        area,
        BODY_PX,
        bold=True,
        avoid=avoid,
        away_from=at(fit.centre),
    )


def _side_labels(
    canvas: Canvas, fit: Fit, frame: FitFrame, area: Box, at: Flatten, avoid: np.ndarray
) -> None:
    project = at
    ostium = frame.vein.ostium
    face_on = _seen_from_face(ostium.normal, frame)
    ends = project(ostium.contour.points if face_on else plane_trace(fit, frame))
    inside = [e for e in ends if area.holds(Box(e[0], e[1], e[0], e[1]))]
    middle = ends.mean(axis=0)
    # The end with more room around it, toward the picture's rim.
    anchor = max(inside, key=lambda e: e[1], default=middle)
    if not canvas.terse:
        words = "ostium" if face_on else "ostial plane"
        canvas.label(anchor, words, area, SMALL_PX, colour=PLANE, avoid=avoid, away_from=middle)
    if fit.centre is None:
        return
    equator = _equator(fit, frame)
    flat = None if equator is None else project(equator)
    if flat is not None:
        canvas.line(flat, BALLOON_LINE, 2.2, dash=(8.0, 5.0), casing=None, clip=area, above=1.9)
    centre = project(fit.centre)
    foot = fit.centre - ((fit.centre - ostium.centre) @ ostium.normal) * ostium.normal
    if fit.depth_mm is not None and abs(fit.depth_mm) > 2.0 and not face_on:
        arrow(canvas, project(foot), centre, INK, 2.2, both=True, clip=area)
        canvas.label(
            0.5 * (project(foot) + centre),
            f"{'' if canvas.terse else 'depth '}{number(fit.depth_mm)} mm",
            area,
            SMALL_PX,
            avoid=avoid,
        )
    if canvas.terse or flat is None:
        return
    end = equator_end(flat, anchor, APART_PX * canvas.unit)
    canvas.label(end, "equator", area, SMALL_PX, colour=BALLOON_LINE, avoid=avoid, away_from=centre)
