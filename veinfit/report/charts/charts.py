"""Small drawings of the report: to scale, readable in grey."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.frames import clock_basis, clock_direction
from veinfit.report.colours import CONTACT, DATA, INK, MUTED, PLANE
from veinfit.report.render.drawing import Anchor, Area, Circle, Drawing, Shape, Words, legend, path
from veinfit.report.render.plot import WIDE_PX, Frame, clock_labels, nice_ceiling, ticks
from veinfit.report.wording import axis_title, column_title, number
from veinfit.seating.model import Fit
from veinfit.vectors import FloatArray, unit

SERIES: tuple[tuple[str, tuple[float, ...]], ...] = (
    ("#0d5563", ()),
    ("#b03a2e", (7, 4)),
    ("#5a2373", (2, 3)),
    ("#7a5c00", (9, 3, 2, 3)),
    ("#44562a", (14, 4)),
    ("#1c232b", (1, 3, 1, 3, 6, 3)),
)
"""Colour and dash of each balloon's line, in order: told apart by the dash alone too."""

OSTIUM_PX_PER_MM = 6.5
"""Scale of the ostial section."""

CONTACT_SHARE = 0.35
"""How strongly the range of contact is tinted: lines cross it."""

GREATEST_GAP_MM = 10.0
"""The gap's axis ends here; wider gaps run along the top and are said to: a gap of 40 mm would
press what decides, near contact, into a line."""


def series_style(index: int) -> tuple[str, tuple[float, ...]]:
    """Return colour and dash of the ``index``-th balloon."""
    return SERIES[index % len(SERIES)]


def ostium_chart(vein: Vein, fits: Sequence[Fit]) -> Drawing:
    """Draw the ostial section to scale, seen from the atrium, with the balloons' circles."""
    right, up = _plane_axes(vein)
    contour = _flat(vein.ostium.contour.points - vein.ostium.centre, right, up)
    ends_max, ends_min = calipers(contour)
    # One circle for a size: the approach does not change it.
    sizes = list(dict.fromkeys(fit.balloon_mm for fit in fits))
    reach = max([0.5 * s for s in sizes] + [float(np.abs(contour).max())]) + 4.0
    k, px = OSTIUM_PX_PER_MM, 2 * reach * OSTIUM_PX_PER_MM
    lines = [("solid", "d_max", vein.ostium.measures.d_max_mm)]
    lines.append(("dashed", "d_min", vein.ostium.measures.d_min_mm))
    height = px + 32 + 20 * (len(lines) + len(sizes))
    width = max(px, 250.0)
    middle = np.array([width / 2, px / 2])

    def at(points: FloatArray) -> np.ndarray:
        return middle + k * np.asarray(points) * [1.0, -1.0]

    parts: list[Shape] = [path(at(contour), INK, 2.2, fill="#f0ebe2", closed=True)]
    for index, size in enumerate(sizes):
        colour, dash = series_style(index)
        parts.append(Circle(float(middle[0]), float(middle[1]), 0.5 * size * k, colour, 1.8, dash))
    parts.append(path(at(ends_max), PLANE, 2.0))
    parts.append(path(at(ends_min), PLANE, 2.0, dash=(3, 3)))
    parts += _hours(vein, right, up, middle, 0.5 * px - 10)
    parts.extend(_scale_bar(6, px + 14, 10.0 * k))
    y = px + 20.0
    for style, name, value in lines:
        y += 20
        dash = () if style == "solid" else (3, 3)
        parts.extend(legend(6, y, PLANE, dash, f"{name} {number(value)} mm"))
    for index, size in enumerate(sizes):
        y += 20
        parts.extend(legend(6, y, *series_style(index), f"circle of {size:g} mm, balloon size"))
    return Drawing(
        width, height, tuple(parts),
        f"Ostial section of {vein.name} to scale, seen from the atrium: d_max "
        f"{number(vein.ostium.measures.d_max_mm)} mm, d_min "
        f"{number(vein.ostium.measures.d_min_mm)} mm, with circles of the balloons' diameters.",
    )  # fmt: skip


def _plane_axes(vein: Vein) -> tuple[FloatArray, FloatArray]:
    """Return right and up in the ostial plane for a viewer in the atrium; up is twelve o'clock."""
    n = unit(vein.ostium.normal)
    twelve, _, _ = clock_basis(vein.axis)
    up = unit(twelve - (twelve @ n) * n)
    return np.cross(n, up), up


def _flat(offsets: FloatArray, right: FloatArray, up: FloatArray) -> np.ndarray:
    return np.stack([offsets @ right, offsets @ up], axis=-1)


def calipers(contour: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    """Return the ends of the greatest caliper diameter of a plane contour, and across it.

    Parameters
    ----------
    contour : (N, 2) array

    Returns
    -------
    longest, across : (2, 2) array
        The two points furthest apart; and a line perpendicular to theirs as
        long as the contour is wide in that direction, through the middle of
        its extent along the first.
    """
    from scipy.spatial.distance import pdist, squareform

    distance = squareform(pdist(contour))
    i, j = np.unravel_index(int(np.argmax(distance)), distance.shape)
    longest = contour[[i, j]]
    along = (longest[1] - longest[0]) / max(float(distance[i, j]), 1e-12)
    aside = np.array([-along[1], along[0]])
    spread = (contour - longest[0]) @ aside
    middle = longest.mean(axis=0) - ((longest.mean(axis=0) - longest[0]) @ aside) * aside
    return longest, np.stack([middle + spread.min() * aside, middle + spread.max() * aside])


def _hours(
    vein: Vein, right: FloatArray, up: FloatArray, middle: np.ndarray, radius: float
) -> list[Shape]:
    """Mark twelve, three, six and nine where their half planes about the axis meet the plane."""
    parts: list[Shape] = []
    axis, n = unit(vein.axis), unit(vein.ostium.normal)
    for hour in (12, 3, 6, 9):
        direction = clock_direction(float(hour), axis)
        # Shifted along the axis into the ostial plane: the same half plane.
        direction = direction - (direction @ n) / max(float(axis @ n), 0.2) * axis
        flat = _flat(direction, right, up)
        flat = flat / np.linalg.norm(flat) * [1.0, -1.0]
        x, y = middle + radius * flat
        parts.append(Words(x, y + 4, str(hour), anchor="middle", bold=True))
    return parts


def profile_chart(vein: Vein) -> Drawing | None:
    """Draw the area of the sections along a vein, the ostium marked."""
    s = np.array([section.s_mm for section in vein.sections], dtype=float)
    area = np.array([section.measures.area_mm2 for section in vein.sections], dtype=float)
    if len(s) < 2:
        return None
    left, right = min(float(s.min()), 0.0), float(s.max())
    if right - left < 1e-6:
        return None
    top = nice_ceiling(max(float(area.max()), vein.ostium.measures.area_mm2))
    frame = Frame(340, 250, (left, right), (0.0, top))
    parts = frame.axes(
        axis_title("sections", "s_mm"),
        axis_title("sections", "area_mm2"),
        ticks(left, right),
        ticks(0.0, top),
    )
    parts.append(path(frame.at(s, area), "#0d5563", 2.4))
    foot, head = frame.at(np.zeros(2), np.array([0.0, top]))
    parts.append(path(np.stack([foot, head]), PLANE, 2.0, dash=(6, 3)))
    beside = head[0] + 5
    parts.append(Words(beside, head[1] + 12, "ostium", colour=PLANE))
    x, y = frame.at(np.zeros(1), np.array([vein.ostium.measures.area_mm2]))[0]
    parts.append(Circle(float(x), float(y), 4.0, fill=PLANE))
    if left < vein.trunk_length_mm < right - 1e-6 and not vein.trunk_at_least:
        at = np.full(2, vein.trunk_length_mm)
        ends = frame.at(at, np.array([0.0, top]))
        parts.append(path(ends, MUTED, 1.6, dash=(2, 3)))
        x = float(ends[1][0])
        side: Anchor = "end" if x > 230 else "start"
        offset = -5 if side == "end" else 5
        parts.append(
            Words(x + offset, ends[1][1] + 28, "first branching", anchor=side, colour=MUTED)
        )
    return Drawing(
        frame.width, frame.height, tuple(parts),
        f"Area of the sections of {vein.name} along the vein, from {number(left)} to "
        f"{number(right)} mm; the ostium, of {number(vein.ostium.measures.area_mm2, 0)} mm², "
        "is marked.",
    )  # fmt: skip


def gap_chart(
    vein: Vein, fits: Sequence[Fit], tolerance_mm: float, width: float = WIDE_PX
) -> Drawing | None:
    """Draw the least gap in every direction around the clock, a line for each fit."""
    shown = [fit for fit in fits if len(fit.clock) > 1]
    if not shown:
        return None
    gaps = np.concatenate([[r.gap_mm for r in fit.clock] for fit in shown]).astype(float)
    gaps = gaps[np.isfinite(gaps)]
    least = float(gaps.min()) if len(gaps) else 0.0
    low = -max(1.0, math.ceil(-least))
    widest = float(gaps.max()) if len(gaps) else 1.0
    high = min(GREATEST_GAP_MM, max(2.0, math.ceil(widest)))
    several = len({fit.approach for fit in fits}) > 1
    infinite = any(not np.isfinite(r.gap_mm) for fit in shown for r in fit.clock)
    cut = f"at the top: gaps over {high:g} mm" if widest > high or infinite else ""
    below = 20.0 * (len(shown) + 1 + bool(cut))
    frame = Frame(width, 250 + below, (0.0, 12.0), (low, high), below)
    hours = np.array([0.0, 3.0, 6.0, 9.0, 12.0])
    labels, words = clock_labels(hours.tolist(), vein.axis, width)
    (x0, y0), (x1, y1) = frame.at(np.array([0.0, 12.0]), np.array([tolerance_mm, low])).tolist()
    parts: list[Shape] = [Area(x0, y0, x1 - x0, y1 - y0, CONTACT, CONTACT_SHARE)]
    parts += frame.axes(
        "", axis_title("clock", "gap_mm"), list(hours), ticks(low, high), labels, words
    )
    line = frame.at(np.array([0.0, 12.0]), np.full(2, tolerance_mm))
    parts.append(path(line, DATA, 1.4))
    for row, fit in enumerate(shown):
        colour, dash = series_style(list(fits).index(fit))
        readings = sorted(fit.clock, key=lambda r: r.clock_h)
        at = np.array([r.clock_h for r in readings])
        gap = np.array([r.gap_mm for r in readings], dtype=float)
        parts += _around(frame, at, np.where(np.isfinite(gap), gap, np.inf), high, colour, dash)
        title = column_title(fit, with_approach=several)
        parts.extend(legend(58, 262 + 20 * row, colour, dash, title))
    foot = 248.0 + 20 * len(shown)
    parts.append(Area(58, foot + 4, 34, 12, CONTACT, CONTACT_SHARE))
    parts.append(Words(100, foot + 14, f"contact: up to {tolerance_mm:g} mm"))
    if cut:
        parts.append(Words(58, foot + 34, cut))
    wide = " Gaps wider than the scale run along its top." if cut else ""
    return Drawing(
        frame.width, frame.height, tuple(parts),
        f"Least gap around the clock of {vein.name} for {len(shown)} fits, from twelve o'clock "
        f"clockwise as seen from the atrium; contact is a gap up to {tolerance_mm:g} mm.{wide}",
    )  # fmt: skip


def _around(
    frame: Frame,
    hours: FloatArray,
    gap: FloatArray,
    high: float,
    colour: str,
    dash: tuple[float, ...],
) -> list[Shape]:
    """Draw one line around the clock, closed at twelve, broken where readings are missing."""
    closed_h = np.concatenate([hours, [hours[0] + 12.0]])
    closed_gap = np.minimum(np.concatenate([gap, gap[:1]]), high)
    usual = float(np.median(np.diff(closed_h)))
    breaks = np.flatnonzero(np.diff(closed_h) > 2.5 * usual) + 1
    parts: list[Shape] = []
    for h, g in zip(np.split(closed_h, breaks), np.split(closed_gap, breaks), strict=True):
        inside = h <= 12.0
        if len(h) > 1 and inside.any():
            parts.append(path(frame.at(np.minimum(h, 12.0), g), colour, 2.4, dash=dash))
    return parts


def _scale_bar(x: float, y: float, length: float) -> list[Shape]:
    bar = np.array([[x, y - 5], [x, y + 5], [x, y], [x + length, y], [x + length, y - 5],
                    [x + length, y + 5]])  # fmt: skip
    return [path(bar, INK, 2.0), Words(x + length + 8, y + 4, "10 mm")]
