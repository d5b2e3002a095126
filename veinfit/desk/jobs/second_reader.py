"""Two readers' corrections of one case side by side: how far apart, and what that changes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.seating.model import Fit

SAME_PLACE_MM = 6.0
"""Ostia of two names that are nearer than this are of one vein, called differently."""

LEAST_MM = 0.05
"""Ostia nearer than this are told as one."""


@dataclass(frozen=True, slots=True)
class VeinDifference:
    """What two readers say of one vein.

    Attributes
    ----------
    first, second : str
        Its name; empty where the reader has no such vein.
    apart_mm : float or None
        Distance of the ostia's centres.
    turned_deg : float or None
        Angle between the ostial planes.
    diameters : (float or None, float or None)
        Diameter of the circle of equal area, mm, of the first and the second.
    seats : (str, str)
        Nominal seats by balloon, of the first and the second.
    """

    first: str
    second: str
    apart_mm: float | None
    turned_deg: float | None
    diameters: tuple[float | None, float | None]
    seats: tuple[str, str] = ("", "")

    @property
    def differs(self) -> bool:
        """Whether the readers say anything different."""
        return self.first != self.second or (self.apart_mm or 0.0) > LEAST_MM


def vein_differences(
    first: Anatomy,
    second: Anatomy,
    seats: Callable[[Anatomy, Vein], tuple[Fit, ...]] | None = None,
) -> tuple[VeinDifference, ...]:
    """Return what two readers' corrections make of one anatomy, a vein at a time.

    Parameters
    ----------
    first, second : Anatomy
    seats : callable, optional
        Seats the balloons in a vein; asked where the readers differ.
    """
    found = []
    left = {vein.name: vein for vein in second.veins}
    for one in first.veins:
        other = left.pop(one.name, None) or _near(one, left)
        if other is not None:
            left.pop(other.name, None)
        found.append(_difference(one, other))
    found += [_difference(None, vein) for vein in left.values()]
    if seats is None:
        return tuple(found)
    return tuple(_with_seats(one, first, second, seats) for one in found)


def _near(vein: Vein, among: dict[str, Vein]) -> Vein | None:
    near = [
        (float(np.linalg.norm(v.ostium.centre - vein.ostium.centre)), v) for v in among.values()
    ]
    best = min(near, key=lambda pair: pair[0], default=None)
    return best[1] if best is not None and best[0] < SAME_PLACE_MM else None


def _difference(one: Vein | None, other: Vein | None) -> VeinDifference:
    apart = turned = None
    if one is not None and other is not None:
        apart = round(float(np.linalg.norm(one.ostium.centre - other.ostium.centre)), 2)
        cosine = float(np.clip(one.ostium.normal @ other.ostium.normal, -1.0, 1.0))
        turned = round(float(np.degrees(np.arccos(cosine))), 1)
    sizes = [None if v is None else round(v.ostium.measures.d_area_mm, 2) for v in (one, other)]
    names = [v.name if v is not None else "" for v in (one, other)]
    return VeinDifference(names[0], names[1], apart, turned, (sizes[0], sizes[1]))


def _with_seats(
    one: VeinDifference,
    first: Anatomy,
    second: Anatomy,
    seats: Callable[[Anatomy, Vein], tuple[Fit, ...]],
) -> VeinDifference:
    from dataclasses import replace

    if not one.differs:
        return one
    told = []
    for name, anatomy in ((one.first, first), (one.second, second)):
        vein = next((v for v in anatomy.veins if v.name == name), None)
        told.append("" if vein is None else _seat_words(seats(anatomy, vein)))
    return replace(one, seats=(told[0], told[1]))


def _seat_words(fits: tuple[Fit, ...]) -> str:
    from veinfit.report.wording import verdict

    return "; ".join(f"{fit.balloon}: {verdict(fit)}" for fit in fits)
