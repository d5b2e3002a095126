"""The picture of one fit: from the side, and from the atrium into the vein."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.frames import FloatArray, unit
from veinfit.report.canvas import BODY_PX, SMALL_PX, TITLE_PX, Box, Canvas, printable, shortened
from veinfit.report.colours import (
    BALLOON_LINE,
    INK,
    LEAK,
    MUTED,
    PAPER,
    PLANE,
    GapBand,
    band_edges,
    colour_of_gap,
    colour_on_ring,
)
from veinfit.report.fit_scene import (
    FitFrame,
    balloon_axis,
    balloon_surface,
    cut_origin,
    ring_radius_mm,
    wall_under,
)
from veinfit.report.scene import plane_segments
from veinfit.report.wording import (
    balloon_title,
    hours,
    leak_mm,
    mark,
    number,
    verdict_sentence,
    yes_no,
)
from veinfit.seating.model import Fit, Leak

Flatten = Callable[[FloatArray], np.ndarray]
"""Takes points (..., 3) to the picture's pixels (..., 2)."""

HEADER_PX, FOOTER_PX, GUTTER_PX = 118.0, 158.0, 8.0
"""Heights of the lines above and below the two views, and the space between them."""

LEAKS_LABELLED = 3
"""So many leaks, the widest first, get a label; all are marked."""


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


def fit_layout(size_px: tuple[int, int]) -> FitLayout:
    """Divide a picture of ``size_px`` into header, two views and footer."""
    u = Canvas(size_px).unit
    gutter = round(GUTTER_PX * u)
    top, bottom = round(HEADER_PX * u), size_px[1] - round(FOOTER_PX * u)
    width = (size_px[0] - 3 * gutter) // 2
    left, right = gutter, size_px[0] - gutter - width
    return FitLayout(
        size_px, Box(left, top, left + width, bottom), Box(right, top, right + width, bottom)
    )


def draw_fit(
    anatomy: Anatomy,
    fit: Fit,
    frame: FitFrame,
    layout: FitLayout,
    bands: tuple[GapBand, ...],
    images: tuple[np.ndarray, np.ndarray],
    profiles: Mapping[str, FloatArray],
) -> bytes:
    """Write on the two flat views of a fit and return the picture as PNG."""
    canvas = Canvas(layout.size_px)
    for image, area in zip(images, (layout.side, layout.axial), strict=True):
        canvas.image(image, int(area.left), int(area.top))
        canvas.box(area, "none", edge="#9aa3ab", above=7.0)
    whole = Box(layout.side.left, layout.side.top, layout.axial.right, layout.side.bottom)
    draw_header(canvas, fit, whole)
    view_title(canvas, layout.side, "From the side, near wall cut away")
    view_title(canvas, layout.axial, "From the atrium into the vein")
    draw_side(canvas, anatomy, fit, frame, layout.side, bands, profiles)
    draw_axial(canvas, fit, frame, layout.axial, bands, profiles)
    draw_footer(canvas, fit, whole, bands)
    return canvas.png()


def draw_header(canvas: Canvas, fit: Fit, below: Box) -> None:
    """Write a fit's title and verdict above the views, which lie in ``below``."""
    u = canvas.unit
    x = below.left + 4 * u
    room = below.right - x
    title = f"{printable(fit.vein)} · {printable(balloon_title(fit))}, {fit.approach}"
    length = len(title)
    while canvas.measure(title, TITLE_PX, bold=True).right > room and length > 8:
        length -= 1
        title = shortened(title, length)
    canvas.text(x, 4 * u, title, TITLE_PX, bold=True)
    radius = 10 * u
    verdict_sign(canvas, fit, np.array([x + radius, 63 * u]), radius)
    _one_line(canvas, x + 30 * u, 50 * u, below.right, verdict_sentence(fit), BODY_PX)


def view_title(canvas: Canvas, area: Box, words: str) -> None:
    """Write above a view how it is seen."""
    u = canvas.unit
    canvas.text(area.left + 4 * u, 86 * u, words, SMALL_PX, colour=MUTED, bold=True)


def verdict_sign(canvas: Canvas, fit: Fit, centre: np.ndarray, radius: float) -> None:
    """Draw the sign of a verdict: a full, half or empty circle, or a dash."""
    sign = mark(fit)
    if sign == "none":
        dash = centre + radius * np.array([[-1.0, 0.0], [1.0, 0.0]])
        canvas.line(dash, INK, 4.0, casing=None)
        return
    canvas.circle(centre, radius, INK if sign == "closed" else PAPER, edge=INK, width=3.0)
    if sign == "half":
        turn = np.linspace(np.pi / 2, 3 * np.pi / 2, 24)
        half = centre + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        canvas.polygon(half, INK, above=2.5)


def _one_line(canvas: Canvas, x: float, y: float, right: float, text: str, size: float) -> None:
    shown = printable(text)
    while canvas.measure(shown, size).right > right - x and len(shown) > 4:
        shown = shortened(shown, len(shown) - 1)
    canvas.text(x, y, shown, size)


def draw_side(
    canvas: Canvas,
    anatomy: Anatomy,
    fit: Fit,
    frame: FitFrame,
    area: Box,
    bands: tuple[GapBand, ...],
    profiles: Mapping[str, FloatArray],
    *,
    scale_bar: bool = True,
    labelled: bool = True,
) -> None:
    """Write on the view from the side: cut, plane, balloon, leak, depth."""
    camera = frame.side
    corner = np.array([area.left, area.top])

    def at(points: FloatArray) -> np.ndarray:
        return camera.project(points)[..., :2] + corner

    canvas.furniture(camera, area, scale_bar=scale_bar)
    origin, towards = cut_origin(fit, frame), camera.towards
    wall_lines, _ = plane_segments(wall_under(anatomy, fit, frame), origin, towards)
    canvas.segments(at(wall_lines), [INK], 2.6, clip=area, above=1.5)
    cut = [at(wall_lines).reshape(-1, 2)]
    if fit.patch is not None and fit.patch_gap_mm is not None:
        gap = finite_gap(fit.patch_gap_mm)
        ends, means = plane_segments(fit.patch, origin, towards, gap)
        painted = means <= band_edges(bands)[-1]
        shades = [colour_of_gap(value, bands) for value in means[painted]]
        canvas.segments(at(ends[painted]), shades, 7.0, casing=INK, clip=area, above=1.6)
    _side_plane(canvas, fit, frame, area, at)
    outline = _outline(fit, at, profiles)
    if outline is not None:
        canvas.line(outline, BALLOON_LINE, 3.0, clip=area, closed=True)
        _balloon_lines(canvas, fit, area, at)
        cut.append(outline)
    avoid = np.concatenate(cut)
    if fit.centre is not None:
        for leak in _by_width(fit)[:1]:
            _leak_in_profile(canvas, fit, leak, frame, area, at, avoid, labelled)
    if not labelled:
        return
    axis, o = unit(frame.vein.axis), frame.vein.ostium.centre
    tail, head = at(np.stack([o + 3.0 * axis, o + 9.0 * axis]))
    canvas.arrow(tail, head, INK, 3.0, clip=area)
    half = 7.0 * canvas.unit
    canvas.reserve(
        *(
            Box(x - half, y - half, x + half, y + half)
            for x, y in (tail + t * (head - tail) for t in np.linspace(0, 1, 6))
        )
    )
    canvas.label(head, "into the vein", area, SMALL_PX, avoid=avoid, away_from=tail)
    _side_labels(canvas, fit, frame, area, at, avoid)


def finite_gap(gap_mm: FloatArray) -> FloatArray:
    """Return gaps with a plain large number where the balloon cannot press the wall."""
    far = 99.0
    return np.nan_to_num(np.minimum(gap_mm, far), nan=far, posinf=far, neginf=far)


def _side_plane(canvas: Canvas, fit: Fit, frame: FitFrame, area: Box, at: Flatten) -> None:
    ends = plane_trace(fit, frame)
    canvas.line(at(ends), PLANE, 2.6, dash=(12.0, 6.0), clip=area, above=2.2)


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


def _outline(fit: Fit, at: Flatten, profiles: Mapping[str, FloatArray]) -> np.ndarray | None:
    from scipy.spatial import ConvexHull

    balloon = balloon_surface(fit, profiles)
    if balloon is None:
        return None
    flat = at(balloon.points)
    return np.asarray(flat[ConvexHull(flat).vertices])


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
    if fit.centre is None:
        return None
    across = unit(np.cross(balloon_axis(fit), frame.side.towards))
    radius = 0.5 * fit.balloon_mm
    return np.stack([fit.centre - radius * across, fit.centre + radius * across])


def _by_width(fit: Fit) -> list[Leak]:
    return sorted(fit.leaks, key=lambda leak: -leak.width_mm)


def leak_point(leak: Leak) -> FloatArray:
    """Return where a leak is, (3,)."""
    return np.array([leak.x_mm, leak.y_mm, leak.z_mm])


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
    where = ", on the side cut away" if before else ""
    canvas.label(
        flat.mean(axis=0),
        f"leak {leak_mm(leak.width_mm)}{where}",
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
    ends = project(plane_trace(fit, frame))
    inside = [e for e in ends if area.holds(Box(e[0], e[1], e[0], e[1]))]
    middle = ends.mean(axis=0)
    # The end with more room around it, toward the picture's rim.
    anchor = max(inside, key=lambda e: e[1], default=middle)
    canvas.label(
        anchor, "ostial plane", area, SMALL_PX, colour=PLANE, avoid=avoid, away_from=middle
    )
    equator = _equator(fit, frame)
    if equator is None or fit.centre is None:
        return
    flat = project(equator)
    canvas.line(flat, BALLOON_LINE, 2.2, dash=(8.0, 5.0), casing=None, clip=area, above=1.9)
    centre = project(fit.centre)
    ostium = frame.vein.ostium
    foot = fit.centre - ((fit.centre - ostium.centre) @ ostium.normal) * ostium.normal
    if fit.depth_mm is not None and abs(fit.depth_mm) > 2.0:
        canvas.arrow(project(foot), centre, INK, 2.2, both=True, clip=area)
        canvas.label(
            0.5 * (project(foot) + centre),
            f"depth {number(fit.depth_mm)} mm",
            area,
            SMALL_PX,
            avoid=avoid,
        )
    end = flat[int(np.argmax(flat[:, 1]))]
    canvas.label(end, "equator", area, SMALL_PX, colour=BALLOON_LINE, avoid=avoid, away_from=centre)


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
    canvas.furniture(camera, area, scale_bar=scale_bar)
    canvas.line(
        at(frame.vein.ostium.contour.points), PLANE, 2.6, dash=(12.0, 6.0), closed=True, clip=area
    )
    outline = _outline(fit, at, profiles)
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
    for k, leak in enumerate(_by_width(fit)):
        spot = at(leak_point(leak))
        canvas.circle(spot, 11 * u, edge=PAPER, width=6.0, clip=area, above=3.0)
        canvas.circle(spot, 11 * u, edge=LEAK, width=3.0, clip=area, above=3.1)
        rim = _ring_point(leak.clock_h, middle, radius - 12 * u)
        canvas.line(np.stack([spot, rim]), LEAK, 2.0, clip=area, above=2.9)
        if k < LEAKS_LABELLED:
            words = f"leak {leak_mm(leak.width_mm)}, {hours(leak.clock_h)}"
            canvas.label(spot, words, area, BODY_PX, bold=True, avoid=together, away_from=rim)


def _ring_point(clock_h: float, middle: np.ndarray, radius: float) -> np.ndarray:
    turn = np.radians(30.0 * clock_h)
    return np.asarray(middle + radius * np.array([np.sin(turn), -np.cos(turn)]))


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
    circle = np.stack([_ring_point(h, middle, radius) for h in turn])
    canvas.line(circle, INK, 13.0, casing=PAPER, above=3.4)
    canvas.line(circle, PAPER, 10.0, casing=None, above=3.5)
    readings = sorted(fit.clock, key=lambda r: r.clock_h)
    if len(readings) > 1:
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
            canvas.text(
                float(spot[0]), float(spot[1]), str(h or 12), BODY_PX,
                across="center", down="center", bold=True, halo=True,
            )
        )  # fmt: skip
    reserved = [_ring_point(h, middle, radius) for h in np.arange(0, 12, 0.125)]
    canvas.reserve(*(Box(x - 8 * u, y - 8 * u, x + 8 * u, y + 8 * u) for x, y in reserved))
    return circle


def draw_footer(canvas: Canvas, fit: Fit, above: Box, bands: tuple[GapBand, ...]) -> None:
    """Write the gap's scale and the figures below the views, which lie in ``above``."""
    u = canvas.unit
    x, y = above.left + 4 * u, above.bottom + 14 * u
    canvas.text(x, y + 11 * u, "Gap to the wall, mm", SMALL_PX, bold=True, down="center")
    x += canvas.measure("Gap to the wall, mm", SMALL_PX, bold=True).right + 16 * u
    start, end = x, above.right
    for band in bands:
        width = canvas.measure(band.label, SMALL_PX).right
        if x + 43 * u + width > end:
            x, y = start, y + 30 * u
        canvas.box(Box(x, y, x + 36 * u, y + 22 * u), band.colour, edge=INK)
        canvas.text(x + 43 * u, y + 11 * u, band.label, SMALL_PX, down="center")
        x += 43 * u + width + 18 * u
    y += 36 * u
    canvas.wrapped(
        Box(above.left + 4 * u, y, above.right, canvas.height),
        figures(fit),
        SMALL_PX,
        lines=4,
    )


def figures(fit: Fit) -> str:
    """Return the figures of a fit in one line."""
    if fit.centre is None:
        return "No figures without a seat."
    stated: list[tuple[object, str]] = [
        (fit.occluded, f"occluded {yes_no(fit.occluded)}"),
        (fit.sealed, f"sealed by cold contact {yes_no(fit.sealed)}"),
        (fit.leak_width_mm, f"leak width {leak_mm(fit.leak_width_mm)}"),
        (
            fit.contact_arc_deg,
            f"contact over {number(fit.contact_arc_deg, 0)}° of the circumference",
        ),
        (fit.contact_area_mm2, f"cold contact area {number(fit.contact_area_mm2, 0)} mm²"),
        (
            fit.depth_mm,
            f"depth of the equator {number(fit.depth_mm)} mm" + (" (deep)" if fit.deep else ""),
        ),
        (fit.nose_depth_mm, f"nose {number(fit.nose_depth_mm)} mm"),
        (fit.antral_area_mm2, f"antral area {number(fit.antral_area_mm2, 0)} mm²"),
    ]
    parts = [words for value, words in stated if value is not None]
    text = "; ".join(parts)
    text = text[:1].upper() + text[1:]
    return (
        f"{text}. Depths from the ostial plane, positive into the vein. "
        f"{fit.approach.capitalize()} approach assumed."
    )
