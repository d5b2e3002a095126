"""How well the model of the seal does against practice: the calibration's own figures."""

from __future__ import annotations

from dataclasses import astuple, dataclass

from veinfit.report.wording import number
from veinfit.settings import Settings, describe


@dataclass(frozen=True, slots=True)
class Split:
    """Shares of veins that 28 mm alone, 31 mm alone, both and neither seal in one try."""

    only_smaller: float
    only_larger: float
    both: float
    neither: float


PRACTICE = Split(0.30, 0.22, 0.33, 0.15)
"""Common practice, no source."""

HELD_OUT = Split(0.28, 0.19, 0.33, 0.20)
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
"""The line that stands beside a table of probabilities of the default settings."""

BESIDE_THE_POINT = {
    "seating": {
        "grade_small_leak_mm2", "grade_moderate_leak_mm2", "growth_what_if_mm", "growth_in_place",
        "plan_below_probability", "crossing_map", "crossing_map_radius_mm", "loop_diameter_mm",
    },
    "margin": {
        "samples", "chains_per_patient", "steered_attempts", "greatest_steering_deg",
        "kept_scatter_share", "seed", "aim_tilt_step_deg", "greatest_aim_tilt_deg",
        "keep_attempts", "shape_calibration", "push_calibration", "guide_calibration",
        "shaft_calibration", "direction_calibration", "tolerance_calibration_mm",
    },
}  # fmt: skip
"""Settings of seat and margin on which the chance that one try seals does not depend."""


def against_practice(settings: Settings) -> str:
    """Return how the model does against practice; where that is not known, why.

    Parameters
    ----------
    settings : Settings
        Of the case.

    Returns
    -------
    str
    """
    other = [
        f"{group}.{name}"
        for (group, name, value, _), (*_, usual, _) in zip(
            describe(settings), describe(Settings()), strict=True
        )
        if group in BESIDE_THE_POINT and name not in BESIDE_THE_POINT[group] and value != usual
    ]
    if not other:
        return AGAINST_PRACTICE
    more = f" and {len(other) - 1} more" if len(other) > 1 else ""
    verb = "differ" if more else "differs"
    return (
        "Model against practice: known for the default settings alone; here "
        f"{other[0]}{more} {verb} from them."
    )
