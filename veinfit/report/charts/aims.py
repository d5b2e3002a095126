"""The aim map: from where a balloon seals without being deep, in words and as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.frames import clock_direction, clock_hours, side_words
from veinfit.report.colours import (
    CONTACT,
    INK,
    LEAK,
    MUTED,
    PAPER,
    GapBand,
    colour_on_ring,
    over_widest,
)
from veinfit.report.render.drawing import Circle, Drawing, Line, Shape, Words, path
from veinfit.report.render.plot import ticks
from veinfit.report.wording import SPACE, column_title, either, hours, number
from veinfit.seating.model import Aim, Fit

RADIUS_PX = 100.0
"""Radius of the greatest tilt in the picture."""

CENTRE_SHARE = 0.5
"""The middle cell reaches so far toward the first tilt."""


def aim_words(aims: Sequence[Aim]) -> str:
    """Say from where one balloon seals one vein, as a phrase that follows the balloon's name.

    Parameters
    ----------
    aims : sequence of Aim
        All directions of one vein, balloon and approach.

    Returns
    -------
    str
        Empty where no direction was tried.
    """
    if not aims:
        return ""
    good = [aim for aim in aims if aim.antral]
    bad = [aim for aim in aims if not aim.antral]
    seals = "seals without lying deep" if any(aim.sealed for aim in bad) else "seals"
    if not good:
        return f"{seals} from none of {len(aims)} directions"
    if not bad:
        return f"{seals} from all {len(aims)} directions"
    # The smaller part is the shorter to tell.
    told = f"{seals} from {len(good)} of {len(aims)} directions"
    if len(bad) < len(good):
        return f"{told}, not when the shaft {_places(bad, aims)}"
    return f"{told}, when the shaft {_places(good, aims)}"


def _places(some: Sequence[Aim], aims: Sequence[Aim]) -> str:
    """Say where some directions of a map lie."""
    straight = any(aim.shaft_clock_h is None for aim in some)
    tilted = [aim for aim in some if aim.shaft_clock_h is not None]
    told = ["lies along the vein's axis"] if straight else []
    told += [_sector_words(group, aims) for group in _sectors(tilted, aims)]
    return either(told)


def _hour(aim: Aim) -> float | None:
    """Return an aim's clock position, 0 to 12; None straight along the axis."""
    return None if aim.shaft_clock_h is None else aim.shaft_clock_h % 12.0


def _hours(aims: Sequence[Aim]) -> list[float]:
    return sorted({aim.shaft_clock_h % 12.0 for aim in aims if aim.shaft_clock_h is not None})


def _sectors(good: Sequence[Aim], aims: Sequence[Aim]) -> list[list[Aim]]:
    """Divide directions that seal into runs of neighbouring clock positions of the map."""
    every, seal = _hours(aims), set(_hours(good))
    if set(every) == seal:
        # All the way round: one run, in which no side is named.
        return [list(good)] if good else []
    start = next(k for k, hour in enumerate(every) if hour not in seal)
    turned = every[start:] + every[:start]
    runs = [list(run) for kept, run in groupby(turned, key=lambda hour: hour in seal) if kept]
    return [[aim for hour in run for aim in good if _hour(aim) == hour] for run in runs]


def _sector_words(group: Sequence[Aim], aims: Sequence[Aim]) -> str:
    """Say where a sector lies, and whether all directions within it are of this kind."""
    tilts = [aim.shaft_tilt_deg for aim in group]
    low, high = min(tilts), max(tilts)
    clock = [hour for hour in dict.fromkeys(map(_hour, group)) if hour is not None]
    within = sum(_hour(aim) in clock and low <= aim.shaft_tilt_deg <= high for aim in aims)
    tilt = f"{number(low, 0)} to {number(high, 0)}°" if high - low >= 0.5 else f"{number(low, 0)}°"
    some = len(group) < within
    if len(clock) == len(_hours(aims)):
        return f"points {tilt} off axis in {'some directions' if some else 'any direction'}"
    middle = clock[len(clock) // 2]
    side = next(aim.shaft_side for aim in group if _hour(aim) == middle)
    first, last = hours(clock[0]), hours(clock[-1])
    where = first if first == last else f"{first.partition(SPACE)[0]} to {last}"
    return f"points {tilt} {side} ({where}{', in part' if some else ''})"


def aim_key(bands: tuple[GapBand, ...]) -> str:
    """Return what an aim map shows.

    Parameters
    ----------
    bands : tuple of GapBand
        Of the gap, as the map is coloured.

    Returns
    -------
    str
    """
    return (
        "Direction of the nose around the clock, tilt from the vein's axis outward, seen from the "
        "atrium. Blue with a dot: antral seal. Blue with a small ring: sealed, but deep. Other "
        f"colours: the widest gap, as in the pictures, but darkest: any gap {over_widest(bands)} "
        "mm. Cross: no seat. Large ring: nominal."
    )


def aim_charts(
    vein: Vein, fits: Sequence[Fit], bands: tuple[GapBand, ...]
) -> tuple[tuple[str, Drawing], ...]:
    """Draw the aim map of each fit that has one: its title and the drawing.

    Parameters
    ----------
    vein : Vein
    fits : sequence of Fit
        Of this vein.
    bands : tuple of GapBand
        Colours of the leak widths.

    Returns
    -------
    tuple of (str, Drawing)
    """
    several = len({fit.approach for fit in fits}) > 1
    drawn = []
    for fit in fits:
        if fit.aims:
            title = column_title(fit, with_approach=several)
            drawn.append((title, _chart(vein, fit, bands, title)))
    return tuple(drawn)


def _chart(vein: Vein, fit: Fit, bands: tuple[GapBand, ...], title: str) -> Drawing:
    """Draw directions around the clock by tilt, as seen from the atrium into the vein."""
    aims = fit.aims
    tilts = sorted({aim.shaft_tilt_deg for aim in aims})
    steepest = max([*tilts, fit.misalignment_deg or 0.0, 1.0])
    width, height = 2 * RADIUS_PX + 84.0, 2 * RADIUS_PX + 84.0
    middle = np.array([width / 2, height / 2])
    scale = RADIUS_PX / steepest
    parts: list[Shape] = []
    for aim in sorted(aims, key=lambda aim: -aim.shaft_tilt_deg):
        parts += _cell(aim, aims, tilts, middle, scale, bands)
    for tilt in ticks(0.0, steepest, 3)[1:]:
        parts.append(Circle(middle[0], middle[1], scale * tilt, MUTED, 0.8, (2, 3)))
        x, y = (middle + scale * tilt * np.array([np.sin(0.26), -np.cos(0.26)])).tolist()
        parts.append(Circle(x + 6, y - 4, 9.0, fill=PAPER))
        parts.append(Words(x + 6, y, f"{tilt:g}°", anchor="middle"))
    for hour in (12, 3, 6, 9):
        x, y = (middle + (RADIUS_PX + 15) * _direction(hour)).tolist()
        parts.append(Words(x, y + 4, str(hour), anchor="middle", bold=True))
        word = side_words(clock_direction(float(hour), vein.axis))
        if hour in (12, 6):
            shift = -9 if hour == 12 else 18
            parts.append(Words(x, y + shift, word, anchor="middle", colour=MUTED))
    parts += _nominal(vein, fit, middle, scale)
    return Drawing(
        width, height, tuple(parts),
        f"Aim map of {vein.name} with {title}. It {aim_words(aims)}.",
    )  # fmt: skip


def _direction(hour: float) -> np.ndarray:
    turn = np.radians(30.0 * hour)
    return np.array([np.sin(turn), -np.cos(turn)])


def _cell(
    aim: Aim,
    aims: Sequence[Aim],
    tilts: Sequence[float],
    middle: np.ndarray,
    scale: float,
    bands: tuple[GapBand, ...],
) -> list[Shape]:
    """Draw one direction: as far as half way to its neighbours."""
    k = tilts.index(aim.shaft_tilt_deg)
    outer = aim.shaft_tilt_deg if k + 1 == len(tilts) else 0.5 * (tilts[k] + tilts[k + 1])
    fill = _fill(aim, bands)
    if aim.shaft_clock_h is None:
        outer = outer if len(tilts) > 1 else 1.0
        cells: list[Shape] = [Circle(middle[0], middle[1], scale * outer, PAPER, 1.2, fill=fill)]
        return cells + _sign(aim, middle)
    inner = 0.5 * (tilts[k] + tilts[k - 1]) if k else CENTRE_SHARE * tilts[0]
    half = 6.0 / len(_hours(aims))
    arc = np.linspace(aim.shaft_clock_h - half, aim.shaft_clock_h + half, 13)
    rim = [middle + scale * outer * _direction(h) for h in arc]
    rim += [middle + scale * inner * _direction(h) for h in arc[::-1]]
    cell = path(np.array(rim), PAPER, 1.2, fill=fill, closed=True)
    spot = middle + scale * 0.5 * (inner + outer) * _direction(aim.shaft_clock_h)
    return [cell, *_sign(aim, spot)]


def _fill(aim: Aim, bands: tuple[GapBand, ...]) -> str:
    """Return a direction's colour: blue seals, else the widest gap's; white has no seat."""
    if aim.sealed:
        return CONTACT
    if aim.outcome != "seated" or aim.leak_width_mm is None:
        return PAPER
    # Occluded but not sealed has no gap of contact to show: the narrowest band stands for it.
    return colour_on_ring(max(aim.leak_width_mm, (bands[0].high_mm or 0.0) + 1e-6), bands)


def _sign(aim: Aim, spot: np.ndarray) -> list[Shape]:
    """Mark a direction without colour: dot, seals; small ring, seals but deep; cross, no seat."""
    x, y = spot.tolist()
    if aim.antral:
        return [Circle(x, y, 2.6, fill=INK)]
    if aim.sealed:
        return [Circle(x, y, 2.6, INK, 1.2)]
    if aim.outcome == "seated":
        return []
    arm = 3.5
    return [
        Line(np.array([[x - arm, y - arm], [x + arm, y + arm]]), MUTED, 1.2),
        Line(np.array([[x - arm, y + arm], [x + arm, y - arm]]), MUTED, 1.2),
    ]


def _nominal(vein: Vein, fit: Fit, middle: np.ndarray, scale: float) -> list[Shape]:
    """Mark the nominal direction with a ring."""
    if fit.push_direction is None or fit.misalignment_deg is None:
        return []
    hour = float(clock_hours(fit.push_direction[None], vein.axis)[0])
    x, y = (middle + scale * fit.misalignment_deg * _direction(hour)).tolist()
    return [
        Circle(x, y, 7.0, PAPER, 5.0),
        Circle(x, y, 7.0, LEAK, 2.4),
        Circle(x, y, 1.6, fill=INK),
    ]
