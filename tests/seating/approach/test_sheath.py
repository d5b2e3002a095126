"""The sheath between septum and vein, in a hollow ball whose courses are known by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from seating.phantoms import hole

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.seating.approach.line import approach_line, approaches_named
from veinfit.seating.approach.sheath import reach_of, relaxed_direction
from veinfit.seating.balloon import sphere
from veinfit.seating.seat import seat_vein
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.vectors import angle_deg, unit

BODY = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
LUMEN = Surface(np.asarray(BODY.vertices), BODY.faces.astype(np.int64))
HOLE = hole(9.0, edge_mm=1.5, plate_mm=20.0, tube_mm=6.0)
CENTRE = np.array([0.0, 0.0, -28.0])
"""The vein leaves the ball downward, near its lowest point."""


def vein_along(axis=(0.0, 0.0, -1.0), centre=CENTRE):
    ostium = replace(HOLE.vein.ostium, centre=np.asarray(centre), normal=unit(axis))
    return replace(HOLE.vein, ostium=ostium, axis=unit(axis))


def crossing_at(point, off_wall_mm=0.0):
    return SeptalCrossing(np.asarray(point, dtype=float), "landmark", off_wall_mm)


def sheath(bend=90.0, straight=20.0, lean=60.0, springback=0.0):
    return SeatingSettings(
        sheath_bend_deg=bend,
        sheath_springback=springback,
        sheath_straight_mm=straight,
        greatest_misalignment_deg=lean,
    )


def test_a_septum_behind_the_vein_needs_no_bend():
    reach = reach_of(LUMEN, vein_along(), crossing_at([0.0, 0.0, 29.0]), sheath(bend=0.0))
    assert (reach.reason, reach.limited_by) == ("", "")
    assert reach.course.misalignment_deg == pytest.approx(0.0, abs=1e-9)
    assert reach.course.bend_deg == pytest.approx(0.0, abs=1e-5)


def test_within_its_bend_the_sheath_follows_the_axis():
    # From (-29, 0, -8) to the bend at (0, 0, -8): level, then straight down.
    crossing = crossing_at([-28.0, 0.0, -8.0])
    reach = reach_of(LUMEN, vein_along(), crossing, sheath(bend=90.01))
    assert reach.course.misalignment_deg == pytest.approx(0.0, abs=1e-9)
    assert reach.course.bend_deg == pytest.approx(90.0)


@pytest.mark.parametrize("bend", [30.0, 60.0, 80.0])
def test_beyond_its_bend_the_shaft_leans_toward_the_septum(bend):
    crossing = crossing_at([-28.0, 0.0, -8.0])
    reach = reach_of(LUMEN, vein_along(), crossing, sheath(bend))
    lean = np.radians(reach.course.misalignment_deg)
    assert reach.limited_by == "bend"
    # By hand: the bend point lies 20 mm back along the shaft; the law of sines in the triangle of
    # septum, bend and ostium gives the lean at which the sheath bends exactly so far.
    straight = np.hypot(28.0, 20.0)
    to_straight = np.arctan2(28.0, 20.0)
    at_ostium = np.arcsin(np.sin(np.radians(bend)) * 20.0 / straight)
    assert to_straight - lean == pytest.approx(np.radians(bend) - at_ostium, abs=np.radians(0.1))
    # The shaft comes from the septum's side: it points away from it.
    assert reach.course.direction == pytest.approx([np.sin(lean), 0.0, -np.cos(lean)])
    assert reach.course.bend_deg <= bend


def test_too_little_bend_does_not_reach():
    reach = reach_of(LUMEN, vein_along(), crossing_at([-28.0, 0.0, -8.0]), sheath(10.0, lean=20.0))
    assert reach.reason.startswith("bend: to point within 20 degrees")
    assert "10 at most" in reach.reason


def test_a_straight_end_without_room_does_not_reach():
    reach = reach_of(LUMEN, vein_along(), crossing_at([0.0, 0.0, 29.0]), sheath(straight=59.0))
    assert reach.reason.startswith("room: the straight end of the sheath needs 59 mm")
    assert "58 mm" in reach.reason


def test_a_wall_between_septum_and_vein_is_in_the_way():
    # A screen across the ball with the septum behind it.
    screen = trimesh.creation.box(extents=(60.0, 60.0, 2.0))
    points = np.vstack([LUMEN.points, screen.vertices + [0.0, 0.0, 10.0]])
    faces = np.vstack([LUMEN.faces, screen.faces + len(LUMEN.points)])
    lumen = Surface(points, faces)
    crossing = crossing_at([-10.0, 0.0, 27.0])
    assert reach_of(LUMEN, vein_along(), crossing, sheath()).reason == ""
    reach = reach_of(lumen, vein_along(), crossing, sheath())
    assert reach.reason.startswith("wall in the way")


@settings(max_examples=15)
@given(st.floats(-180.0, 180.0), st.floats(5.0, 75.0), st.floats(0.0, 130.0), st.floats(10.0, 30.0))
def test_the_lean_is_least_and_turns_with_the_atrium(around, up, bend, straight):
    t, u = np.radians(around), np.radians(up)
    crossing = 29.0 * np.array([np.cos(t) * np.cos(u), np.sin(t) * np.cos(u), np.sin(u)])
    wanted = sheath(bend, straight, lean=90.0)
    reach = reach_of(LUMEN, vein_along(), crossing_at(crossing), wanted)
    more = reach_of(LUMEN, vein_along(), crossing_at(crossing), sheath(bend + 10.0, straight, 90.0))
    if reach.reason:
        return
    assert more.course.misalignment_deg <= reach.course.misalignment_deg + 0.1
    toward = crossing - CENTRE
    assert (
        angle_deg(vein_along().axis, reach.course.direction)
        <= angle_deg(vein_along().axis, -toward) + 1e-6
    )
    turn = Rotation.from_rotvec([0.4, -1.0, 0.7]).as_matrix()
    other = reach_of(
        Surface(LUMEN.points @ turn.T, LUMEN.faces),
        vein_along(turn @ [0.0, 0.0, -1.0], turn @ CENTRE),
        crossing_at(turn @ crossing),
        wanted,
    )
    assert other.course.direction == pytest.approx(turn @ reach.course.direction, abs=2e-3)


def test_both_puts_the_transseptal_approach_first():
    assert approaches_named("both") == ("transseptal", "coaxial")
    assert approaches_named("coaxial") == ("coaxial",)


def closed_hole():
    return hole(9.0, edge_mm=1.5, plate_mm=24.0, tube_mm=15.0)


def test_what_the_sheath_cannot_reach_is_not_seated():
    phantom = closed_hole()
    anatomy = replace(phantom.anatomy, septum=crossing_at([-20.0, 0.0, 1.0]))
    fits = seat_vein(
        anatomy, phantom.vein, [sphere(28)], sheath(10.0, lean=20.0), ("transseptal", "coaxial")
    )
    assert [fit.outcome for fit in fits] == ["cannot reach", "seated"]
    assert fits[0].reason.startswith("bend:")
    assert fits[0].centre is None and fits[0].occluded is None
    assert fits[0].misalignment_deg is None and fits[0].push_direction is None
    assert fits[0].approach == "transseptal"


def test_a_misaligned_shaft_says_so_and_pushes_along_itself():
    phantom = closed_hole()
    anatomy = replace(phantom.anatomy, septum=crossing_at([-28.0, 0.0, 20.0]))
    line = approach_line("transseptal", anatomy, phantom.vein, sheath(60.0))
    fit = seat_vein(anatomy, phantom.vein, [sphere(28)], sheath(60.0), ("transseptal",))[0]
    assert fit.misalignment_deg == pytest.approx(line.misalignment_deg)
    assert 5.0 < line.misalignment_deg < 45.0
    assert np.array_equal(fit.push_direction, line.direction)
    assert any("off the vein's axis" in note.text for note in fit.notes)
    assert not line.estimated


def test_a_beam_held_at_one_end_turns_half_as_far_again_at_its_other():
    """The elastic line of a slender beam, integrated, against the relaxed direction."""
    vein = vein_along(centre=np.array([0.0, 0.0, -28.0]))
    start = np.array([-3.0, 0.0, 12.0])
    crossing = replace(crossing_at(start), entry=np.array([0.0, 0.0, -1.0]))
    length, aside = 40.0, 3.0
    # A force at the end bends it by M(s) = F (L - s); slopes and deflection by quadrature.
    s = np.linspace(0.0, length, 4001)
    slope = np.concatenate([[0.0], np.cumsum(0.5 * (2 * length - s[1:] - s[:-1]) * np.diff(s))])
    deflection = np.sum(0.5 * (slope[1:] + slope[:-1]) * np.diff(s))
    end_slope = slope[-1] * aside / deflection
    told = relaxed_direction(vein, crossing)
    assert told[0] / -told[2] == pytest.approx(end_slope, rel=0.01)
    assert told[1] == pytest.approx(0.0, abs=1e-12)


def test_a_sheath_that_springs_back_stays_short_of_the_axis():
    crossing = replace(crossing_at([-28.0, 0.0, -8.0]), entry=unit([0.3, 0.2, 1.0]))
    relaxed = relaxed_direction(vein_along(), crossing)
    whole = angle_deg(relaxed, vein_along().axis)
    for share in (0.0, 0.2, 0.4):
        reach = reach_of(LUMEN, vein_along(), crossing, sheath(150.0, lean=90.0, springback=share))
        assert reach.reason == ""
        assert reach.course.misalignment_deg == pytest.approx(share * whole, abs=1e-6)
        assert reach.limited_by == ("spring" if share else "")
        # It leans toward the relaxed direction.
        rest = angle_deg(reach.course.direction, relaxed)
        assert rest == pytest.approx((1.0 - share) * whole, abs=1e-6)


def test_left_veins_too_are_met_at_an_angle():
    """From the right, coming up from the caval vein, no vein lies straight ahead."""
    entry = unit([0.5, 0.4, 0.77])
    crossing = replace(crossing_at(29.0 * unit([-0.78, -0.48, -0.40])), entry=entry)
    for place, axis in (
        ([0.76, -0.12, 0.6], [0.78, -0.28, 0.55]),
        ([0.83, 0.45, 0.1], [0.75, 0.62, -0.1]),
    ):
        vein = vein_along(axis, 28.0 * unit(place))
        reach = reach_of(LUMEN, vein, crossing, sheath(150.0, springback=0.3))
        assert reach.reason == "" and 2.0 < reach.course.misalignment_deg < 20.0
