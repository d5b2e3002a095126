"""Every named parameter of the program with its unit, default and basis.

A settings file is TOML with one table a group, for example::

    [seating]
    greatest_push_n = 0.8

What the file does not name keeps its default; a name that does not exist or a
value out of range is an error that says so, all of them at once.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from veinfit.errors import InputError
from veinfit.toml import read_toml


def parameter(
    default: float | int | bool | str,
    *,
    unit: str,
    meaning: str,
    basis: str,
    low: float = -math.inf,
    high: float = math.inf,
    choices: tuple[str, ...] = (),
    multiple_of: int = 1,
    power_of_two: bool = False,
) -> Any:
    """Declare one setting: its default, unit, meaning, basis and closed range or choices."""
    metadata = {"unit": unit, "meaning": meaning, "basis": basis, "low": low, "high": high}
    metadata |= {"multiple_of": multiple_of, "power_of_two": power_of_two}
    if choices:
        metadata["choices"] = choices
    return field(default=default, metadata=metadata)


@dataclass(frozen=True, slots=True)
class SurfaceSettings:
    """How a surface is made from labels and repaired."""

    smoothing_iterations: int = parameter(
        50,
        unit="1",
        meaning="windowed-sinc iterations over the voxel surface",
        basis="least bias of volume, diameter and perimeter on tubes of 6 to 16 mm",
        low=0,
        high=500,
    )
    smoothing_pass_band: float = parameter(
        0.05,
        unit="1",
        meaning="windowed-sinc pass band",
        basis="as smoothing_iterations; a lower band rings on thin veins",
        low=0.001,
        high=2.0,
    )
    small_hole_mm: float = parameter(
        3.0,
        unit="mm",
        meaning="holes with a perimeter-equivalent diameter below this are filled",
        basis="thinner than the thinnest vein of interest (4 mm); most pinholes are below 1 mm",
        low=0.0,
    )


@dataclass(frozen=True, slots=True)
class AnatomySettings:
    """How veins are found and their ostia placed."""

    common_trunk_mm: float = parameter(
        10.0,
        unit="mm",
        meaning="a trunk is common when shared this far from ostium to carina",
        basis="convention of this project; 15 mm is published",
        low=0.0,
        high=40.0,
    )
    axis_length_mm: float = parameter(
        10.0,
        unit="mm",
        meaning="length over which the vein's axis is fitted",
        basis="convention of this project",
        low=2.0,
        high=40.0,
    )
    section_step_mm: float = parameter(
        1.0,
        unit="mm",
        meaning="distance between sections along a vein",
        basis="at most 1 mm by the definition of a section",
        low=0.1,
        high=1.0,
    )
    sectors: int = parameter(
        36,
        unit="1",
        meaning="sectors around a vein in which the wall's half turn is sought, an even number",
        basis="10 degrees, about 1.5 mm on a vein of 17 mm",
        low=8,
        high=180,
        multiple_of=2,
    )


@dataclass(frozen=True, slots=True)
class SeatingSettings:
    """The mechanics of a balloon against the wall."""

    greatest_push_n: float = parameter(
        0.75,
        unit="N",
        meaning="the push rises to this at most; it stops short where the balloon occludes",
        basis=(
            "fitted to common practice (no source) on drawn atria of the real kind, "
            "together with shaft and scatter; no measured push force was found"
        ),
        low=0.0,
        high=20.0,
    )
    push_beyond_occlusion: float = parameter(
        1.2,
        unit="1",
        meaning="the push at the seat over the least push that occludes",
        basis=(
            "an estimate, no source: operators push a little more than what contrast shows to "
            "close; 'just the pressure that closes' is published technique"
        ),
        low=1.0,
        high=5.0,
    )
    ring_stiffness_kpa_per_mm: float = parameter(
        1.0,
        unit="kPa/mm",
        meaning="stiffness k of the wall at the ostium and in the vein, at small depth",
        basis=(
            "the ring of a 17 mm vein moves by 1.3 mm in a pulse of 1.0 to 1.73 kPa: 0.8 to 1.3 "
            "kPa/mm (derived from published diameters and pressures of different patients)"
        ),
        low=0.01,
        high=1e9,
    )
    body_stiffness_kpa_per_mm: float = parameter(
        0.7,
        unit="kPa/mm",
        meaning="stiffness k of the wall of the atrial body, at small depth",
        basis=(
            "the body moves by 2 to 5 mm in a pulse of 1.0 to 1.73 kPa: 0.2 to 1.0 kPa/mm, the "
            "upper end in chronic fibrillation (derived as ring_stiffness_kpa_per_mm); 0.7 lies in "
            "the upper half, where fibrillating atria are"
        ),
        low=0.01,
        high=1e9,
    )
    locking_depth_mm: float = parameter(
        3.0,
        unit="mm",
        meaning="depth at which the pressure has risen to twice k times the depth; inf is linear",
        basis=(
            "a third of the radius of a ring of 18 mm, a strain at which human atrial tissue "
            "locks (Bellini 2013)"
        ),
        low=0.05,
    )
    shape_stiffness_n_per_mm: float = parameter(
        0.18,
        unit="N/mm",
        meaning=(
            "stiffness K of an oval ostium against being pressed round, by the displacement of "
            "the ends of its short axis; from 1e6 on it keeps its shape"
        ),
        basis=(
            "the geometric mean of an elastic sheet of 2 mm without and with a tether of 0.5 "
            "kPa/mm, 0.09 and 0.36 N/mm at a ring of 8 to 9 mm radius (tests/benchmarks/sheet)"
        ),
        low=0.0,
        high=1e12,
    )
    guide_n_per_mm: float = parameter(
        0.1,
        unit="N/mm",
        meaning="lateral spring toward the guide in the vein",
        basis=(
            "calibrated against common practice (no source) from the 0.15 of a prototype that "
            "agreed with that practice; without it balloons slide away on real atria"
        ),
        low=0.0,
        high=1e9,
    )
    shaft_n_per_mm: float = parameter(
        0.5,
        unit="N/mm",
        meaning="lateral spring toward the shaft line",
        basis=(
            "fitted to common practice (no source) on drawn atria of the real kind, "
            "together with push and scatter, within the 0.4 to 1.4 N/mm of a free end of 20 "
            "to 30 mm of a 5 mm tube of 200 MPa (an estimate), 3EI/L3. With 0 a ball seals "
            "a round hole at any tilt"
        ),
        low=0.0,
        high=1e9,
    )
    sheath_bend_deg: float = parameter(
        150.0,
        unit="deg",
        meaning="greatest bend of the sheath between the septum and the vein",
        basis=(
            "an estimate, no source: with 90 degrees 7 of 16 right inferior veins of a drawn "
            "cohort would be out of reach, with 150 none is, as in the laboratory"
        ),
        low=0.0,
        high=180.0,
    )
    sheath_springback: float = parameter(
        0.2,
        unit="1",
        meaning=(
            "share of the bend from its relaxed direction to the vein's axis by which the end of "
            "the sheath stays short of the axis"
        ),
        basis=(
            "an estimate, no source, calibrated against common practice (no source) from 0.3: it "
            "leaves the shaft 4 degrees off the axis of left and 10 of right veins in the mean "
            "of a drawn cohort"
        ),
        low=0.0,
        high=1.0,
    )
    sheath_straight_mm: float = parameter(
        20.0,
        unit="mm",
        meaning="straight end of sheath and shaft before the ostium, which needs room",
        basis=(
            "an estimate, no source: a 28 mm balloon in a round 20 mm ostium has its centre 10 mm "
            "and its rear end 24 mm before it"
        ),
        low=0.0,
        high=60.0,
    )
    greatest_misalignment_deg: float = parameter(
        60.0,
        unit="deg",
        meaning="a shaft that leans more than this from the vein's axis does not reach the vein",
        basis="an estimate, no source: the balloon's nose then points at the vein's wall",
        low=0.0,
        high=90.0,
    )
    contact_tolerance_mm: float = parameter(
        0.5,
        unit="mm",
        meaning="a gap up to this counts as contact",
        basis=(
            "about a voxel of cardiac CT; the calibration against common practice (no source) asks "
            "for more than 1 mm; held here, because a wider one calls contact what does not touch"
        ),
        low=0.0,
        high=5.0,
    )
    grade_small_leak_mm2: float = parameter(
        10.0,
        unit="mm2",
        meaning="leaks of up to this orifice together are occlusion grade 3",
        basis="convention of this project: 4 % of the area of a 17 mm ostium, 227 mm2",
        low=0.0,
        high=1000.0,
    )
    grade_moderate_leak_mm2: float = parameter(
        35.0,
        unit="mm2",
        meaning="leaks of up to this orifice together are grade 2, more is grade 1",
        basis="convention of this project: 15 % of the area of a 17 mm ostium",
        low=0.0,
        high=1000.0,
    )
    growth_what_if_mm: float = parameter(
        1.0,
        unit="mm",
        meaning="growth at the start of freezing that a constant balloon is set beside; 0: none",
        basis="an estimate, no source: a third of the step from 28 to 31 mm",
        low=0.0,
        high=10.0,
    )
    growth_in_place: bool = parameter(
        True,
        unit="1",
        meaning="whether each balloon also grows to the next larger size where it lies",
        basis="as a laboratory does that has both sizes in one balloon",
    )
    plan_below_probability: float = parameter(
        0.66,
        unit="1",
        meaning=(
            "several seats that close a vein together are looked for where the best single seat "
            "seals with less than this probability; 0: none are"
        ),
        basis="what the report calls likely: report.likely_from",
        low=0.0,
        high=1.0,
    )
    crossing_map: bool = parameter(
        True,
        unit="1",
        meaning="whether places on the septal wall around the crossing point are compared",
        basis="where the septum is crossed decides the direction of the shaft in every vein",
    )
    crossing_map_radius_mm: float = parameter(
        15.0,
        unit="mm",
        meaning="the places compared lie up to this far from the crossing point, 5 mm apart",
        basis="about the width of the part of the septum that is crossed (from memory)",
        low=0.0,
        high=30.0,
    )
    loop_diameter_mm: float = parameter(
        20.0,
        unit="mm",
        meaning="diameter of the mapping loop that runs ahead through the shaft",
        basis="a common size; common practice, no source",
        low=5.0,
        high=40.0,
    )
    deep_convention: str = parameter(
        "ring angle",
        unit="1",
        meaning="what counts as deep: by deep_ring_angle_deg or by deep_plane_mm",
        basis="convention of this project: it needs no ostial plane; no published number was found",
        choices=("ring angle", "ostial plane"),
    )
    deep_plane_mm: float = parameter(
        4.8,
        unit="mm",
        meaning="an equator less than this before the ostial plane counts as deep",
        basis="a ring of a 28 mm ball 20 degrees before the equator lies 4.8 mm before it",
        low=0.0,
        high=30.0,
    )
    deep_ring_angle_deg: float = parameter(
        70.0,
        unit="deg",
        meaning="a contact ring beyond this angle from the nose counts as deep",
        basis="convention of this project: within 20 degrees of the equator",
        low=0.0,
        high=90.0,
    )
    greatest_depth_mm: float = parameter(
        25.0,
        unit="mm",
        meaning="no equilibrium up to this depth of the equator: the balloon passes through",
        basis="well past any antral seat",
        low=0.0,
        high=100.0,
    )
    farthest_nose_mm: float = parameter(
        10.0,
        unit="mm",
        meaning=(
            "a balloon that comes to rest with its nose farther than this before the ostial plane "
            "cannot reach the vein and seals nothing"
        ),
        basis=(
            "the nose of a 31 mm ball in a cone of 20 degrees half angle stays 10.6 mm before a "
            "throat of 14 mm, that of a 28 mm ball 7.7 mm: narrower funnels than most real veins "
            "have, and harder walls. Convention of this project"
        ),
        low=0.0,
        high=60.0,
    )
    greatest_start_press_mm: float = parameter(
        4.0,
        unit="mm",
        meaning="a balloon that starts pressed deeper than this everywhere has no room",
        basis="convention of this project: walls give way by millimetres, not by more",
        low=0.0,
        high=20.0,
    )
    patch_margin_mm: float = parameter(
        10.0,
        unit="mm",
        meaning="the refined wall reaches this far past one balloon radius from the ostium",
        basis="contact lies within a radius of the ostium",
        low=0.0,
        high=50.0,
    )
    patch_edge_mm: float = parameter(
        0.7,
        unit="mm",
        meaning="longest edge of the refined wall",
        basis="closed-form seats are met to 0.03 mm at this length",
        low=0.1,
        high=5.0,
    )
    cell_mm: float = parameter(
        1.5,
        unit="mm",
        meaning="size of the cells in which the wall is gathered for the tries of the margin",
        basis=(
            "seats within 0.1 mm of the refined wall; leaks within 0.05 mm, 0.1 mm at sharp edges"
        ),
        low=0.1,
        high=5.0,
    )


@dataclass(frozen=True, slots=True)
class MarginSettings:
    """How a balloon may come to lie: the laws of the unknowns, and the sample drawn from them.

    A spread is the standard deviation of the natural logarithm: 0.2 is about 20 %.
    """

    samples: int = parameter(
        64,
        unit="1",
        meaning="chains of tries simulated of every balloon in every vein, a power of two; 0: none",
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
    seed: int = parameter(
        1,
        unit="1",
        meaning="start of the random numbers: the same seed gives the same result",
        basis="any number does",
        low=0,
        high=2**31 - 1,
    )
    direction_sd_deg: float = parameter(
        22.0,
        unit="deg",
        meaning="scatter (SD) of the push direction about the approach, in each of two planes",
        basis=(
            "fitted to common practice (no source) on drawn atria of the real kind, "
            "together with push, shaft and shaft_offset_sd_mm; it stands for all that turns "
            "the shaft unseen"
        ),
        low=0.0,
        high=60.0,
    )
    push_spread: float = parameter(
        0.22,
        unit="1",
        meaning="spread of the push from try to try",
        basis=(
            "1.0 to 2.5 N at two standard deviations, in which a prototype agreed with common "
            "practice"
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
        basis="4 to 6 kPa/mm, in which a prototype agreed with common practice",
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
        basis="for researchers; some 100 rows a vein and balloon",
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
        basis=("an estimate, no source: the fit to common practice holds the guide"),
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


@dataclass(frozen=True, slots=True)
class ComparisonSettings:
    """What counts as no difference between two balloons."""

    leak_tie_mm: float = parameter(
        0.3,
        unit="mm",
        meaning="leaks whose widths differ by less than this are a tie",
        basis="a prototype with a deformable wall moved leaks by about that much",
        low=0.0,
        high=10.0,
    )


@dataclass(frozen=True, slots=True)
class ReportSettings:
    """From where on the report says likely, unlikely, light and firm."""

    likely_from: float = parameter(
        0.66,
        unit="1",
        meaning="a seal of at least this probability is called likely",
        basis="the scale of Mastrandrea et al., IPCC guidance note on uncertainty, 2010 "
        "(from memory): likely from 0.66, unlikely to 0.33",
        low=0.5,
        high=1.0,
    )
    unlikely_to: float = parameter(
        0.33,
        unit="1",
        meaning="a seal of at most this probability is called unlikely; between is uncertain",
        basis="as likely_from",
        low=0.0,
        high=0.5,
    )
    light_push_share: float = parameter(
        0.33,
        unit="1",
        meaning="a push of at most this share of the greatest push is called light",
        basis="a third; a choice of words, no source",
        low=0.0,
        high=0.5,
    )
    firm_push_share: float = parameter(
        0.67,
        unit="1",
        meaning="a push of at least this share of the greatest push is called firm",
        basis="two thirds; a choice of words, no source",
        low=0.5,
        high=1.0,
    )


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of a run."""

    surface: SurfaceSettings = field(default_factory=SurfaceSettings)
    anatomy: AnatomySettings = field(default_factory=AnatomySettings)
    seating: SeatingSettings = field(default_factory=SeatingSettings)
    margin: MarginSettings = field(default_factory=MarginSettings)
    comparison: ComparisonSettings = field(default_factory=ComparisonSettings)
    report: ReportSettings = field(default_factory=ReportSettings)

    @classmethod
    def from_toml(cls, path: Path) -> Settings:
        """Read a settings file.

        Raises
        ------
        InputError
            The file cannot be read, or names or values in it are wrong; the
            message lists every one of them.
        """
        return cls.from_mapping(read_toml(path, "settings file"), f"settings file {path}")

    @classmethod
    def from_mapping(cls, content: Mapping[str, Any], source: str = "settings") -> Settings:
        """Build settings from nested mappings; raise InputError listing every fault."""
        faults: list[str] = []
        groups: dict[str, Any] = {}
        known = {f.name: type(getattr(cls(), f.name)) for f in dataclasses.fields(cls)}
        for name, values in content.items():
            group = known.get(name)
            if group is None:
                faults.append(_unknown("table", name, known))
            elif not isinstance(values, Mapping):
                faults.append(f"{name} must be a table")
            else:
                groups[name] = _group_from_mapping(group, values, name, faults)
        settings = cls(**groups)
        small, moderate = (
            settings.seating.grade_small_leak_mm2,
            settings.seating.grade_moderate_leak_mm2,
        )
        if small > moderate:
            faults.append(
                f"seating.grade_small_leak_mm2 = {small:g} is above grade_moderate_leak_mm2 = "
                f"{moderate:g}, so that no leak would be moderate"
            )
        if faults:
            raise InputError(f"{source}: " + "; ".join(faults))
        return settings

    def as_mapping(self) -> dict[str, dict[str, Any]]:
        """Return every setting as nested plain values, in declared order."""
        return dataclasses.asdict(self)


def describe(settings: Settings) -> Iterator[tuple[str, str, Any, Mapping[str, Any]]]:
    """Yield group, name, value and metadata (unit, meaning, basis) of every setting."""
    for group in dataclasses.fields(settings):
        values = getattr(settings, group.name)
        for item in dataclasses.fields(values):
            yield group.name, item.name, getattr(values, item.name), item.metadata


def _unknown(kind: str, name: str, known: Mapping[str, Any]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else f"; there are {', '.join(known)}"
    return f"unknown {kind} {name!r}{hint}"


def _group_from_mapping(
    group: Any, values: Mapping[str, Any], group_name: str, faults: list[str]
) -> Any:
    known = {f.name: f for f in dataclasses.fields(group)}
    accepted: dict[str, Any] = {}
    for name, value in values.items():
        item = known.get(name)
        where = f"{group_name}.{name}"
        if item is None:
            faults.append(_unknown("setting", name, known) + f" in [{group_name}]")
            continue
        kind: Any = type(item.default)
        if kind in (int, float):
            whole = isinstance(value, int) or (isinstance(value, float) and kind is float)
            if isinstance(value, bool) or not whole or math.isnan(value):
                faults.append(f"{where} must be a {'whole ' if kind is int else ''}number")
                continue
            low, high = item.metadata["low"], item.metadata["high"]
            if not low <= value <= high:
                unit = item.metadata["unit"]
                after = "" if unit == "1" else f" {unit}"
                faults.append(f"{where} = {value} is outside {low} to {high}{after}")
                continue
            step = item.metadata["multiple_of"]
            if kind is int and value % step:
                faults.append(f"{where} = {value} must be a multiple of {step}")
                continue
            if item.metadata["power_of_two"] and value & (value - 1):
                faults.append(f"{where} = {value} must be a power of two")
                continue
        elif not isinstance(value, kind):
            faults.append(f"{where} must be of type {kind.__name__}")
            continue
        elif value not in item.metadata.get("choices", (value,)):
            faults.append(f"{where} = {value!r} must be one of {item.metadata['choices']}")
            continue
        accepted[name] = kind(value)
    return group(**accepted)
