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

from veinfit.anatomy.model import SeptalCrossing
from veinfit.frames import angle_deg, unit
from veinfit.seating.approach import approach_line, approaches_named
from veinfit.seating.balloon import sphere
from veinfit.seating.seat import seat_vein
from veinfit.seating.sheath import reach_of
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface

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


def sheath(bend=90.0, straight=20.0, lean=60.0):
    return SeatingSettings(
        sheath_bend_deg=bend, sheath_straight_mm=straight, greatest_misalignment_deg=lean
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
