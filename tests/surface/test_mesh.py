"""Areas, volumes and normals against closed forms and an independent mesh library."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation
from surface.shapes import plate, sphere, tube

from veinfit.surface import Surface
from veinfit.surface.mesh import (
    edges,
    enclosed_volume,
    face_normals,
    total_area,
    vertex_areas,
    vertex_normals,
)
from veinfit.surface.openings import boundary_loops, cap_loops
from veinfit.surface.own_frame import own_frame


def test_a_sphere_has_nearly_its_volume_and_area():
    ball = sphere(20.0)
    assert 0.99 < enclosed_volume(ball) / (4.0 / 3.0 * np.pi * 20.0**3) < 1.0  # chords lie inside
    assert 0.99 < total_area(ball) / (4.0 * np.pi * 20.0**2) < 1.0


def test_volume_and_area_agree_with_a_mesh_library(rng):
    ball = sphere(20.0)
    warped = Surface(ball.points + rng.normal(scale=0.3, size=ball.points.shape), ball.faces)
    other = trimesh.Trimesh(warped.points, warped.faces, process=False)  # trimesh, PyPI
    assert enclosed_volume(warped) == pytest.approx(other.volume, rel=1e-10)
    assert total_area(warped) == pytest.approx(other.area, rel=1e-12)


def test_volume_does_not_depend_on_where_the_surface_lies():
    ball = sphere(10.0)
    far = Surface(ball.points + 1e4, ball.faces)
    assert enclosed_volume(far) == pytest.approx(enclosed_volume(ball), rel=1e-9)


def test_normals_of_a_sphere_point_away_from_its_centre():
    ball = sphere(5.0)
    outward = ball.points / 5.0
    assert (vertex_normals(ball) * outward).sum(axis=1).min() > 0.998
    assert ((ball.points[ball.faces].mean(axis=1)) * face_normals(ball)).sum(axis=1).min() > 0


def test_vertex_areas_add_up():
    flat = plate(10.0, 0.5)
    assert vertex_areas(flat).sum() == pytest.approx(100.0)


def test_a_plate_has_each_inner_edge_twice():
    _, face_edges, counts = edges(plate(2.0, 1.0))
    assert sorted(counts.tolist()) == [1] * 8 + [2] * 8
    assert face_edges.shape == (8, 3)


def test_a_capped_tube_holds_its_volume():
    pipe = tube(6.0, 6.0, 30.0, around=200)
    loops = boundary_loops(pipe)
    assert len(loops) == 2
    closed, cap = cap_loops(pipe, loops)
    assert 0.999 < enclosed_volume(closed) / (np.pi * 36.0 * 30.0) < 1.0
    assert set(cap.tolist()) == {-1, 0, 1}
    assert not boundary_loops(closed)


@pytest.mark.parametrize(
    ("points", "faces", "message"),
    [
        (np.zeros((3, 2)), np.array([[0, 1, 2]]), "points must have shape"),
        (np.zeros((3, 3)), np.array([[0, 1]]), "faces must have shape"),
        (np.zeros((3, 3)), np.array([[0, 1, 7]]), "refer to vertex 7"),
    ],
)
def test_a_surface_refuses_what_is_none(points, faces, message):
    with pytest.raises(ValueError, match=message):
        Surface(points, faces)


def test_the_own_frame_of_a_surface_turns_with_it(rng):
    # A ball drawn out differently along three directions, and farther to one side of each.
    unit_ball = sphere(1.0).points
    stretch = np.where(unit_ball > 0.0, [30.0, 20.0, 12.0], [22.0, 15.0, 9.0])
    egg = Surface(unit_ball * stretch, sphere(1.0).faces)
    centre, axes = own_frame(egg)
    assert np.abs(axes - np.eye(3)).max() < 0.05
    turn = Rotation.random(random_state=rng).as_matrix()
    shift = np.array([40.0, -70.0, 120.0])
    turned_centre, turned_axes = own_frame(Surface(egg.points @ turn.T + shift, egg.faces))
    assert turned_centre == pytest.approx(turn @ centre + shift, abs=1e-9)
    assert turned_axes == pytest.approx(axes @ turn.T, abs=1e-9)
    assert np.linalg.det(axes) == pytest.approx(1.0)


def test_the_own_frame_does_not_depend_on_how_finely_a_surface_is_divided():
    coarse = trimesh.creation.box(extents=(30.0, 20.0, 10.0))  # trimesh, PyPI
    fine = coarse.subdivide().subdivide()
    (a, b), (c, d) = (
        own_frame(Surface(m.vertices + [1.0, 2.0, 3.0], m.faces)) for m in (coarse, fine)
    )
    assert a == pytest.approx(c)
    assert np.abs(b @ d.T) == pytest.approx(np.eye(3), abs=1e-9)


def test_tables_that_were_dropped_are_found_anew():
    ball = sphere(5.0)
    before = [ball.by_corner.copy(), *(part.copy() for part in edges(ball))]
    ball.drop_tables()
    after = [ball.by_corner, *edges(ball)]
    assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))
