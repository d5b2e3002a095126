"""Seating: push, wall, guide, shaft, and what counts as contact, leak and deep."""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.settings.parameter import parameter


@dataclass(frozen=True, slots=True)
class SeatingSettings:
    """The mechanics of a balloon against the wall."""

    greatest_push_n: float = parameter(
        0.75,
        unit="N",
        meaning="greatest push of a try, which ends earlier where the balloon occludes",
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
            "to 30 mm of a 5 mm tube of 200 MPa (an estimate), 3EI/L3. With 0 a "
            "spherical balloon would seal a round ostium at any tilt"
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
            "spring-back: share of its bend toward the vein's axis that the end of the sheath loses"
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
            "about a voxel of cardiac CT. A fit to common practice (no source) gives more than "
            "1 mm. It is kept at 0.5 mm: a wider tolerance counts wall that the balloon does not "
            "touch"
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
        meaning="growth at the start of freezing, assumed for a balloon that states none; 0: none",
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
            "several seats that seal a vein together are sought where the best single seat "
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
        meaning="diameter of the mapping loop that runs ahead through the shaft; 0: none",
        basis="a common size; common practice, no source",
        low=0.0,
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
