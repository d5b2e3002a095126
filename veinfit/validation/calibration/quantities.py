"""The quantities that are fitted, and the settings that they stand for.

Push, guide and shaft act by their ratio to the wall's stiffness alone: the
stiffness is held, and each of them is fitted as a factor on its starting value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from veinfit.settings import Settings
from veinfit.vectors import FloatArray


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity that is fitted.

    Attributes
    ----------
    name : str
        The setting that holds it, with its group.
    words : str
        What a reader calls it.
    start, low, high : float
        Its starting value and the range in which it is sought, in the setting's unit.
    logarithmic : bool
        Whether factors matter, not differences.
    uncertainty : str
        The setting that holds its uncertainty.
    """

    name: str
    words: str
    start: float
    low: float
    high: float
    logarithmic: bool
    uncertainty: str

    def at(self, share: FloatArray) -> FloatArray:
        """Values (N,) at shares (N,) of the range, 0 to 1."""
        if self.logarithmic:
            return np.asarray(self.low * (self.high / self.low) ** share)
        return np.asarray(self.low + (self.high - self.low) * share)

    def share(self, value: float) -> float:
        """Where a value lies in the range, 0 to 1."""
        if self.logarithmic:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    @property
    def width(self) -> float:
        """The whole range in the unit of the uncertainty: a logarithm, or mm."""
        return math.log(self.high / self.low) if self.logarithmic else self.high - self.low


def quantities(settings: Settings) -> tuple[Quantity, ...]:
    """Return what can be fitted from these settings on; a spring that is 0 stays 0."""
    seating, margin = settings.seating, settings.margin
    springs = (
        ("push", "greatest_push_n", seating.greatest_push_n, 2.0),
        ("guide", "guide_n_per_mm", seating.guide_n_per_mm, 2.5),
        ("shaft", "shaft_n_per_mm", seating.shaft_n_per_mm, 2.5),
    )
    found = [
        Quantity(
            f"seating.{setting}", words, value, value / reach, value * reach, True,
            f"margin.{words}_calibration",
        )
        for words, setting, value, reach in springs
        if value > 0.0
    ]  # fmt: skip
    scatter = margin.direction_sd_deg
    if scatter > 0.0:
        name, uncertainty = "margin.direction_sd_deg", "margin.direction_calibration"
        found.append(
            Quantity(name, "scatter", scatter, scatter / 2.0, scatter * 2.0, True, uncertainty)
        )
    name, uncertainty = "seating.contact_tolerance_mm", "margin.tolerance_calibration_mm"
    start = seating.contact_tolerance_mm
    low, high = min(0.1, start), max(1.2, 2.0 * start)
    found.append(Quantity(name, "tolerance", start, low, high, False, uncertainty))
    return tuple(found)
