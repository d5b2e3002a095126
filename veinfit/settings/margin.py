"""The margin: how a balloon may come to lie, and how that is sampled."""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.settings.parameter import parameter


@dataclass(frozen=True, slots=True)
class MarginSettings:
    """How a balloon may come to lie: how the unknowns are distributed, and the sample drawn.

    A spread is the standard deviation of the natural logarithm: 0.2 is about 20 %.
    """

    samples: int = parameter(
        64,
        unit="1",
        meaning="chains of tries simulated of every balloon in every vein of a case, a power of "
        "two; 0: none (seat() of the library takes its argument tries instead)",
        basis="sampling error of a probability at most 0.07, and a case stays in seconds",
        low=0,
        high=65536,
        power_of_two=True,
    )
    chains_per_patient: int = parameter(
        8,
        unit="1",
        meaning="chains of tries that share one draw of the patient's unknowns, a power of two",
        basis="convention of this project: as many draws of the patient as chains of each",
        low=1,
        high=1024,
        power_of_two=True,
    )
    steered_attempts: int = parameter(
        3,
        unit="1",
        meaning="tries in a chain at most: the first and those after repositioning",
        basis="convention of this project; 1.84 manoeuvres a vein are published (Pongratz 2022)",
        low=1,
        high=10,
    )
    greatest_steering_deg: float = parameter(
        15.0,
        unit="deg",
        meaning="greatest turn of the shaft from one try of a chain to the next",
        basis="an estimate, no source: a fine turn of a sheath that bends by 150 degrees",
        low=0.0,
        high=90.0,
    )
    kept_scatter_share: float = parameter(
        0.8,
        unit="1",
        meaning=(
            "share of the variance of direction, place, guide and springs that stays from one try "
            "of a chain to the next"
        ),
        basis=(
            "fitted: 28 mm then occludes within three steered tries as often as published, 0.82 "
            "to 0.92 (abstract, scite P9DGK0)"
        ),
        low=0.0,
        high=1.0,
    )
    seed: int = parameter(
        1,
        unit="1",
        meaning="start of the random numbers: the same seed gives the same result",
        basis="any number serves",
        low=0,
        high=2**31 - 1,
    )
    direction_sd_deg: float = parameter(
        22.0,
        unit="deg",
        meaning="scatter (SD) of the push direction about the approach, in each of two planes",
        basis=(
            "fitted to common practice (no source) on drawn atria of the real kind, "
            "together with push, shaft and shaft_offset_sd_mm; it includes what turns "
            "the shaft and is not seen"
        ),
        low=0.0,
        high=60.0,
    )
    push_spread: float = parameter(
        0.22,
        unit="1",
        meaning="spread of the push from try to try",
        basis=(
            "a ratio of 2.4 from two standard deviations below the middle to two above; taken over "
            "from an earlier wall, no source"
        ),
        low=0.0,
        high=2.0,
    )
    guide_spread: float = parameter(
        0.3,
        unit="1",
        meaning="spread of the guide's spring from try to try",
        basis="an estimate: no source; how far the guide lies in the vein is not known beforehand",
        low=0.0,
        high=2.0,
    )
    shaft_spread: float = parameter(
        0.3,
        unit="1",
        meaning="spread of the shaft's spring from try to try",
        basis="as guide_spread",
        low=0.0,
        high=2.0,
    )
    shaft_offset_sd_mm: float = parameter(
        3.5,
        unit="mm",
        meaning=(
            "scatter (SD) from try to try of how far the shaft's line runs beside the ostial "
            "centre, in each of two directions"
        ),
        basis=(
            "fitted to common practice (no source) on drawn atria of the real kind, "
            "together with push, shaft and direction_sd_deg: nothing but fluoroscopy aims "
            "the sheath"
        ),
        low=0.0,
        high=15.0,
    )
    guide_lean_sd_deg: float = parameter(
        7.0,
        unit="deg",
        meaning=(
            "scatter (SD) from try to try of how the guide leans from the centreline, about the "
            "ostial centre, in each of two planes"
        ),
        basis=(
            "an estimate, no source: the guide lies in another branch, or against another wall, of "
            "the vein; 8 mm aside at 20 mm depth is 22 degrees; calibrated against common practice "
            "(no source) from 10"
        ),
        low=0.0,
        high=60.0,
    )
    stiffness_spread: float = parameter(
        0.2,
        unit="1",
        meaning="spread of the wall's stiffness from patient to patient",
        basis=(
            "a ratio of 1.5 from one standard deviation below the middle to one above; taken over "
            "from an earlier wall, no source"
        ),
        low=0.0,
        high=2.0,
    )
    shape_stiffness_spread: float = parameter(
        0.5,
        unit="1",
        meaning="spread of shape_stiffness_n_per_mm over stiffness from patient to patient",
        basis="an estimate, no source: what tethers the wall from outside is unknown",
        low=0.0,
        high=3.0,
    )
    surface_offset_sd_mm: float = parameter(
        0.5,
        unit="mm",
        meaning="spread (SD) of the true surface about the segmented one, from patient to patient",
        basis="about a voxel of cardiac CT",
        low=0.0,
        high=3.0,
    )
    aim_tilt_step_deg: float = parameter(
        10.0,
        unit="deg",
        meaning="step of the tilts of the aim map; 0: no aim map",
        basis="about half the scatter of a try",
        low=0.0,
        high=45.0,
    )
    greatest_aim_tilt_deg: float = parameter(
        40.0,
        unit="deg",
        meaning="greatest tilt of the aim map from the vein's axis",
        basis="convention of this project: beyond, the balloon's nose points at the vein's wall",
        low=0.0,
        high=80.0,
    )
    keep_attempts: bool = parameter(
        False,
        unit="1",
        meaning="whether every try is written as a row of attempts.csv",
        basis="for researchers; some 100 rows for each vein and balloon",
    )
    shape_calibration: float = parameter(
        0.5,
        unit="1",
        meaning="uncertainty (SD of the logarithm) of seating.shape_stiffness_n_per_mm",
        basis="sheets without tether and with 0.5 kPa/mm lie 0.7 below and above the default",
        low=0.0,
        high=3.0,
    )
    push_calibration: float = parameter(
        0.24,
        unit="1",
        meaning="uncertainty (SD of the logarithm) of the push over the stiffness",
        basis=(
            "standard deviation that the fit to common practice leaves (veinfit practice --fit)"
        ),
        low=0.0,
        high=2.0,
    )
    guide_calibration: float = parameter(
        0.4,
        unit="1",
        meaning="uncertainty (SD of the logarithm) of the guide's spring over the stiffness",
        basis=("an estimate, no source: the fit to common practice keeps the guide fixed"),
        low=0.0,
        high=2.0,
    )
    shaft_calibration: float = parameter(
        0.35,
        unit="1",
        meaning="uncertainty (SD of the logarithm) of the shaft's spring over the stiffness",
        basis=(
            "standard deviation that the fit to common practice leaves (veinfit practice --fit)"
        ),
        low=0.0,
        high=2.0,
    )
    direction_calibration: float = parameter(
        0.18,
        unit="1",
        meaning="uncertainty (SD of the logarithm) of direction_sd_deg",
        basis=(
            "standard deviation that the fit to common practice leaves (veinfit practice "
            "--fit); it stands for the scatter of shaft_offset_sd_mm and guide_lean_sd_deg "
            "too"
        ),
        low=0.0,
        high=2.0,
    )
    tolerance_calibration_mm: float = parameter(
        0.2,
        unit="mm",
        meaning="uncertainty (SD) of seating.contact_tolerance_mm",
        basis="an estimate, no source: less than half a voxel of cardiac CT",
        low=0.0,
        high=2.0,
    )
