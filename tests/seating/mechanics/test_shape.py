"""Balloons that are no spheres: spheroids and tables, against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from seating.phantoms import cone, hole
from seating.pushed import before

from veinfit.errors import InputError
from veinfit.report.pictures.fit_scene import balloon_surface
from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.balloon import Balloon, sphere
from veinfit.seating.balloon_file import balloon_from_mapping
from veinfit.seating.mechanics.shape import Sphere, Spheroid, Turned, depth_terms
from veinfit.seating.neighbours import FreezingZone, zone_distance_mm
from veinfit.seating.prepare import prepare
from veinfit.seating.seal.gap import gap_field
from veinfit.seating.seat import seat_balloon, seat_vein
from veinfit.seating.uncertainty.attempts import simulator
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.vectors import unit

SOFT = SeatingSettings(patch_edge_mm=1.0, growth_what_if_mm=0.0)
RIGID = replace(
    SOFT,
    ring_stiffness_kpa_per_mm=1e8,
    body_stiffness_kpa_per_mm=1e8,
    locking_depth_mm=np.inf,
    shape_stiffness_n_per_mm=1e6,
)


def spheroid(wide, long):
    return Balloon("trial", float(wide), float(long), "spheroid")


def rows_of(across, along, count=61):
    """The half section of a spheroid as a table."""
    polar = np.linspace(np.pi, 0.0, count)
    section = np.stack([along * np.cos(polar), across * np.sin(polar)], axis=1)
    section[[0, -1], 1] = 0.0
    section[count // 2] = [0.0, across]
    return tuple(map(tuple, section))


SHAPES = (
    Sphere(14.0),
    Spheroid(14.0, 18.0),
    Spheroid(15.0, 12.0, -0.4),
    Turned(rows_of(14.0, 17.0)),
    Turned(rows_of(15.0, 13.0), 0.5),
)


@pytest.mark.parametrize(("wide", "long"), [(28, 36), (28, 28), (31, 24)])
def test_spheroid_on_a_sharp_round_hole(wide, long):
    """The rim lies on the spheroid: h = b √(1 − (r/a)²)."""
    phantom = hole(10.0, edge_mm=0.8, plate_mm=24.0, tube_mm=20.0)
    fit = seat_vein(phantom.anatomy, phantom.vein, [spheroid(wide, long)], RIGID)[0]
    height = long / 2 * np.sqrt(1.0 - (20.0 / wide) ** 2)
    assert fit.outcome == "seated" and fit.sealed
    assert fit.depth_mm == pytest.approx(-height, abs=0.06)
    assert fit.nose_depth_mm == pytest.approx(long / 2 - height, abs=0.06)
    assert fit.leak_width_mm == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("wide", "long"), [(28, 36), (31, 24)])
def test_spheroid_in_a_cone(wide, long):
    """The cone's wall touches: centre to apex √(a² cos²α + b² sin²α)/sin α."""
    alpha, throat = np.radians(40.0), 4.0
    phantom = cone(40.0, throat, mouth=24.0, edge_mm=0.8)
    fit = seat_vein(phantom.anatomy, phantom.vein, [spheroid(wide, long)], RIGID)[0]
    a, b = wide / 2, long / 2
    apex = np.hypot(a * np.cos(alpha), b * np.sin(alpha)) / np.sin(alpha)
    assert fit.depth_mm == pytest.approx(-(apex - throat / np.tan(alpha)), abs=0.06)
    assert fit.occluded


def test_a_spheroid_of_equal_axes_is_a_sphere():
    phantom = hole(9.0, ratio=0.8, edge_mm=1.0, plate_mm=22.0, tube_mm=18.0)
    ball = seat_vein(phantom.anatomy, phantom.vein, [sphere(28)], SOFT)[0]
    same = seat_vein(phantom.anatomy, phantom.vein, [spheroid(28, 28)], SOFT)[0]
    assert same.centre == pytest.approx(ball.centre, abs=1e-4)
    assert same.leak_width_mm == pytest.approx(ball.leak_width_mm, abs=1e-4)
    assert same.leak_area_mm2 == pytest.approx(ball.leak_area_mm2, abs=1e-2)
    assert same.antral_area_mm2 == pytest.approx(ball.antral_area_mm2, abs=0.5)


def test_a_table_lies_as_the_spheroid_that_it_samples():
    phantom = hole(9.0, edge_mm=1.0, plate_mm=22.0, tube_mm=18.0)
    table = Balloon("trial", 28.0, 34.0, "table", section=rows_of(14.0, 17.0))
    true = seat_vein(phantom.anatomy, phantom.vein, [spheroid(28, 34)], SOFT)[0]
    fit = seat_vein(phantom.anatomy, phantom.vein, [table], SOFT)[0]
    assert fit.depth_mm == pytest.approx(true.depth_mm, abs=0.01)


def test_the_axis_follows_the_shaft():
    """Tilted with its shaft, a long balloon leaks on a round hole on which a ball does not."""
    phantom = hole(10.0, edge_mm=1.0, plate_mm=26.0, tube_mm=20.0)
    # Without a tolerance neither occludes, so that both are pushed with the greatest push.
    held = replace(RIGID, guide_n_per_mm=1.0, greatest_push_n=1.5, contact_tolerance_mm=0.0)
    tilt = np.radians(25.0)
    line = line_through_ostium("transseptal", phantom.vein, [np.sin(tilt), 0.0, -np.cos(tilt)])
    prepared = prepare(phantom.anatomy, phantom.vein, 18.0, held)
    ball, longer = (
        seat_balloon(prepared, simulator(prepared, balloon, line, held, MarginSettings(samples=0)))
        for balloon in (sphere(28), spheroid(28, 36))
    )
    # A circle is a section of this spheroid across its axis alone; a tilted rim leaves a gap.
    assert longer.leak_width_mm > ball.leak_width_mm + 0.2
    drawn = balloon_surface(longer, {})
    assert np.linalg.norm(drawn.points - longer.centre, axis=1).max() == pytest.approx(18.0)
    nose = drawn.points[np.argmax(drawn.points @ line.direction)]
    assert unit(nose - longer.centre) == pytest.approx(line.direction, abs=1e-6)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: type(shape).__name__)
@settings(max_examples=25, deadline=None)
@given(
    offset=st.tuples(*[st.floats(-16.0, 16.0)] * 3),
    shaft=st.tuples(*[st.floats(-1.0, 1.0)] * 3),
)
def test_depth_changes_as_its_derivatives_say(shape, offset, shaft):
    r, d = np.array(offset), np.array(shaft)
    if np.linalg.norm(r) < 2.0 or np.linalg.norm(d) < 0.1:
        return
    d = unit(d)
    _, gradient, hessian = depth_terms(shape, r, d)
    step = 1e-5
    for k, e in enumerate(step * np.eye(3)):
        # The balloon's centre moves: the offset shrinks.
        up, down = depth_terms(shape, r - e, d), depth_terms(shape, r + e, d)
        assert gradient[k] == pytest.approx((up[0] - down[0]) / (2 * step), abs=1e-6)
        assert hessian[k] == pytest.approx((up[1] - down[1]) / (2 * step), abs=2e-4)


def test_gap_and_distance_at_the_poles_and_the_equator():
    balloon = spheroid(28, 36)
    zone = FreezingZone.of(balloon, np.zeros(3), np.array([0.0, 0.0, 1.0]))
    assert zone_distance_mm(zone, np.array([[0.0, 0.0, 23.0]])) == pytest.approx(5.0, abs=1e-3)
    assert zone_distance_mm(zone, np.array([[20.0, 0.0, 0.0]])) == pytest.approx(6.0, abs=1e-3)
    assert zone_distance_mm(zone, np.array([[3.0, 0.0, 10.0]])) == 0.0
    # Beside the nose the nearest point is not on the ray: densely sampled.
    polar = np.radians(np.linspace(0.0, 90.0, 20001))
    point = np.array([15.0, 0.0, 12.0])
    section = np.stack([14.0 * np.sin(polar), 0 * polar, 18.0 * np.cos(polar)], axis=1)
    least = np.linalg.norm(section - point, axis=1).min()
    assert zone_distance_mm(zone, point[None]) == pytest.approx(least, abs=2e-3)
    phantom = hole(9.0, edge_mm=1.2, plate_mm=20.0, tube_mm=12.0)
    line = line_through_ostium("transseptal", phantom.vein, phantom.vein.axis)
    prepared, contact, _ = before(phantom, balloon, [line], SOFT)
    patch, touchable = prepared.patch, contact.touchable
    field = gap_field(
        patch, touchable, balloon, np.array([0.0, 0.0, 30.0]), -unit([0, 0, 1.0]), 0.5
    )
    points = patch.surface.points[touchable]
    away, along = np.hypot(points[:, 0], points[:, 1]), 30.0 - points[:, 2]
    ray = 1.0 / np.sqrt((away / 14.0) ** 2 + (along / 18.0) ** 2)
    span = np.hypot(away, along)
    assert field.gap_mm[touchable] == pytest.approx(span * (1.0 - ray), abs=1e-9)


def test_growth_lengthens_every_ray_alike():
    for balloon in (
        spheroid(28, 36),
        Balloon("t", 28.0, 34.0, "table", section=rows_of(14.0, 17.0)),
    ):
        u = np.linspace(-1.0, 1.0, 9)
        more = balloon.resized(1.0).shape.rays(u)[0] - balloon.shape.rays(u)[0]
        assert more == pytest.approx(np.full(9, 0.5))


DESCRIPTION = {
    "name": "long",
    "profile": "table",
    "section_mm": [list(row) for row in rows_of(14, 17, 9)],
}


def test_a_table_tells_its_own_size():
    balloon = balloon_from_mapping(DESCRIPTION)
    assert (balloon.equatorial_mm, balloon.axial_mm) == pytest.approx((28.0, 34.0))
    assert balloon.half_section()[-1] == pytest.approx([17.0, 0.0], abs=1e-9)
    spheroid_read = balloon_from_mapping(
        {"name": "s", "profile": "spheroid", "equatorial_diameter_mm": 28, "axial_length_mm": 34}
    )
    assert spheroid_read.shape == Spheroid(14.0, 17.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"section_mm": None}, "section_mm is missing"),
        ({"section_mm": [[0, 1, 2]]}, "rows of two numbers"),
        ({"section_mm": [[-5, 0], [0, 14], [5, 0]]}, "3 rows; give 5 or more"),
        ({"section_mm": [[-9, 1], [-5, 9], [0, 14], [5, 9], [9, 0]]}, "end with radius 0"),
        ({"section_mm": [[-9, 0], [-5, 9], [1, 14], [5, 9], [9, 0]]}, "must be at 0"),
        ({"section_mm": [[-9, 0], [0, 14], [-5, 9], [5, 9], [9, 0]]}, "seen once from its centre"),
        ({"equatorial_diameter_mm": 30}, "are not those of section_mm"),
        ({"profile": "pear"}, "there is sphere, spheroid, table"),
        ({"profile": "sphere"}, "goes with profile = 'table'"),
    ],
)  # fmt: skip
def test_faults_of_a_table_are_told(change, message):
    content = {k: v for k, v in {**DESCRIPTION, **change}.items() if v is not None}
    with pytest.raises(InputError, match=message):
        balloon_from_mapping(content)
