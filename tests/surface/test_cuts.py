"""Plane cuts against closed forms and an independent slicing library."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from surface.shapes import moved, sphere, tube

from veinfit.surface import Surface
from veinfit.surface.cuts import fan_curves, plane_contours, split_along_plane
from veinfit.surface.mesh import enclosed_volume, total_area
from veinfit.surface.openings import loop_plane

BALL = sphere(20.0)


def test_a_sphere_is_cut_in_a_circle_that_runs_counter_clockwise():
    (contour,) = plane_contours(BALL, np.array([0, 0, 5.0]), np.array([0, 0, 1.0]))
    assert contour.closed
    centre, normal, area = loop_plane(contour.points)
    assert normal == pytest.approx([0, 0, 1])
    assert centre == pytest.approx([0, 0, 5], abs=1e-6)
    assert 0.99 < area / (np.pi * (400 - 25)) < 1.0


def test_every_point_lies_in_its_face_and_on_the_plane():
    origin, normal = np.array([1.0, 2.0, -3.0]), np.array([0.6, 0.0, 0.8])
    for contour in plane_contours(BALL, origin, normal):
        corners = BALL.points[BALL.faces[contour.faces]]
        assert np.abs((contour.points - origin) @ normal).max() < 1e-9
        following = np.roll(contour.points, -1, axis=0)
        middle = 0.5 * (contour.points + following)
        face_normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        height = ((middle - corners[:, 0]) * face_normal).sum(axis=1)
        assert np.abs(height / np.linalg.norm(face_normal, axis=1)).max() < 1e-9


@given(
    st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1),
    st.floats(-19, 19),
)
def test_every_cut_of_a_closed_surface_is_closed(direction, height):
    normal = np.array(direction) / np.linalg.norm(direction)
    contours = plane_contours(BALL, height * normal, normal)
    assert contours
    assert all(c.closed for c in contours)


def test_a_plane_through_vertices_still_gives_closed_curves():
    for z in np.unique(BALL.points[:, 2].round(9))[1:-1]:
        contours = plane_contours(BALL, np.array([0, 0, z]), np.array([0, 0, 1.0]))
        assert all(c.closed for c in contours)


@pytest.mark.parametrize("surface", [BALL, tube(5.0, 5.0, 30.0)], ids=["closed", "open"])
def test_a_fan_of_planes_cuts_the_curves_of_each_of_them(surface):
    origin = np.array([0.3, -0.2, 7.0])
    angle = np.arange(11)[:, None] * np.pi / 11
    normals = np.cos(angle) * np.array([1.0, 0.0, 0.1]) + np.sin(angle) * np.array([0, 1.0, 0])
    fan = fan_curves(surface, origin, normals)
    for k, normal in enumerate(normals):
        contours = plane_contours(surface, origin, normal)
        assert sum(len(c.points) for c in contours) == (fan.planes == k).sum()
        for contour in contours:
            gaps = np.linalg.norm(fan.points - contour.points[0], axis=1)
            here = int(np.argmin(np.where(fan.planes == k, gaps, np.inf)))
            for step, (point, face) in enumerate(
                zip(contour.points, contour.faces, strict=True), start=1
            ):
                assert fan.points[here] == pytest.approx(point, abs=1e-9)
                assert fan.faces[here] == face
                before, here = here, int(fan.following[here])
                assert here == -1 or fan.previous[here] == before
                assert here != -1 or (step == len(contour.points) and not contour.closed)


def test_a_fan_beside_a_surface_cuts_nothing():
    fan = fan_curves(BALL, np.array([50.0, 0.0, 0.0]), np.array([[1.0, 0.1, 0.0], [1.0, 0.0, 0.1]]))
    assert len(fan.points) == len(fan.following) == len(fan.previous) == 0


def test_sections_agree_with_a_slicing_library(rng):
    turn = Rotation.random(random_state=rng).as_matrix()
    pipe = moved(tube(9.0, 6.0, 40.0), turn, np.array([5.0, -7.0, 3.0]))
    axis = turn @ [0.0, 0.0, 1.0]
    other = trimesh.Trimesh(pipe.points, pipe.faces, process=False)  # trimesh, PyPI
    for _ in range(20):
        normal = axis + rng.normal(scale=0.3, size=3)
        normal /= np.linalg.norm(normal)
        origin = turn @ [0, 0, 20.0] + [5.0, -7.0, 3.0]
        (contour,) = plane_contours(pipe, origin, normal)
        segments = trimesh.intersections.mesh_plane(other, normal, origin)
        length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1).sum()
        closing = np.roll(contour.points, -1, axis=0) - contour.points
        assert np.linalg.norm(closing, axis=1).sum() == pytest.approx(length, rel=1e-9)


def test_an_open_surface_gives_an_open_curve():
    pipe = tube(6.0, 6.0, 30.0)
    contours = plane_contours(pipe, np.array([0.0, 0.1, 0.0]), np.array([0.0, 1.0, 0.0]))
    assert [c.closed for c in contours] == [False, False]


def test_splitting_keeps_area_and_volume_and_leaves_no_face_across():
    origin, normal = np.array([0.3, -0.2, 4.1]), np.array([0.0, 0.6, 0.8])
    split, parent, above = split_along_plane(BALL, origin, normal, np.ones(len(BALL.faces), bool))
    assert total_area(split) == pytest.approx(total_area(BALL), rel=1e-12)
    assert enclosed_volume(split) == pytest.approx(enclosed_volume(BALL), rel=1e-12)
    assert np.array_equal(split.points[: len(BALL.points)], BALL.points)
    height = (split.points[split.faces] - origin) @ normal
    assert height[above].min() > -1e-9
    assert height[~above].max() < 1e-9
    assert parent.max() < len(BALL.faces)


def test_splitting_a_part_opens_no_crack():
    chosen = BALL.points[BALL.faces].mean(axis=1)[:, 0] > 3.0
    split, _, _ = split_along_plane(BALL, np.zeros(3), np.array([0.1, 0.3, 1.0]), chosen)
    mesh = trimesh.Trimesh(split.points, split.faces, process=False)
    assert mesh.is_watertight
    assert isinstance(split, Surface)
