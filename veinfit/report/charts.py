"""Small drawings of the report, as inline SVG: to scale, readable in grey."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from veinfit.anatomy.model import Vein
from veinfit.frames import FloatArray, clock_basis, clock_direction, side_words, unit
from veinfit.report.canvas import printable
from veinfit.report.colours import CONTACT, INK, MUTED, PLANE
from veinfit.report.tables import column_title
from veinfit.report.wording import number
from veinfit.seating.model import Fit

SERIES: tuple[tuple[str, str], ...] = (
    ("#0d5563", ""),
    ("#b03a2e", "7 4"),
    ("#5a2373", "2 3"),
    ("#7a5c00", "9 3 2 3"),
    ("#44562a", "14 4"),
    ("#1c232b", "1 3 1 3 6 3"),
)
"""Colour and dash of each balloon's line, in order: told apart by the dash alone too."""

OSTIUM_PX_PER_MM = 6.5
"""Scale of the ostial section."""

GREATEST_GAP_MM = 6.0
"""The gap's axis ends here; wider gaps run along the top and are said to."""

_FONT = 'font-family="inherit" font-size="12"'


def series_style(index: int) -> tuple[str, str]:
    """Return colour and dash of the ``index``-th balloon."""
    return SERIES[index % len(SERIES)]


def ostium_chart(vein: Vein, fits: Sequence[Fit]) -> Markup:
    """Draw the ostial section to scale, seen from the atrium, with the balloons' circles."""
    right, up = _plane_axes(vein)
    contour = _flat(vein.ostium.contour.points - vein.ostium.centre, right, up)
    ends_max, ends_min = calipers(contour)
    # One circle for a size: the approach does not change it.
    sizes = list(dict.fromkeys(fit.balloon_mm for fit in fits))
    reach = max([0.5 * s for s in sizes] + [float(np.abs(contour).max())]) + 4.0
    k, px = OSTIUM_PX_PER_MM, 2 * reach * OSTIUM_PX_PER_MM
    legend = [("solid", "d_max", vein.ostium.measures.d_max_mm)]
    legend.append(("dashed", "d_min", vein.ostium.measures.d_min_mm))
    height = px + 32 + 20 * (len(legend) + len(sizes))
    width = max(px, 250.0)
    middle = np.array([width / 2, px / 2])

    def at(points: FloatArray) -> np.ndarray:
        return middle + k * np.asarray(points) * [1.0, -1.0]

    parts = [path(at(contour), INK, 2.2, fill="#f0ebe2", closed=True)]
    for index, size in enumerate(sizes):
        colour, dash = series_style(index)
        parts.append(
            svg(
                '<circle cx="{}" cy="{}" r="{}" fill="none" stroke="{}" stroke-width="1.8"'
                ' stroke-dasharray="{}"/>',
                *middle, 0.5 * size * k, colour, dash,
            )
        )  # fmt: skip
    parts.append(path(at(ends_max), PLANE, 2.0))
    parts.append(path(at(ends_min), PLANE, 2.0, dash="3 3"))
    parts += _hours(vein, right, up, middle, 0.5 * px - 10)
    parts.append(_scale_bar(6, px + 14, 10.0 * k))
    y = px + 20.0
    for style, name, value in legend:
        y += 20
        dash = "" if style == "solid" else "3 3"
        parts.append(_legend(6, y, PLANE, dash, f"{name} {number(value)} mm"))
    for index, size in enumerate(sizes):
        y += 20
        parts.append(_legend(6, y, *series_style(index), f"circle of {size:g} mm, balloon size"))
    return figure(
        width, height, parts,
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
) -> list[Markup]:
    """Mark twelve, three, six and nine where their half planes about the axis meet the plane."""
    parts = []
    axis, n = unit(vein.axis), unit(vein.ostium.normal)
    for hour in (12, 3, 6, 9):
        way = clock_direction(float(hour), axis)
        # Shifted along the axis into the ostial plane: the same half plane.
        way = way - (way @ n) / max(float(axis @ n), 0.2) * axis
        flat = _flat(way, right, up)
        flat = flat / np.linalg.norm(flat) * [1.0, -1.0]
        x, y = middle + radius * flat
        parts.append(text(x, y + 4, str(hour), anchor="middle", bold=True))
    return parts


def profile_chart(vein: Vein) -> Markup:
    """Draw the area of the sections along a vein, the ostium marked."""
    s = np.array([section.s_mm for section in vein.sections], dtype=float)
    area = np.array([section.measures.area_mm2 for section in vein.sections], dtype=float)
    if len(s) < 2:
        return Markup("")
    left, right = min(float(s.min()), 0.0), float(s.max())
    if right - left < 1e-6:
        return Markup("")
    top = _nice_ceiling(max(float(area.max()), vein.ostium.measures.area_mm2))
    frame = Frame(340, 250, (left, right), (0.0, top))
    parts = frame.axes(
        "along the vein from the ostium, mm",
        "area of the section, mm²",
        ticks(left, right),
        ticks(0.0, top),
    )
    parts.append(path(frame.at(s, area), "#0d5563", 2.4))
    foot, head = frame.at(np.zeros(2), np.array([0.0, top]))
    parts.append(path(np.stack([foot, head]), PLANE, 2.0, dash="6 3"))
    beside = head[0] + 5
    parts.append(text(beside, head[1] + 12, "ostium", colour=PLANE))
    x, y = frame.at(np.zeros(1), np.array([vein.ostium.measures.area_mm2]))[0]
    parts.append(svg('<circle cx="{}" cy="{}" r="4" fill="{}"/>', x, y, PLANE))
    if left < vein.trunk_length_mm < right - 1e-6 and not vein.trunk_at_least:
        at = np.full(2, vein.trunk_length_mm)
        ends = frame.at(at, np.array([0.0, top]))
        parts.append(path(ends, MUTED, 1.6, dash="2 3"))
        x = float(ends[1][0])
        side = "end" if x > 230 else "start"
        offset = -5 if side == "end" else 5
        parts.append(
            text(x + offset, ends[1][1] + 28, "first branching", anchor=side, colour=MUTED)
        )
    return figure(
        frame.width, frame.height, parts,
        f"Area of the sections of {vein.name} along the vein, from {number(left)} to "
        f"{number(right)} mm; the ostium, of {number(vein.ostium.measures.area_mm2, 0)} mm², "
        "is marked.",
    )  # fmt: skip


def gap_chart(vein: Vein, fits: Sequence[Fit], tolerance_mm: float) -> Markup:
    """Draw the least gap in every direction around the clock, a line for each fit."""
    shown = [fit for fit in fits if len(fit.clock) > 1]
    if not shown:
        return Markup("")
    gaps = np.concatenate([[r.gap_mm for r in fit.clock] for fit in shown]).astype(float)
    gaps = gaps[np.isfinite(gaps)]
    least = float(gaps.min()) if len(gaps) else 0.0
    low = -max(1.0, math.ceil(-least))
    widest = float(gaps.max()) if len(gaps) else 1.0
    high = min(GREATEST_GAP_MM, max(2.0, math.ceil(widest)))
    several = len({fit.approach for fit in fits}) > 1
    below = 20.0 * len(shown)
    frame = Frame(620, 310 + below, (0.0, 12.0), (low, high), below)
    hours = np.array([0.0, 3.0, 6.0, 9.0, 12.0])
    axis = vein.axis
    words = [side_words(clock_direction(h, axis)) for h in hours]
    parts = []
    band = frame.at(np.array([0.0, 12.0]), np.array([tolerance_mm, low]))
    parts.append(
        svg(
            '<rect x="{}" y="{}" width="{}" height="{}" fill="{}" fill-opacity="0.13"/>',
            band[0][0], band[0][1], band[1][0] - band[0][0], band[1][1] - band[0][1], CONTACT,
        )
    )  # fmt: skip
    labels = [f"{int(h) or 12} h" for h in hours]
    parts += frame.axes("", "least gap, mm", list(hours), ticks(low, high), labels, words)
    line = frame.at(np.array([0.0, 12.0]), np.full(2, tolerance_mm))
    parts.append(path(line, CONTACT, 1.4))
    parts.append(
        text(line[1][0] - 4, line[1][1] + 15, f"contact: up to {tolerance_mm:g} mm",
              anchor="end", colour=CONTACT)
    )  # fmt: skip
    for row, fit in enumerate(shown):
        colour, dash = series_style(list(fits).index(fit))
        readings = sorted(fit.clock, key=lambda r: r.clock_h)
        at = np.array([r.clock_h for r in readings])
        gap = np.array([r.gap_mm for r in readings], dtype=float)
        parts += _around(frame, at, np.where(np.isfinite(gap), gap, np.inf), high, colour, dash)
        title = column_title(fit, with_approach=several)
        parts.append(_legend(58, 322 + 20 * row, colour, dash, title))
    wide = " Gaps wider than the scale run along its top." if widest > high else ""
    return figure(
        frame.width, frame.height, parts,
        f"Least gap around the clock of {vein.name} for {len(shown)} fits, from twelve o'clock "
        f"clockwise as seen from the atrium; contact is a gap up to {tolerance_mm:g} mm.{wide}",
    )  # fmt: skip


def _around(
    frame: Frame, hours: FloatArray, gap: FloatArray, high: float, colour: str, dash: str
) -> list[Markup]:
    """Draw one line around the clock, closed at twelve, broken where readings are missing."""
    closed_h = np.concatenate([hours, [hours[0] + 12.0]])
    closed_gap = np.minimum(np.concatenate([gap, gap[:1]]), high)
    usual = float(np.median(np.diff(closed_h)))
    breaks = np.flatnonzero(np.diff(closed_h) > 2.5 * usual) + 1
    parts = []
    for h, g in zip(np.split(closed_h, breaks), np.split(closed_gap, breaks), strict=True):
        inside = h <= 12.0
        if len(h) > 1 and inside.any():
            parts.append(path(frame.at(np.minimum(h, 12.0), g), colour, 2.4, dash=dash))
    return parts


class Frame:
    """A plot's axes: takes values to pixels."""

    def __init__(
        self,
        width: float,
        height: float,
        across: tuple[float, float],
        up: tuple[float, float],
        below: float = 0.0,
    ) -> None:
        self.width, self.height = width, height
        self._across, self._up = across, up
        self._left, self._right = 58.0, width - 16.0
        self._top, self._bottom = 12.0, height - 48.0 - below

    def at(self, x: FloatArray, y: FloatArray) -> np.ndarray:
        """Return pixels (N, 2) of values."""
        (x0, x1), (y0, y1) = self._across, self._up
        u = self._left + (np.asarray(x) - x0) / (x1 - x0) * (self._right - self._left)
        v = self._bottom - (np.asarray(y) - y0) / (y1 - y0) * (self._bottom - self._top)
        return np.stack([u, v], axis=-1)

    def axes(
        self,
        across: str,
        up: str,
        x_ticks: Sequence[float],
        y_ticks: Sequence[float],
        x_labels: Sequence[str] | None = None,
        x_words: Sequence[str] | None = None,
        *,
        grid: bool = True,
    ) -> list[Markup]:
        """Return frame, ticks and titles."""
        parts = []
        for value in y_ticks:
            ends = self.at(np.array(self._across), np.full(2, value))
            if grid:
                parts.append(path(ends, "#d4d9dd" if value else MUTED, 1.0))
            parts.append(text(self._left - 7, ends[0][1] + 4, _plain(value), anchor="end"))
        for k, value in enumerate(x_ticks):
            x = float(self.at(np.array([value]), np.zeros(1))[0][0])
            feet = np.array([[x, self._bottom], [x, self._bottom + 5]])
            parts.append(path(feet, INK, 1.0))
            anchor = "middle"
            if x_labels is not None and not self._left + 12 < x < self._right - 12:
                anchor = "start" if k == 0 else "end"
            label = _plain(value) if x_labels is None else x_labels[k]
            shift = {"start": -12.0, "end": 12.0, "middle": 0.0}[anchor]
            parts.append(text(x + shift, self._bottom + 19, label, anchor=anchor))
            if x_words is not None:
                parts.append(
                    text(x + shift, self._bottom + 34, x_words[k], anchor=anchor, colour=MUTED)
                )
        box = np.array(
            [[self._left, self._top], [self._left, self._bottom], [self._right, self._bottom]]
        )
        parts.append(path(box, INK, 1.2))
        if across:
            middle = 0.5 * (self._left + self._right)
            parts.append(text(middle, self._bottom + 38, across, anchor="middle"))
        y = 0.5 * (self._top + self._bottom)
        parts.append(
            svg(
                '<text x="14" y="{}" transform="rotate(-90 14 {})" text-anchor="middle" '
                'font-family="inherit" font-size="12" fill="{}">{}</text>',
                y, y, INK, up,
            )
        )  # fmt: skip
        return parts


def _plain(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def ticks(low: float, high: float, wanted: int = 6) -> list[float]:
    """Round values between ``low`` and ``high``."""
    step = _nice_step((high - low) / wanted)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def _nice_step(raw: float) -> float:
    power = 10.0 ** math.floor(math.log10(raw))
    return float(next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-9)))


def _nice_ceiling(value: float) -> float:
    step = _nice_step(value / 5)
    return math.ceil(value / step - 1e-9) * step


def svg(template: str, *values: object) -> Markup:
    """Return markup with values put in, escaped; numbers with two decimals."""
    return Markup(template).format(*map(_shown, values))


def _shown(value: object) -> object:
    if isinstance(value, float):
        return f"{value:.2f}"
    # Control characters are no part of any markup.
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def path(
    points: FloatArray,
    colour: str,
    width: float,
    *,
    dash: str = "",
    fill: str = "none",
    closed: bool = False,
) -> Markup:
    """Return a line through points (N, 2)."""
    steps = " ".join(f"{x:.2f},{y:.2f}" for x, y in np.asarray(points, dtype=float).tolist())
    return svg(
        '<{} points="{}" fill="{}" stroke="{}" stroke-width="{}" stroke-dasharray="{}" '
        'stroke-linejoin="round"/>',
        "polygon" if closed else "polyline", steps, fill, colour, float(width), dash or "none",
    )  # fmt: skip


def text(
    x: float, y: float, words: str, *, anchor: str = "start", colour: str = INK, bold: bool = False
) -> Markup:
    """Return one line of writing."""
    return svg(
        '<text x="{}" y="{}" text-anchor="{}" fill="{}" font-weight="{}" ' + _FONT + ">{}</text>",
        float(x), float(y), anchor, colour, "bold" if bold else "normal", words,
    )  # fmt: skip


def _legend(x: float, y: float, colour: str, dash: str, words: str) -> Markup:
    line = path(np.array([[x, y - 4], [x + 34, y - 4]]), colour, 2.4, dash=dash)
    return line + text(x + 42, y, words)


def _scale_bar(x: float, y: float, length: float) -> Markup:
    bar = np.array([[x, y - 5], [x, y + 5], [x, y], [x + length, y], [x + length, y - 5],
                    [x + length, y + 5]])  # fmt: skip
    return path(bar, INK, 2.0) + text(x + length + 8, y + 4, "10 mm")


def figure(width: float, height: float, parts: Sequence[Markup], alt: str) -> Markup:
    """Return a whole drawing with words for those who cannot see it."""
    return svg(
        '<svg viewBox="0 0 {} {}" width="{}" height="{}" role="img" aria-label="{}">{}</svg>',
        float(width), float(height), float(width), float(height), alt, Markup("").join(parts),
    )  # fmt: skip
