"""Fewer faces for the same shape."""

from __future__ import annotations

import subprocess
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from surface.shapes import sphere
from vtkmodules.vtkFiltersCore import vtkImplicitPolyDataDistance, vtkQuadricDecimation

from veinfit.surface import Surface, resample
from veinfit.surface.mesh import edges, enclosed_volume, select_faces
from veinfit.surface.openings import boundary_loops, loop_diameter
from veinfit.surface.refine import refine
from veinfit.surface.resample import with_fewer_faces
from veinfit.surface.vtk_bridge import poly_data, triangle_arrays


@pytest.fixture(scope="module")
def ball():
    return refine(sphere(20.0), 1.2).surface


def test_a_ball_stays_a_ball(ball):
    fewer = with_fewer_faces(ball, 3000)
    assert abs(len(fewer.faces) - 3000) < 30
    assert (edges(fewer)[2] == 2).all()
    # A vertex of a sphere cut into N triangles lies within about the chord's height of it:
    # with edges e, e2 / 8 R; 3000 faces of 5027 mm2 have edges of 2 mm.
    off = np.linalg.norm(fewer.points - ball.points.mean(axis=0), axis=1) - 20.0
    assert np.abs(off).max() < 2.0**2 / (8.0 * 20.0) * 3.0
    # Less than the chord's height all over.
    most = 5027.0 * 2.0**2 / (8.0 * 20.0)
    assert enclosed_volume(fewer) == pytest.approx(enclosed_volume(ball), abs=most)


def test_an_opening_keeps_its_size(ball):
    open_ball, _ = select_faces(ball, ball.points[ball.faces].mean(axis=1)[:, 2] < 12.0)
    fewer = with_fewer_faces(open_ball, 3000)
    (before,), (after,) = boundary_loops(open_ball), boundary_loops(fewer)
    # The ragged edge of the coarser faces is smoothed a little.
    assert loop_diameter(fewer, after) == pytest.approx(loop_diameter(open_ball, before), rel=0.05)


def test_enough_is_left_as_it_is(ball):
    assert with_fewer_faces(ball, len(ball.faces)) is ball


def test_the_same_surface_gives_the_same_faces(ball):
    one, two = (with_fewer_faces(ball, 2500) for _ in range(2))
    assert np.array_equal(one.points, two.points)
    assert np.array_equal(one.faces, two.faces)


def test_as_near_to_the_surface_as_another_library(ball):
    thin = vtkQuadricDecimation()
    thin.SetInputData(poly_data(ball.points, ball.faces))
    thin.SetTargetReduction(1.0 - 3000 / len(ball.faces))
    thin.VolumePreservationOn()
    thin.Update()
    other = Surface(*triangle_arrays(thin.GetOutput()))
    ours, theirs = (
        np.percentile(_distances(ball.points, fewer), 95.0)
        for fewer in (with_fewer_faces(ball, 3000), other)
    )
    assert ours < 1.1 * theirs


def test_several_at_once_do_not_mix(ball):
    alone = [with_fewer_faces(ball, 1000 + 200 * k).points for k in range(6)]
    with ThreadPoolExecutor(6) as pool:
        at_once = list(pool.map(lambda k: with_fewer_faces(ball, 1000 + 200 * k).points, range(6)))
    assert all(np.array_equal(a, b) for a, b in zip(alone, at_once, strict=True))


def test_many_faces_are_thinned_in_a_process_of_their_own_alike(ball, monkeypatch):
    here = with_fewer_faces(ball, 3000)
    monkeypatch.setattr(resample, "MOST_FACES_HERE", 1000)
    there = with_fewer_faces(ball, 3000)
    assert np.array_equal(here.points, there.points) and np.array_equal(here.faces, there.faces)
    tried = []

    def none_to_be_had(command, **options):
        tried.append(command)
        raise OSError("no more processes")

    def killed_while_it_wrote(command, **options):
        tried.append(command)
        return subprocess.CompletedProcess(command, 0, b"PK\x03\x04 cut short", b"")

    for fails in (none_to_be_had, killed_while_it_wrote):
        monkeypatch.setattr(resample.subprocess, "run", fails)
        again = with_fewer_faces(ball, 3000)
        assert np.array_equal(here.points, again.points)
    assert len(tried) == 2


def _distances(points, surface):
    """Distances (N,) of points from a surface."""
    distance = vtkImplicitPolyDataDistance()
    distance.SetInput(poly_data(surface.points, surface.faces))
    return np.abs([distance.EvaluateFunction(point) for point in points])


def test_nothing_is_returned_where_an_opening_would_be_lost():
    # A tetrahedron's faces cannot become one.
    points = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])
    result = with_fewer_faces(Surface(points, faces), 1)
    assert result is None or len(result.faces) == 4
