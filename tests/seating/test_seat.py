"""Outcomes, notes and bookkeeping of seats."""

from __future__ import annotations

import dataclasses
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from seating.phantoms import Phantom, as_phantom, ellipse, hole, revolve, rounded_hole, walk
from seating.pushed import before

from veinfit.errors import InputError
from veinfit.seating.balloon import sphere
from veinfit.seating.seat import seat_all, seat_vein
from veinfit.settings import SeatingSettings
from veinfit.surface.mesh import select_faces
from veinfit.surface.openings import boundary_loops

SETTINGS = SeatingSettings(patch_edge_mm=1.0)
RIGID = replace(
    SETTINGS,
    ring_stiffness_kpa_per_mm=1e8,
    body_stiffness_kpa_per_mm=1e8,
    locking_depth_mm=np.inf,
    shape_stiffness_n_per_mm=1e6,
)
ROUNDED = rounded_hole(8.0, 4.0, edge_mm=1.0, plate_mm=26.0, tube_mm=22.0)


def seat(phantom, diameter=28, settings=SETTINGS, **more):
    return seat_vein(phantom.anatomy, phantom.vein, [sphere(diameter)], settings, **more)[0]


def test_a_fit_is_filled_from_end_to_end():
    fit = seat(ROUNDED, structures={"right_phrenic_nerve": np.array([[30.0, 0, 5], [30, 9, 5]])})
    assert fit.outcome == "seated"
    assert fit.reason == ""
    assert (fit.vein, fit.balloon, fit.balloon_mm, fit.approach) == (
        "LSPV",
        "28 mm",
        28.0,
        "coaxial",
    )
    assert np.allclose(fit.push_direction, ROUNDED.vein.axis)
    assert fit.misalignment_deg == 0.0
    assert fit.nose_depth_mm == pytest.approx(fit.depth_mm + 14.0)
    assert len(fit.patch_gap_mm) == len(fit.patch.points)
    assert len(fit.clock) == 48
    assert [reading.clock_h for reading in fit.clock] == pytest.approx(np.arange(48) / 4)
    assert all(reading.gap_mm <= 0.5 for reading in fit.clock)
    # The ball's centre is at (0, 0, z): the line at 30 mm is nearest in its own height.
    z = fit.centre[2]
    distance = np.hypot(30.0, 5.0 - z) - 14.0 if z > 5.0 else np.hypot(16.0, 5.0 - z)
    assert fit.distances_mm["right_phrenic_nerve"] == pytest.approx(distance, abs=0.01)


def test_nothing_is_changed_and_nothing_is_random():
    wall = ROUNDED.anatomy.wall
    before = wall.points.copy(), wall.faces.copy()
    first, second = seat(ROUNDED), seat(ROUNDED)
    assert np.array_equal(before[0], wall.points)
    assert np.array_equal(before[1], wall.faces)
    for item in dataclasses.fields(first):
        a, b = getattr(first, item.name), getattr(second, item.name)
        if isinstance(a, np.ndarray):
            assert np.array_equal(a, b, equal_nan=True), item.name
        elif item.name not in {"patch", "leaks", "clock", "notes"}:
            assert a == b, item.name


def test_every_vein_meets_every_balloon_on_one_patch():
    fits = seat_all(ROUNDED.anatomy, [sphere(28), sphere(31)], SETTINGS)
    assert [(fit.vein, fit.balloon) for fit in fits] == [("LSPV", "28 mm"), ("LSPV", "31 mm")]
    assert fits[0].patch is fits[1].patch
    assert fits[1].depth_mm < fits[0].depth_mm, "the larger ball lies farther back"
    assert seat_all(ROUNDED.anatomy, [], SETTINGS) == ()


def test_an_unknown_approach_is_refused():
    with pytest.raises(InputError, match="approach 'sideways' is not available"):
        seat(ROUNDED, approaches=("sideways",))


def test_a_vein_wider_than_the_balloon_lets_it_through():
    fit = seat(hole(15.0, plate_mm=24.0, tube_mm=45.0))
    assert fit.outcome == "passes through"
    assert fit.reason
    assert fit.depth_mm is fit.occluded is fit.sealed is fit.leak_width_mm is None
    assert fit.leaks == fit.clock == ()


def test_a_vein_of_3_mm_is_covered_by_the_balloon():
    fit = seat(hole(1.5, plate_mm=24.0, tube_mm=10.0))
    assert fit.outcome == "seated"
    assert fit.occluded
    assert fit.nose_depth_mm < 3.0


def test_a_wall_that_ends_before_the_balloon_rests_gives_no_verdict():
    # 36 by 24 mm: never closed on the way, and passed through at the greatest push.
    fit = seat(hole(18.0, ratio=12.0 / 18.0, plate_mm=26.0, tube_mm=2.0))
    assert fit.outcome == "not assessed"
    assert "wall" in fit.reason
    assert fit.occluded is fit.sealed is None


def with_hole(phantom, where, size):
    wall = phantom.anatomy.wall
    middle = wall.points[wall.faces].mean(axis=1)
    kept, _ = select_faces(wall, np.linalg.norm(middle - where, axis=1) > size)
    return as_phantom(kept, phantom.vein.ostium.contour.points)


def test_a_hole_elsewhere_does_no_harm():
    for where in ([8.0, 0.0, -16.0], [0.0, 22.0, 0.0]):
        holed = with_hole(ROUNDED, np.array(where), 1.6)
        holed = Phantom(
            replace(
                holed.anatomy,
                mitral=replace(holed.anatomy.mitral, rim=largest_loop(holed.anatomy.wall)),
            ),
            holed.vein,
        )
        fit = seat(holed)
        assert fit.outcome == "seated"
        assert fit.occluded


@pytest.mark.parametrize(
    ("where", "sealed"), [((0.0, 8.0, -14.0), True), ((0.0, 18.0, 0.0), False)]
)
def test_a_vein_with_two_ends_is_sealed_only_past_both(where, sealed):
    # A second opening is a branch's cut end. In the tube's side it lies enclosed below the
    # contact; before the ostium the contact leaves it out.
    holed = with_hole(ROUNDED, np.array(where), 1.6)
    loops = boundary_loops(holed.anatomy.wall)
    middles = [holed.anatomy.wall.points[loop].mean(axis=0) for loop in loops]
    side = loops[int(np.argmin(np.linalg.norm(np.array(middles) - where, axis=1)))]
    tube_end = next(loop for loop, middle in zip(loops, middles, strict=True) if middle[2] < -20.0)
    vein = replace(holed.vein, end_rims=(tube_end, side))
    mitral = replace(holed.anatomy.mitral, rim=loops[0])
    fit = seat(Phantom(replace(holed.anatomy, veins=(vein,), mitral=mitral), vein))
    assert fit.centre is not None
    if sealed:
        assert fit.outcome == "seated"
        assert fit.sealed
    else:
        assert not fit.sealed
        assert not fit.occluded


def largest_loop(wall):
    return boundary_loops(wall)[0]


def ball_with_vein(body_radius, vein_radius=7.0, length=12.0):
    """A spherical body with a straight tube: its lowest point is the vein's end."""
    plane = np.sqrt(body_radius**2 - vein_radius**2)
    angle = np.linspace(np.arcsin(vein_radius / body_radius), np.pi - 0.15, 90)
    arc = np.stack([body_radius * np.sin(angle), plane - body_radius * np.cos(angle)], axis=1)
    tube = np.stack(
        [np.full(20, vein_radius), np.linspace(-length, 0.0, 20, endpoint=False)], axis=1
    )
    wall = revolve(np.vstack([tube, arc]), sectors=120)
    return as_phantom(wall, ellipse(vein_radius, vein_radius), closed=True)


@pytest.mark.parametrize(
    ("diameter", "wanted"), [(23, 15.424083), (28, 12.196313), (31, 10.409521)]
)
def test_seat_in_a_spherical_body_with_a_tube(diameter, wanted):
    # Closed form: body radius 25, tube radius 8; ball centre √(25² − 8²) − √(R² − 8²) from
    # the body's centre.
    phantom = ball_with_vein(25.0, 8.0)
    fit = seat(phantom, diameter, RIGID)
    plane = np.sqrt(25.0**2 - 8.0**2)
    assert plane - fit.centre[2] == pytest.approx(wanted, abs=0.05)
    assert fit.occluded


def test_a_balloon_much_larger_than_the_atrium_cannot_reach():
    fit = seat(ball_with_vein(9.0, 5.0), 28)
    assert fit.outcome == "cannot reach"
    assert "no room" in fit.reason
    assert fit.centre is None


def test_a_balloon_a_little_larger_than_the_atrium_is_seated_with_a_caution():
    fit = seat(ball_with_vein(13.0, 6.0), 28)
    assert fit.outcome == "seated"
    cautions = [note.text for note in fit.notes if note.severity == "caution"]
    assert any("would touch the wall" in text for text in cautions)
    assert any("far from the ostium" in text for text in cautions)
    assert all(note.stage == "seating" and note.subject == "LSPV" for note in fit.notes)


def test_a_balloon_is_backed_off_until_it_is_clear():
    from veinfit.seating.approach.line import coaxial
    from veinfit.seating.approach.start import find_start

    phantom = ball_with_vein(16.0, 8.0)
    line = coaxial(phantom.anatomy, phantom.vein, SETTINGS)
    prepared, _, batch = before(phantom, sphere(28), [line], SETTINGS)
    start = find_start(batch, line, prepared.distance_mm(line))
    # Clear where the ball lies within the body: centres closer than 16 − 14 mm.
    plane = np.sqrt(16.0**2 - 8.0**2)
    assert start.pressed_mm == 0.0
    assert start.beside_mm == 0.0
    assert plane - start.centre[2] == pytest.approx(0.0, abs=2.1)
    polygon = 16.0 * (1 - np.cos(np.pi / 120))
    assert 14.0 + start.backed_off_mm == pytest.approx(max(14.0, plane - 2.0), abs=polygon + 0.3)


def test_a_hole_of_three_lobes_leaks_three_times():
    # The rim r = 10 + 0.8 cos 3φ is touched at its three nearest points; in the lobes
    # between them the gap is √(10.8² + h²) − R with h = √(R² − 9.2²) (closed form).
    profile = walk([(10.0, -20.0), (10.0, 0.0), (26.0, 0.0)], 0.6)
    phantom = as_phantom(revolve(profile, edge_mm=0.6, lobes=(3, 0.8)), ellipse(10.0, 10.0))
    fit = seat(phantom, settings=RIGID)
    gap = np.hypot(10.8, np.sqrt(14.0**2 - 9.2**2)) - 14.0
    assert fit.depth_mm == pytest.approx(-np.sqrt(14.0**2 - 9.2**2), abs=0.05)
    assert [leak.leak for leak in fit.leaks] == [1, 2, 3]
    assert [leak.width_mm for leak in fit.leaks] == pytest.approx([gap] * 3, abs=0.05)
    places = sorted(np.degrees(np.arctan2(leak.y_mm, leak.x_mm)) % 360 for leak in fit.leaks)
    off = [min(abs(place % 120), 120 - place % 120) for place in places]
    assert max(off) < 3.0
    assert np.diff(places) == pytest.approx([120.0, 120.0], abs=6.0)
    arcs = [leak.arc_deg for leak in fit.leaks]
    assert sum(arcs) + fit.contact_arc_deg == pytest.approx(360.0, abs=6.0)


def test_the_gap_of_wall_that_cannot_be_pressed_is_not_a_number():
    from seating.test_patch import carina

    phantom, n = carina(1.0)
    fit = seat(phantom)
    gap = fit.patch_gap_mm
    assert np.isnan(gap).any()
    facing = (fit.patch.points[:, 0] > 9.8) & (fit.patch.points[:, 0] < 14.0)
    facing &= fit.patch.points[:, 2] < -1.0
    assert np.isnan(gap[facing]).all()
    assert np.isfinite(gap[np.linalg.norm(fit.patch.points[:, :2], axis=1) < 9.01]).all()
    assert n > 0
    assert trimesh.Trimesh(fit.patch.points, fit.patch.faces, process=False).area > 0
