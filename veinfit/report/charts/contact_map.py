"""The wall around a vein unrolled: where each balloon touches, direction by depth.

Across runs the clock, upward the depth along the ostial normal as in
``clock.csv``; a cell shows the least gap of the wall in it.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.frames import clock_hours, clock_words_apart
from veinfit.report.colours import INK, LEAK, PAPER, PLANE, GapBand, band_edges, band_palette
from veinfit.report.pictures.fit_scene import balloon_axis
from veinfit.report.render.drawing import Circle, Drawing, Pixels, Shape, path
from veinfit.report.render.plot import WIDE_PX, Frame, clock_labels, ticks
from veinfit.report.wording import axis_title, column_title
from veinfit.seating.model import Fit
from veinfit.vectors import FloatArray, IntArray, distinct, unit

COLUMNS = 72
"""Cells around the clock: 5 degrees each."""

CELL_MM = 0.75
"""Height of a cell; the refined wall's edges are at most 0.7 mm."""

SHOWN_GAP_MM = 5.0
"""Depths are shown as far as the wall comes this near to any of the vein's balloons."""

LEAST_REACH_MM = 6.0
"""Depths shown in any case, to both sides of the ostial plane."""

GREATEST_REACH_MM = 40.0
"""Depths shown at most."""

PIXELS_PER_CELL = 4
"""Each cell is drawn this large, so that no viewer blurs its border."""

MAP_HEIGHT_PX = 160.0

MOST_WITH_A_TITLE = 2
"""More narrow maps stand three to a row, where a title upward would lie on the figures."""


@dataclass(frozen=True, slots=True, eq=False)
class ContactMap:
    """One fit's unrolled wall.

    Attributes
    ----------
    gap_mm : (rows, COLUMNS) array
        Least gap in each cell, the deepest row first; NaN where there is no wall.
    warm : (rows, COLUMNS) bool array
        Whether the wall of that gap lies off the freezing zone.
    low_mm, high_mm : float
        Depths at the bottom of the last row and at the top of the first.
    """

    gap_mm: FloatArray
    warm: np.ndarray
    low_mm: float
    high_mm: float


def contact_map(
    vein: Vein, fit: Fit, zone_deg: tuple[float, float], reach_mm: tuple[float, float]
) -> ContactMap | None:
    """Unroll the wall of one fit; None where it has no seat.

    Parameters
    ----------
    vein : Vein
    fit : Fit
    zone_deg : (float, float)
        Polar angles of the freezing zone from the nose.
    reach_mm : (float, float)
        Depths to show.
    """
    low, high = reach_mm
    rows = max(1, math.ceil((high - low) / CELL_MM - 1e-9))
    high = low + rows * CELL_MM
    samples = _samples(vein, fit, low, high)
    if samples is None or fit.centre is None:
        return None
    points, depth, hours, gap = samples
    row = np.floor((high - depth) / CELL_MM).astype(np.int64)
    # The first cell has twelve o'clock in its middle.
    column = np.floor(hours / 12.0 * COLUMNS + 0.5).astype(np.int64) % COLUMNS
    inside = (row >= 0) & (row < rows)
    cell = row[inside] * COLUMNS + column[inside]
    least = np.full(rows * COLUMNS, np.inf)
    np.minimum.at(least, cell, gap[inside])
    # Of all places in a cell the one of least gap, and of these the first, which is put there last.
    nearest = np.flatnonzero(gap[inside] == least[cell])[::-1]
    best = np.full(rows * COLUMNS, -1)
    best[cell[nearest]] = np.flatnonzero(inside)[nearest]
    found = np.flatnonzero(best >= 0)
    best = best[found]
    grid = np.full(rows * COLUMNS, np.nan)
    grid[found] = gap[best]
    warm = np.zeros(rows * COLUMNS, dtype=bool)
    warm[found] = _off_zone(points[best], fit.centre, fit, zone_deg)
    return ContactMap(grid.reshape(rows, COLUMNS), warm.reshape(rows, COLUMNS), low, high)


def _samples(
    vein: Vein, fit: Fit, low_mm: float, high_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray] | None:
    """Return places on the wall with depth, hour and gap: vertices, edge and face middles."""
    if fit.patch is None or fit.patch_gap_mm is None or fit.centre is None:
        return None
    depth_there = (fit.patch.points - vein.ostium.centre) @ vein.ostium.normal
    shown = (depth_there >= low_mm) & (depth_there <= high_mm) & np.isfinite(fit.patch_gap_mm)
    faces: IntArray = fit.patch.faces
    faces = faces[shown[faces].all(axis=1)]
    # One number a pair: far quicker to sort than rows.
    ahead = np.roll(faces, -1, axis=1)
    keys = np.minimum(faces, ahead) * len(shown) + np.maximum(faces, ahead)
    edges = np.stack(np.divmod(distinct(keys.ravel()), len(shown)), axis=1)
    groups = (np.flatnonzero(shown)[:, None], edges, faces)
    points = np.concatenate([_middles(fit.patch.points, group) for group in groups])
    gap = np.concatenate([_middles(fit.patch_gap_mm, group) for group in groups])
    offset = points - vein.ostium.centre
    return points, offset @ vein.ostium.normal, clock_hours(offset, vein.axis), gap


def _middles(values: FloatArray, group: IntArray) -> FloatArray:
    """Return means (N, ...) of values (V, ...) over groups (N, K) of points, column by column."""
    total = values[group[:, 0]]
    for column in group.T[1:]:
        total = total + values[column]
    return np.asarray(total / group.shape[1])


def _off_zone(
    points: FloatArray, centre: FloatArray, fit: Fit, zone_deg: tuple[float, float]
) -> np.ndarray:
    offset = unit(points - centre)
    polar = np.degrees(np.arccos(np.clip(offset @ balloon_axis(fit), -1.0, 1.0)))
    return (polar < zone_deg[0]) | (polar > zone_deg[1])


def shown_depths(vein: Vein, fits: Sequence[Fit]) -> tuple[float, float]:
    """Return the depths, mm, that the maps of all of a vein's fits show, in whole millimetres."""
    low, high = -LEAST_REACH_MM, LEAST_REACH_MM
    for fit in fits:
        if fit.patch is None or fit.patch_gap_mm is None or fit.centre is None:
            continue
        depth = (fit.patch.points - vein.ostium.centre) @ vein.ostium.normal
        near = depth[fit.patch_gap_mm <= SHOWN_GAP_MM]
        if len(near):
            low, high = min(low, float(near.min())), max(high, float(near.max()))
    return (
        math.floor(max(low, -GREATEST_REACH_MM)) + 0.0,
        math.ceil(min(high, GREATEST_REACH_MM)) + 0.0,
    )


def contact_charts(
    vein: Vein,
    fits: Sequence[Fit],
    bands: tuple[GapBand, ...],
    zones: Mapping[str, tuple[float, float]],
    width: float = WIDE_PX,
) -> tuple[tuple[str, Drawing], ...]:
    """Draw each fit's map: its title and the drawing; fits without a seat are left out."""
    return contact_charts_of_widths(vein, fits, bands, zones, (width,))[0]


def contact_charts_of_widths(
    vein: Vein,
    fits: Sequence[Fit],
    bands: tuple[GapBand, ...],
    zones: Mapping[str, tuple[float, float]],
    widths: Sequence[float],
) -> tuple[tuple[tuple[str, Drawing], ...], ...]:
    """Draw the charts of :func:`contact_charts` in several widths from one unrolled wall each."""
    reach = shown_depths(vein, fits)
    several = len({fit.approach for fit in fits}) > 1
    unrolled = [
        (fit, contact_map(vein, fit, zones.get(fit.balloon, (0.0, 90.0)), reach)) for fit in fits
    ]
    shown = [
        (fit, column_title(fit, with_approach=several), found)
        for fit, found in unrolled
        if found is not None
    ]
    crowded = len(shown) > MOST_WITH_A_TITLE
    return tuple(
        tuple(
            (title, _chart(vein, fit, found, bands, title, width, crowded and width < WIDE_PX))
            for fit, title, found in shown
        )
        for width in widths
    )


def map_pixels(unrolled: ContactMap, bands: tuple[GapBand, ...]) -> np.ndarray:
    """Return a map as an (H, W, 3) uint8 picture; contact off the freezing zone is chequered."""
    level = np.searchsorted(band_edges(bands), unrolled.gap_mm, side="left")
    level = np.where(np.isnan(unrolled.gap_mm), 0, level)
    colour = np.rint(255 * band_palette(bands)[level]).astype(np.uint8)
    colour[np.isnan(unrolled.gap_mm)] = 255
    n = PIXELS_PER_CELL
    large = np.repeat(np.repeat(colour, n, axis=0), n, axis=1)
    warm = np.repeat(np.repeat(unrolled.warm & (level == 0), n, axis=0), n, axis=1)
    y, x = np.indices(warm.shape) // (n // 2)
    large[warm & ((x + y) % 2 == 1)] = 255
    return large


def _chart(
    vein: Vein,
    fit: Fit,
    unrolled: ContactMap,
    bands: tuple[GapBand, ...],
    title: str,
    across: float,
    crowded: bool,
) -> Drawing:
    # Half a cell to each side: the first and the last column are cut in the middle of twelve.
    half = 6.0 / COLUMNS
    frame = Frame(
        across, MAP_HEIGHT_PX + 60, (-half, 12.0 - half), (unrolled.low_mm, unrolled.high_mm)
    )
    corners = frame.at(
        np.array([-half, 12.0 - half]), np.array([unrolled.high_mm, unrolled.low_mm])
    )
    (left, top), (width, height) = corners[0].tolist(), (corners[1] - corners[0]).tolist()
    parts: list[Shape] = [Pixels(left, top, width, height, _png(map_pixels(unrolled, bands)))]
    hours = [0.0, 3.0, 6.0, 9.0]
    labels, words = clock_labels(hours, vein.axis, across)
    heights = ticks(unrolled.low_mm, unrolled.high_mm, 5)
    upward = "" if crowded else axis_title("clock", "sealing_depth_mm")
    parts += frame.axes("", upward, hours, heights, labels, words, grid=False)
    zero = frame.at(np.array([-half, 12.0 - half]), np.zeros(2))
    parts += [path(zero, PAPER, 4.0), path(zero, PLANE, 2.2, dash=(9, 5))]
    parts += _sealing_line(fit, frame)
    for leak in fit.leaks:
        place = np.array([leak.x_mm, leak.y_mm, leak.z_mm]) - vein.ostium.centre
        depth = float(np.clip(place @ vein.ostium.normal, unrolled.low_mm, unrolled.high_mm))
        x, y = frame.at(np.array([leak.clock_h]), np.array([depth]))[0].tolist()
        for stroke, thick in ((PAPER, 5.0), (LEAK, 2.4)):
            parts.append(Circle(x, y, 8.0, stroke, thick))
    places = clock_words_apart([leak.clock_h for leak in fit.leaks])
    told = [f"leak {place if place.startswith('between') else f'at {place}'}" for place in places]
    return Drawing(
        frame.width, frame.height, tuple(parts),
        f"Unrolled wall of {vein.name} with {title}: the clock runs to the right, the depth along "
        f"the ostial normal upward into the vein; cells show the least gap"
        f"{'; ' + ', '.join(told) if told else ''}.",
    )  # fmt: skip


def _sealing_line(fit: Fit, frame: Frame) -> list[Shape]:
    """Draw the middle of the contact band as read around the clock, broken where none is."""
    readings = sorted(fit.clock, key=lambda r: r.clock_h)
    runs: list[list[tuple[float, float]]] = [[]]
    for reading in readings:
        if reading.sealing_depth_mm is None:
            runs.append([])
        else:
            runs[-1].append((reading.clock_h, reading.sealing_depth_mm))
    parts: list[Shape] = []
    for run in runs:
        if len(run) > 1:
            line = frame.at(*np.array(run).T)
            parts += [path(line, INK, 3.6), path(line, PAPER, 1.8)]
    return parts


def _png(pixels: np.ndarray) -> bytes:
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(pixels).quantize(16).save(stream, format="PNG", optimize=True)
    return stream.getvalue()
