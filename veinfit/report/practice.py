"""How well the model of the seal does against practice: the calibration's own figures."""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.report.wording import number


@dataclass(frozen=True, slots=True)
class Split:
    """Shares of veins that 28 mm alone, 31 mm alone, both and neither seal in one try."""

    only_smaller: float
    only_larger: float
    both: float
    neither: float

    @property
    def words(self) -> str:
        """The four shares."""
        return (
            f"28 mm alone {number(self.only_smaller, 2)}, 31 mm alone "
            f"{number(self.only_larger, 2)}, both {number(self.both, 2)}, neither "
            f"{number(self.neither, 2)}"
        )


PRACTICE = Split(0.30, 0.22, 0.33, 0.15)
"""Common practice, no source."""

HELD_OUT = Split(0.24, 0.21, 0.35, 0.20)
"""The model on drawn atria that were held out of the calibration (README of the seating)."""

AGAINST_PRACTICE = (
    f"How the model does against practice (one try, shares of veins): predicted on "
    f"invented atria held out of the calibration, {HELD_OUT.words}; "
    f"common practice, no published source, {PRACTICE.words}."
)
"""The line that stands beside every table of probabilities."""
