"""The report's colours: told apart by a colour-blind reader and in grey.

Lightness alone orders contact and gaps: contact is the lightest, a blue, and the
wider a gap, the darker and the stronger its colour. Wall beyond the scale is bare,
which is lighter than contact and has the darkest band beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.vectors import FloatArray

CONTACT = "#67bef9"
GAP_BANDS: tuple[tuple[float, str], ...] = (
    (1.0, "#d1780c"),
    (2.0, "#bd3a12"),
    (3.0, "#8d0826"),
    (5.0, "#4f0033"),
)
"""Upper edge of each band of the gap in mm, and its colour: steps of lightness all alike."""

WALL_INNER = "#f0ebe2"
WALL_OUTER = "#c9b8ae"
BALLOON = "#2b8a9a"
BALLOON_LINE = "#0d5563"
PLANE = "#5a2373"
LEAK = "#000000"
DATA = "#0f2a57"
"""What was read or measured, as a line or a point in a chart."""
INK = "#1c232b"
MUTED = "#4d5863"
PAPER = "#ffffff"
ALARM = "#a30000"
"""What puts all of a case in doubt."""
DARK_TONES: dict[str, str] = {
    INK: "#f2f4f6",
    MUTED: "#b8c2cc",
    PAPER: "#14181d",
    PLANE: "#cfa6e2",
    BALLOON_LINE: "#7fd0dc",
    LEAK: "#ffffff",
    ALARM: "#ffa8a0",
}
"""What stands for the colours of lines and writing on a dark ground."""

VEIN_TINTS: tuple[str, ...] = ("#8fb8d9", "#dba98f", "#a9c79a", "#c6a6cf", "#d8c781", "#8cc5c0")
"""Tints of the veins in the overview, in order; names are written beside them."""

APPENDAGE_TINT = "#8a9198"
"""Grey, as no vein is: a pale violet looked like the vein beside which it is often seen."""

STRUCTURE_TINTS: tuple[str, ...] = ("#7a5c00", "#00606b", "#7b2d5b", "#44562a")


@dataclass(frozen=True, slots=True)
class GapBand:
    """One band of the gap scale, from ``low_mm`` (exclusive) to ``high_mm``; None is open."""

    low_mm: float | None
    high_mm: float | None
    colour: str
    label: str


def gap_bands(tolerance_mm: float) -> tuple[GapBand, ...]:
    """Return the scale of the gap: contact first, then wider bands, then beyond the scale.

    Parameters
    ----------
    tolerance_mm : float
        A gap up to this is contact.

    Returns
    -------
    tuple of GapBand
    """
    bands = [GapBand(None, tolerance_mm, CONTACT, f"contact, up to {tolerance_mm:g}")]
    low = tolerance_mm
    for high, colour in GAP_BANDS:
        if high > low:
            bands.append(GapBand(low, high, colour, f"{low:g}–{high:g}"))
            low = high
    bands.append(GapBand(low, None, WALL_INNER, f"over {low:g} or out of reach"))
    return tuple(bands)


def rgb(colour: str) -> FloatArray:
    """Return the (3,) sRGB values, 0 to 1, of a colour written ``#rrggbb``.

    Parameters
    ----------
    colour : str

    Returns
    -------
    (3,) array
    """
    return np.array([int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)])


def band_edges(bands: tuple[GapBand, ...]) -> FloatArray:
    """Return the (K,) inner edges, mm, of K + 1 bands."""
    return np.array([band.high_mm for band in bands[:-1]], dtype=float)


def band_palette(bands: tuple[GapBand, ...]) -> FloatArray:
    """Return the (K + 1, 3) sRGB values of the bands."""
    return np.array([rgb(band.colour) for band in bands])


def colour_of_gap(gap_mm: float, bands: tuple[GapBand, ...]) -> str:
    """Return the colour of the band in which ``gap_mm`` lies."""
    return bands[int(np.searchsorted(band_edges(bands), gap_mm, side="left"))].colour


def colour_on_ring(gap_mm: float, bands: tuple[GapBand, ...]) -> str:
    """Return the colour of a gap on the clock's ring: what is beyond the scale is the widest.

    On the wall that is bare, for most of an atrium is no gap of the balloon's; on the
    ring it is the least gap of its direction, and nothing is wider.
    """
    colour = colour_of_gap(gap_mm, bands)
    return widest_band(bands).colour if colour == bands[-1].colour else colour


def widest_band(bands: tuple[GapBand, ...]) -> GapBand:
    """Return the band with which a ring or a map ends: there it has no upper edge.

    A key beside a ring or a map has to say so, for on the wall the band does end.
    """
    return bands[-2] if len(bands) > 2 else bands[-1]


def over_widest(bands: tuple[GapBand, ...]) -> str:
    """Say what the darkest colour stands for on a ring or a map: ``over 3``."""
    low = widest_band(bands).low_mm
    return f"over {low or 0.0:g}"


def lightness(colour: str) -> float:
    """CIE 1976 lightness L*, 0 to 100, of an sRGB colour (IEC 61966-2-1, CIE 15)."""
    y = relative_luminance(colour)
    return float(116.0 * np.cbrt(y) - 16.0 if y > (6 / 29) ** 3 else y * (29 / 3) ** 3)


def relative_luminance(colour: str) -> float:
    """Relative luminance, 0 to 1, of an sRGB colour (WCAG 2.2)."""
    c = rgb(colour)
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ np.array([0.2126, 0.7152, 0.0722]))


def contrast(a: str, b: str) -> float:
    """Contrast ratio, 1 to 21, of two sRGB colours (WCAG 2.2)."""
    light, dark = sorted((relative_luminance(a), relative_luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
