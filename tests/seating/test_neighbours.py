"""Distances from the freezing zone of a balloon to structures, planted and by brute force."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from veinfit.seating.balloon import Balloon, sphere
from veinfit.seating.neighbours import FreezingZone, distances_mm, zone_distance_mm
from veinfit.surface import Surface
from veinfit.vectors import unit

SHAFT = unit([0.3, -0.5, 0.8])
CENTRE = np.array([12.0, -40.0, 55.0])
ZONE = FreezingZone.of(sphere(28), CENTRE, SHAFT)
ACROSS = unit(np.cross(SHAFT, [0.0, 0.0, 1.0]))


def at(polar_deg, distance):
    """The point at a polar angle from the nose, that far off the balloon's surface."""
    t = np.radians(polar_deg)
    return CENTRE + (14.0 + distance) * (np.cos(t) * SHAFT + np.sin(t) * ACROSS)


def test_a_planted_polyline_is_found_at_its_distance():
    # The published display threshold for the phrenic course, 12.40 mm.
    nearest = at(50.0, 12.40)
    along = np.cross(SHAFT, ACROSS)
    line = nearest + np.array([[-17.3], [4.1], [22.0]]) * along
    assert zone_distance_mm(ZONE, line) == pytest.approx(12.40, abs=0.006)


def test_a_planted_plane_is_found_though_no_corner_is_near():
    nearest = at(50.0, 12.40)
    normal = unit(nearest - CENTRE)
    e1, e2 = ACROSS - (ACROSS @ normal) * normal, np.cross(normal, ACROSS)
    corners = nearest + np.array([-60 * e1 - 40 * e2, 70 * e1 - 50 * e2, 5 * e1 + 80 * e2])
    found = zone_distance_mm(ZONE, Surface(corners, np.array([[0, 1, 2]])))
    assert found == pytest.approx(12.40, abs=0.006)


def test_a_shell_around_the_balloon_is_found_quickly():
    shell = trimesh.creation.icosphere(subdivisions=4, radius=19.0)
    surface = Surface(shell.vertices + CENTRE, shell.faces)
    before = (shell.triangles_center @ SHAFT) > 1.0
    nearest_plane = np.abs((shell.face_normals * shell.triangles_center).sum(axis=1))[before].min()
    assert zone_distance_mm(ZONE, surface) == pytest.approx(nearest_plane - 14.0, abs=0.006)


def test_behind_the_balloon_a_nearer_wall_does_not_hide_what_is_near_the_zone():
    # The first triangle all but touches the balloon's back, 14 √2 from the zone's edge.
    def patch(middle, normal):
        e1 = unit(np.cross(normal, [0.3, 1.0, -0.2]))
        return middle + np.array([2 * e1, np.cross(normal, e1) - e1, -np.cross(normal, e1) - e1])

    points = np.concatenate([patch(at(180.0, 0.1), SHAFT), patch(at(40.0, 9.0), SHAFT)])
    both = Surface(points, np.array([[0, 1, 2], [3, 4, 5]]))
    alone = zone_distance_mm(ZONE, Surface(points[3:], np.array([[0, 1, 2]])))
    assert zone_distance_mm(ZONE, both) == alone
    assert 6.0 < alone < 9.01


@pytest.mark.parametrize(
    ("polar", "distance", "wanted"),
    [(0.0, 3.0, 3.0), (89.0, 7.0, 7.0), (180.0, 0.0, 14.0 * np.sqrt(2.0)), (180.0, 6.0, None)],
)
def test_single_points_in_front_of_and_behind_the_zone(polar, distance, wanted):
    # Behind: the nearest part of the zone is its edge, the equator.
    wanted = np.hypot(14.0, 20.0) if wanted is None else wanted
    assert zone_distance_mm(ZONE, at(polar, distance)[None]) == pytest.approx(wanted, abs=1e-9)


def test_what_lies_inside_the_balloon_before_the_zone_touches_it():
    assert zone_distance_mm(ZONE, at(30.0, -2.0)[None]) == 0.0
    band = FreezingZone.of(
        Balloon("band", 28, 28, zone_from_deg=60.0, zone_to_deg=90.0), CENTRE, SHAFT
    )
    inside = zone_distance_mm(band, at(30.0, -2.0)[None])
    t = np.radians(30.0)
    wanted = np.hypot(12.0 * np.cos(t) - 14.0, 12.0 * np.sin(t))
    assert inside == pytest.approx(wanted)


def test_structures_are_named_and_empty_ones_left_out():
    shapes = {"oesophagus": at(20.0, 5.0)[None], "right_phrenic_nerve": np.empty((0, 3))}
    assert distances_mm(ZONE, shapes) == {"oesophagus": pytest.approx(5.0)}


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(*[st.floats(-40.0, 40.0)] * 3), min_size=3, max_size=3, unique=True))
def test_distances_are_those_of_dense_sampling(offsets):
    corners = CENTRE + np.array(offsets)
    i, j = np.meshgrid(np.arange(201), np.arange(201), indexing="ij")
    keep = i + j <= 200
    a, b = i[keep, None] / 200, j[keep, None] / 200
    points = corners[0] + a * (corners[1] - corners[0]) + b * (corners[2] - corners[0])
    sampled = ZONE.distance(points).min()
    spacing = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).max() / 200
    found = zone_distance_mm(ZONE, Surface(corners, np.array([[0, 1, 2]])))
    assert found <= sampled + 0.005
    assert found >= sampled - spacing or sampled < spacing
    line = zone_distance_mm(ZONE, corners)
    assert line >= found - 0.005, "the outline is part of the triangle"
