"""Which arcs of a vein's circumference stay open, from the readings around the clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.seating.model import Fit


@dataclass(frozen=True, slots=True)
class OpenArc:
    """One stretch of the circumference without contact, clockwise as seen from the atrium.

    Attributes
    ----------
    from_h, to_h : float
        Its ends on the clock, 0 to 12; equal where it goes all round.
    arc_deg : float
    side : str
        Where its middle is, in words.
    """

    from_h: float
    to_h: float
    arc_deg: float
    side: str

    @property
    def words(self) -> str:
        """The arc as one phrase."""
        if self.arc_deg >= 360.0:
            return "all round"
        first, last = (round(hour) % 12 or 12 for hour in (self.from_h, self.to_h))
        hours = f"{first}" if first == last else f"{first} to {last}"
        return f"{self.side}, about {hours} o'clock ({self.arc_deg:.0f}°)"


def open_arcs(fits: Sequence[Fit], tolerance_mm: float) -> tuple[OpenArc, ...]:
    """Return the arcs that stay open with every one of some fits of one vein, widest first.

    A reading stands for the arc around it, half way to its neighbours. A fit
    without readings, such as one that passes through, is open all round.
    """
    readings = [fit.clock for fit in fits if fit.clock]
    if not readings:
        return ()
    is_open = np.ones(len(readings[0]), dtype=bool)
    for clock in readings:
        is_open &= np.array([reading.gap_mm > tolerance_mm for reading in clock])
    hours = [reading.clock_h for reading in readings[0]]
    sides = [reading.side for reading in readings[0]]
    count = len(is_open)
    step = 12.0 / count
    if is_open.all():
        return (OpenArc(0.0, 0.0, 360.0, "all round"),)
    arcs = []
    for first in np.flatnonzero(is_open & ~np.roll(is_open, 1)):
        length = 1
        while is_open[(first + length) % count]:
            length += 1
        last = (first + length - 1) % count
        middle = (first + (length - 1) // 2) % count
        arcs.append(
            OpenArc(
                from_h=(hours[first] - 0.5 * step) % 12.0,
                to_h=(hours[last] + 0.5 * step) % 12.0,
                arc_deg=360.0 * length / count,
                side=sides[middle],
            )
        )
    return tuple(sorted(arcs, key=lambda arc: -arc.arc_deg))
