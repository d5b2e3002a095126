"""Seats on walls of known shape: all from an anatomy to a fit.

Closed forms with R the ball's radius, in the rigid limit (stiffness 1e8 kPa/mm):

* sharp round hole of radius a: centre √(R² − a²) above the plane;
* cone of half angle α: centre R/sin α above the apex, ring of polar angle 90° − α;
* rim rounded by a quarter torus of radius r: centre −r + √((R+r)² − (a+r)²);
* elliptical hole a ≥ b: centre √(R² − b²), touching the ends of the minor axis only,
  leaks of width √(a² + R² − b²) − R at the ends of the major axis;
* centre held on a line tilted τ through the middle of a round hole: at
  a sin τ + √(R² − a² cos² τ) along it, leaking √(s² + 2 s a sin τ + a²) − R opposite.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation
from seating.phantoms import cone, hole, moved, rounded_hole
from seating.pushed import before, rest_of

from veinfit.frames import clock_hours, side_words
from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.balloon import Balloon, sphere
from veinfit.seating.mechanics.law import IndentationLaw
from veinfit.seating.mechanics.minimise import AT_REST, WENT_THROUGH
from veinfit.seating.prepare import prepare
from veinfit.seating.seat import seat_balloon, seat_vein
from veinfit.seating.uncertainty.attempts import simulator
from veinfit.settings import MarginSettings, SeatingSettings

SOFT = SeatingSettings()
RIGID = replace(
    SOFT,
    ring_stiffness_kpa_per_mm=1e8,
    body_stiffness_kpa_per_mm=1e8,
    locking_depth_mm=np.inf,
    shape_stiffness_n_per_mm=1e6,
)
SEAT_MM = 0.05
LEAK_MM = 0.05


def seat(phantom, diameter, settings=RIGID, **more):
    return seat_vein(phantom.anatomy, phantom.vein, [sphere(diameter)], settings, **more)[0]


@pytest.mark.parametrize(
    ("diameter", "ostium", "height", "nose", "theta"),
    [
        (23, 16, 8.261356, 3.238644, 44.079210),
        (28, 20, 9.797959, 4.202041, 45.584691),
        (28, 26, 5.196152, 8.803848, 68.213211),
        (31, 20, 11.842719, 3.657281, 40.177770),
        (31, 30, 3.905125, 11.594875, 75.407449),
    ],
)
def test_ball_on_a_sharp_round_hole(diameter, ostium, height, nose, theta):
    fit = seat(hole(ostium / 2, plate_mm=24.0, tube_mm=20.0), diameter)
    assert fit.outcome == "seated"
    assert fit.depth_mm == pytest.approx(-height, abs=SEAT_MM)
    assert fit.nose_depth_mm == pytest.approx(nose, abs=SEAT_MM)
    assert np.linalg.norm(fit.centre[:2]) < 0.01
    assert fit.occluded
    assert fit.sealed
    assert fit.leak_width_mm == pytest.approx(0.0, abs=LEAK_MM)
    assert fit.leak_area_mm2 == 0.0
    assert fit.leaks == ()
    assert fit.leak_clock_h is None
    assert fit.contact_arc_deg == pytest.approx(360.0)
    assert fit.deep == (theta > 70.0), "convention: ring more than 70 degrees from the nose"


@pytest.mark.parametrize("smaller", [23, 28])
def test_a_smaller_ball_lies_deeper_in_the_same_ostium(smaller):
    phantom = hole(9.0, plate_mm=24.0, tube_mm=20.0)
    assert seat(phantom, smaller, SOFT).depth_mm > seat(phantom, 31, SOFT).depth_mm + 1.0


@pytest.mark.parametrize(
    ("diameter", "alpha", "apex", "ring"),
    [(28, 30, 28.0, 12.124356), (28, 45, 19.798990, 9.899495), (31, 45, 21.920310, 10.960155)],
)
def test_ball_in_a_cone(diameter, alpha, apex, ring):
    throat, radius = 4.0, diameter / 2
    fit = seat(cone(alpha, throat), diameter)
    below = throat / np.tan(np.radians(alpha))
    assert fit.depth_mm == pytest.approx(-(apex - below), abs=SEAT_MM)
    assert fit.occluded
    # Along a meridian at t from the ring the gap is √(R² + t²) − R.
    half = np.sqrt((radius + 0.5) ** 2 - radius**2)
    width = [reading.band_width_mm for reading in fit.clock]
    assert np.allclose(width, 2 * half, atol=0.12), "0.01 mm of gap move an edge by 0.04 mm"
    depth = -(ring - throat) / np.tan(np.radians(alpha))
    middle = [reading.sealing_depth_mm for reading in fit.clock]
    assert np.allclose(middle, depth, atol=0.06)
    edge = half * np.cos(np.radians(alpha))
    assert np.allclose([r.band_atrial_depth_mm for r in fit.clock], depth - edge, atol=0.1)
    assert np.allclose([r.band_distal_depth_mm for r in fit.clock], depth + edge, atol=0.1)
    # The band is a frustum: its area is its mean circumference times its width.
    assert fit.contact_area_mm2 == pytest.approx(2 * np.pi * ring * 2 * half, rel=0.01)
    sine = np.sin(np.radians(alpha))
    outer = ring + half * sine
    assert fit.antral_area_mm2 == pytest.approx(np.pi * (outer**2 - throat**2) / sine, rel=0.01), (
        "all the cone from the ostial plane to the band's atrial edge"
    )


def test_only_contact_within_the_freezing_zone_is_cold():
    # On a cone of 45 degrees the ring lies 45 degrees from the nose.
    phantom, radius, ring = cone(45, 4.0), 14.0, 14.0 / np.sqrt(2.0)
    half = np.sqrt((radius + 0.5) ** 2 - radius**2)
    front = Balloon("front", 28, 28, zone_from_deg=0.0, zone_to_deg=45.0)
    rear = Balloon("rear", 28, 28, zone_from_deg=65.0, zone_to_deg=90.0)
    whole = Balloon("whole", 28, 28, zone_from_deg=0.0, zone_to_deg=180.0)
    fits = seat_vein(phantom.anatomy, phantom.vein, [front, rear, whole], RIGID)
    sine = np.sqrt(0.5)
    front_area = np.pi * (ring**2 - (ring - half * sine) ** 2) / sine
    assert fits[0].contact_area_mm2 == pytest.approx(front_area, rel=0.02)
    assert fits[0].sealed
    assert fits[1].occluded, "contrast is held by warm contact too"
    assert not fits[1].sealed, "but it does not ablate"
    assert fits[1].contact_area_mm2 == 0.0
    assert fits[1].antral_area_mm2 == 0.0
    assert fits[2].contact_area_mm2 == pytest.approx(2 * np.pi * ring * 2 * half, rel=0.01)


@pytest.mark.parametrize(
    ("diameter", "lumen", "fillet", "height", "ring"),
    [
        (23, 16, 5, 5.161201, 9.060606),
        (28, 16, 2, 10.489996, 8.75),
        (28, 20, 10, 3.266499, 11.666667),
        (31, 20, 5, 8.973189, 11.341463),
    ],
)
def test_ball_on_a_rounded_rim(diameter, lumen, fillet, height, ring):
    phantom = rounded_hole(lumen / 2, fillet, edge_mm=0.5, plate_mm=28.0, tube_mm=25.0)
    fit = seat(phantom, diameter)
    assert fit.depth_mm == pytest.approx(-height, abs=SEAT_MM)
    assert fit.occluded
    # The line through the centres of ball and torus meets the wall at the ring.
    deepest = height - diameter / 2 * (height + fillet) / (diameter / 2 + fillet)
    middle = [reading.sealing_depth_mm for reading in fit.clock]
    assert np.allclose(middle, -deepest, atol=0.5), "the band is not quite even about its ring"
    assert ring < diameter / 2


@pytest.mark.parametrize(
    ("diameter", "a", "b", "height", "gap"),
    [
        (28, 11, 8, 11.489125, 1.905974),
        (28, 10, 8, 11.489125, 1.231546),
        (31, 12, 9, 12.619429, 1.914075),
        (28, 13, 6.5, 12.399597, 3.965244),
    ],
)
def test_ball_on_an_elliptical_hole_leaks_at_both_ends(diameter, a, b, height, gap):
    fit = seat(hole(a, b / a, plate_mm=26.0, tube_mm=20.0), diameter)
    assert fit.depth_mm == pytest.approx(-height, abs=SEAT_MM)
    assert not fit.occluded
    assert not fit.sealed
    assert fit.leak_width_mm == pytest.approx(gap, abs=LEAK_MM)
    assert len(fit.leaks) == 2, "one at each end of the major axis"
    for leak in fit.leaks:
        assert leak.width_mm == pytest.approx(gap, abs=LEAK_MM)
        assert abs(leak.x_mm) == pytest.approx(a, abs=0.1)
        assert abs(leak.y_mm) < 0.5
    assert {leak.side for leak in fit.leaks} == {"left", "right"}
    assert fit.leak_side in {"left", "right"}
    # The parts of the rim within the tolerance, by the ellipse's parameter u from the minor
    # axis: sin u ≤ √((2 R ε + ε²)/(a² − b²)); on the clock, tan φ = (a/b) tan u.
    u = np.arcsin(np.sqrt((diameter * 0.5 + 0.25) / (a * a - b * b)))
    share = np.degrees(np.arctan2(a * np.sin(u), b * np.cos(u))) / 90.0
    assert fit.contact_arc_deg == pytest.approx(360.0 * share, abs=3.0)
    for leak in fit.leaks:
        assert leak.arc_deg == pytest.approx(180.0 * (1.0 - share), abs=2.0)


def test_orifice_of_an_elliptical_hole():
    # ∮ g ds along the rim of 22 x 16 mm under 28 mm at tolerance 0: 53.68 mm² (quadrature).
    a, b, radius = 11.0, 8.0, 14.0
    height = np.sqrt(radius**2 - b**2)
    u = np.linspace(0.0, 2.0 * np.pi, 20001)
    gap = np.sqrt((a * np.cos(u)) ** 2 + (b * np.sin(u)) ** 2 + height**2) - radius
    exact = np.trapezoid(gap * np.hypot(a * np.sin(u), b * np.cos(u)), u)
    assert exact == pytest.approx(53.68, abs=0.01)
    fit = seat(
        hole(a, b / a, plate_mm=26.0, tube_mm=20.0), 28, replace(RIGID, contact_tolerance_mm=0.0)
    )
    assert fit.leak_area_mm2 == pytest.approx(exact, rel=0.01)
    assert sum(leak.area_mm2 for leak in fit.leaks) == pytest.approx(fit.leak_area_mm2)


@pytest.mark.parametrize("tolerance", [1.8, 2.0])
def test_an_elliptical_hole_seals_exactly_where_the_tolerance_reaches_the_gap(tolerance):
    phantom = hole(11.0, 8 / 11, plate_mm=26.0, tube_mm=20.0)
    fit = seat(phantom, 28, replace(RIGID, contact_tolerance_mm=tolerance))
    sealed = bool(np.sqrt(8.0**2 + 28.0 * tolerance + tolerance**2) >= 11.0)
    assert fit.occluded is sealed
    assert fit.sealed is sealed
    assert (fit.leak_area_mm2 == 0.0) is sealed
    assert (fit.leaks == ()) is sealed


TILT = replace(RIGID, guide_n_per_mm=0.0, shaft_n_per_mm=1e6)
"""A line that gives way by micrometres: at 1e8 N/mm a balance to 1e-6 F is below rounding."""


def tilted(phantom, diameter, direction, settings):
    prepared = prepare(phantom.anatomy, phantom.vein, diameter / 2, settings)
    line = line_through_ostium("coaxial", phantom.vein, direction)
    ready = simulator(prepared, sphere(diameter), line, settings, MarginSettings(samples=0))
    return seat_balloon(prepared, ready)


@pytest.mark.parametrize(
    ("diameter", "ostium", "tau", "along", "gap"),
    [
        (28, 18, 0, np.sqrt(14**2 - 9**2), 0.0),
        (28, 18, 10, 12.399920, 2.538321),
        (28, 18, 20, 14.235027, 5.268419),
        (31, 18, 20, 16.067608, 5.430505),
        (23, 16, 20, 11.438838, 4.545062),
    ],
)
def test_a_centre_held_on_a_tilted_line_leaks_opposite_the_tilt(diameter, ostium, tau, along, gap):
    phantom = hole(ostium / 2, plate_mm=30.0, tube_mm=20.0)
    t = np.radians(tau)
    # The shaft comes from +x and points down: the centre lies on the side of +x.
    direction = np.array([-np.sin(t), 0.0, -np.cos(t)])
    fit = tilted(phantom, diameter, direction, TILT)
    assert fit.outcome == "seated"
    assert fit.misalignment_deg == pytest.approx(tau, abs=1e-6)
    assert np.linalg.norm(fit.centre) == pytest.approx(along, abs=SEAT_MM)
    assert np.linalg.norm(np.cross(fit.centre, direction)) < 1e-3
    assert fit.leak_width_mm == pytest.approx(gap, abs=LEAK_MM)
    if tau:
        assert fit.leak_side == side_words([-1.0, 0.0, 0.0]) == "right"
        assert fit.leaks[0].x_mm == pytest.approx(-ostium / 2, abs=0.2)
        assert fit.leak_clock_h == pytest.approx(
            float(clock_hours([-1.0, 0.0, 0.0], phantom.vein.axis)), abs=0.3
        )
        assert len(fit.leaks) == 1


@pytest.mark.slow
def test_tilting_only_the_push_leaves_a_ball_on_a_round_hole_sealed():
    phantom = hole(9.0, plate_mm=30.0, tube_mm=20.0)
    t = np.radians(20.0)
    free = replace(RIGID, guide_n_per_mm=0.0, shaft_n_per_mm=0.0)
    fit = tilted(phantom, 28, np.array([-np.sin(t), 0.0, -np.cos(t)]), free)
    assert fit.occluded
    assert np.linalg.norm(fit.centre[:2]) < 0.01
    assert fit.depth_mm == pytest.approx(-np.sqrt(14**2 - 9**2), abs=SEAT_MM)


def pushed(phantom, push, stiffness, locking):
    """Where a 28 mm ball rests in a wall of one stiffness, kPa/mm, pushed with one force, N."""
    settings = replace(
        SOFT,
        ring_stiffness_kpa_per_mm=stiffness,
        body_stiffness_kpa_per_mm=stiffness,
        locking_depth_mm=locking,
    )
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    prepared, _, batch = before(phantom, sphere(28), [line], settings, push)
    return rest_of(batch, [0.0, 0.0, 14.0], prepared.exit(settings))


@pytest.mark.parametrize(
    ("stiffness", "locking", "push"),
    [(4.0, 0.75, 0.5), (4.0, 0.75, 1.5), (4.0, 0.75, 2.5), (1.0, 3.0, 0.1), (1.0, 3.0, 0.17)],
)
@pytest.mark.parametrize("radius", [8.0, 10.0, 12.0])
def test_soft_seats_in_a_sharp_hole(stiffness, locking, push, radius):
    # F = 2π (h + a) w(R − √(a² + h²)): the outermost root, where a ball pushed in rests.
    law = IndentationLaw(locking)

    def force(h):
        depth = np.array(14.0 - np.hypot(radius, h))
        return 2 * np.pi * (h + radius) * 1e-3 * stiffness * float(law.energy(depth))

    first = np.sqrt(14.0**2 - radius**2)
    heights = np.linspace(first, 0.0, 4001)
    top = heights[np.argmax([force(h) for h in heights])]
    wanted = brentq(lambda h: force(h) - push, top, first)
    rest = pushed(hole(radius, edge_mm=0.5, plate_mm=22.0, tube_mm=20.0), push, stiffness, locking)
    assert rest.state[0] == AT_REST
    height = rest.place[0, 2]
    assert height == pytest.approx(wanted, abs=SEAT_MM)
    assert height <= wanted + 1e-3, "polygons and chords lie inside: never too far back"


@pytest.mark.parametrize("push", [1.25, 1.40])
def test_a_linear_foundation_lets_a_ball_through_above_its_greatest_resistance(push):
    # At 4 kPa/mm a sharp 22 mm hole resists a 28 mm ball with at most 1.32 N (closed form).
    rest = pushed(hole(11.0, edge_mm=0.5, plate_mm=22.0, tube_mm=45.0), push, 4.0, np.inf)
    assert rest.state[0] == (AT_REST if push < 1.32 else WENT_THROUGH)


def test_the_greatest_push_does_not_send_a_28_mm_ball_through_a_round_20_mm_hole():
    # The greatest of 2π (h + a) w(R − √(a² + h²)) is what the hole resists with (closed form).
    law, h = IndentationLaw(SOFT.locking_depth_mm), np.linspace(0.0, 9.7, 2001)
    stiffness = 1e-3 * SOFT.ring_stiffness_kpa_per_mm
    force = 2 * np.pi * (h + 10.0) * stiffness * law.energy(14.0 - np.hypot(10.0, h))
    assert force.max() > SOFT.greatest_push_n
    phantom = hole(10.0, edge_mm=1.0, plate_mm=22.0, tube_mm=45.0)
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    prepared, _, batch = before(phantom, sphere(28), [line], SOFT)
    rest = rest_of(batch, [0.0, 0.0, 14.0], prepared.exit(SOFT))
    assert rest.state[0] == AT_REST
    wanted = h[np.flatnonzero(force >= SOFT.greatest_push_n)[-1]]
    assert rest.place[0, 2] == pytest.approx(wanted, abs=0.1)


def test_a_vein_that_a_small_push_seals_is_not_passed_through():
    """The greatest push would send a 28 mm ball through 24 mm; the try stops where it occludes."""
    phantom = hole(12.0, edge_mm=1.0, plate_mm=22.0, tube_mm=45.0)
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    prepared, _, batch = before(phantom, sphere(28), [line], SOFT)
    rest = rest_of(batch, [0.0, 0.0, 14.0], prepared.exit(SOFT))
    assert rest.state[0] == WENT_THROUGH
    fit = seat(phantom, 28, SOFT)
    assert fit.outcome == "seated"
    assert fit.sealed
    assert fit.depth_mm < 0.0
    assert fit.push_n < 0.1 * SOFT.greatest_push_n


@pytest.mark.parametrize("edge", [0.5, 1.0, 1.5])
def test_seats_do_not_depend_on_the_density_of_the_mesh(edge):
    # 1.5 mm chords of a ring of 10 mm radius lie up to 0.03 mm inside it.
    phantom = rounded_hole(8.0, 4.0, edge_mm=edge, plate_mm=26.0, tube_mm=22.0)
    fine = rounded_hole(8.0, 4.0, edge_mm=0.4, plate_mm=26.0, tube_mm=22.0)
    one, other = seat(phantom, 28, SOFT), seat(fine, 28, SOFT)
    assert one.depth_mm == pytest.approx(other.depth_mm, abs=0.05)
    assert one.contact_area_mm2 == pytest.approx(other.contact_area_mm2, rel=0.03)


def test_leaks_do_not_depend_on_the_density_of_the_mesh():
    fits = [
        seat(hole(11.0, 8 / 11, edge_mm=edge, plate_mm=26.0, tube_mm=20.0), 28)
        for edge in (0.5, 1.5)
    ]
    assert fits[0].leak_width_mm == pytest.approx(fits[1].leak_width_mm, abs=LEAK_MM)
    assert fits[0].leak_area_mm2 == pytest.approx(fits[1].leak_area_mm2, rel=0.03)


def test_the_frame_does_not_matter():
    phantom = hole(11.0, 8 / 11, edge_mm=0.8, plate_mm=26.0, tube_mm=20.0)
    turn = Rotation.from_euler("zyx", [40, -25, 70], degrees=True).as_matrix()
    shift = np.array([-88.0, -170.0, 210.0])
    here = seat(phantom, 28, SOFT, structures={"line": np.array([[0.0, 25, 0], [30.0, 25, 5]])})
    line = np.array([[0.0, 25, 0], [30.0, 25, 5]]) @ turn.T + shift
    there = seat(moved(phantom, turn, shift), 28, SOFT, structures={"line": line})
    assert np.allclose(here.centre @ turn.T + shift, there.centre, atol=1e-4)
    for name in (
        "depth_mm",
        "nose_depth_mm",
        "leak_width_mm",
        "leak_area_mm2",
        "contact_area_mm2",
        "antral_area_mm2",
        "contact_arc_deg",
    ):
        wanted = pytest.approx(getattr(there, name), abs=2e-3, rel=2e-3)
        assert getattr(here, name) == wanted, name
    assert here.distances_mm["line"] == pytest.approx(there.distances_mm["line"], abs=0.006)
    assert [leak.width_mm for leak in here.leaks] == pytest.approx(
        [leak.width_mm for leak in there.leaks], abs=1e-3
    )
