"""How well the model of the seal does against practice: the calibration's own figures."""

from __future__ import annotations

from dataclasses import astuple, dataclass

from veinfit.report.wording import number


@dataclass(frozen=True, slots=True)
class Split:
    """Shares of veins that 28 mm alone, 31 mm alone, both and neither seal in one try."""

    only_smaller: float
    only_larger: float
    both: float
    neither: float


PRACTICE = Split(0.30, 0.22, 0.33, 0.15)
"""Common practice, no source."""

HELD_OUT = Split(0.25, 0.22, 0.34, 0.19)
"""The model on drawn atria that were held out of the calibration (README of the seating)."""

WHO_SEALS = ("28 mm alone seals", "31 mm alone", "both", "neither")

AGAINST_PRACTICE = (
    "Model against practice, shares of veins in one try: "
    + ", ".join(
        f"{who} {number(model, 2)} (practice {number(common, 2)})"
        for who, model, common in zip(WHO_SEALS, astuple(HELD_OUT), astuple(PRACTICE), strict=True)
    )
    + ". Model: invented atria held out of its calibration; practice: common, no source."
)
"""The line that stands beside every table of probabilities."""
