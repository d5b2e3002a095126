"""Fewer faces for surfaces that are looked at, and what their vertices were."""

from __future__ import annotations

import fast_simplification
import numpy as np
import pytest
from scipy.spatial import Delaunay, cKDTree
from surface.shapes import sphere

from veinfit.surface import Surface, resample
from veinfit.surface.mesh import edges, face_normals, select_faces
from veinfit.surface.openings import boundary_loops, rim_edges, rim_vertices
from veinfit.surface.refine import refine
from veinfit.surface.rim_keeping import places_on, with_fewer_faces_and_rims


@pytest.fixture(scope="module")
def cup():
    """A ball whose top is cut off along whole faces: its rim is ragged."""
    ball = refine(sphere(20.0), 1.2).surface
    below = ball.points[ball.faces].mean(axis=1)[:, 2] < 12.0
    return select_faces(ball, below)[0]


def far_from_rim(there, here):
    """The farthest that a rim's vertices lie from another rim."""
    share = np.linspace(0.0, 1.0, 51)[:, None, None]
    start, end = (here.points[rim_edges(here)[:, k]] for k in range(2))
    along = ((1.0 - share) * start + share * end).reshape(-1, 3)
    return cKDTree(along).query(there.points[rim_vertices(there)])[0].max()


@pytest.fixture(scope="module")
def plate():
    """A flat round plate of radius 20 mm: nothing but its rim has a shape."""
    turn = np.linspace(0.0, 2 * np.pi, 120, endpoint=False)
    grid = np.mgrid[-19:20, -19:20].reshape(2, -1).T.astype(float)
    grid = grid[np.linalg.norm(grid, axis=1) < 19.0]
    flat = np.concatenate([20.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1), grid])
    corners = Delaunay(flat).simplices
    (x1, y1), (x2, y2) = ((flat[corners[:, k]] - flat[corners[:, 0]]).T for k in (1, 2))
    up = x1 * y2 - x2 * y1 > 0
    corners = np.where(up[:, None], corners, corners[:, ::-1])
    points = np.concatenate([flat, np.zeros((len(flat), 1))], axis=1)
    return Surface(points, corners.astype(np.int64))


def test_a_rim_stays_where_the_library_alone_loses_it(plate, cup):
    (few,) = with_fewer_faces_and_rims([plate], [600])
    assert len(few.faces) < 0.5 * len(plate.faces)
    points, faces = fast_simplification.simplify(
        np.array(plate.points),
        np.array(plate.faces, dtype=np.int32),
        target_count=len(few.faces),
        agg=resample.GREED,
    )
    alone = Surface(points.astype(float), faces.astype(np.int64))
    # Of a chord over an edge of 1 mm the height is 0.006 mm.
    assert far_from_rim(plate, few) < 0.03
    assert far_from_rim(few, plate) < 0.03
    assert far_from_rim(plate, alone) > 0.2
    (ragged,) = with_fewer_faces_and_rims([cup], [3000])
    assert far_from_rim(cup, ragged) < 0.05


def test_what_is_thinned_is_sound_and_near(cup):
    (few,) = with_fewer_faces_and_rims([cup], [3000])
    assert set(edges(few)[2].tolist()) == {1, 2}
    assert len(boundary_loops(few)) == 1
    away = np.linalg.norm(few.points - cup.points.mean(axis=0) * [1.0, 1.0, 0.0], axis=1) - 20.0
    # Edges of 2 mm on a ball of 20 mm: the chord's height is e2 / 8 R.
    assert np.abs(away).max() < 2.0**2 / (8.0 * 20.0) * 3.0
    # Nothing of the skirt is left, and nothing is turned over.
    middles = few.points[few.faces].mean(axis=1)
    assert (np.einsum("fk,fk->f", face_normals(few), middles) > 0.9 * 19.0).all()


def test_closed_small_and_several_surfaces(cup):
    ball = refine(sphere(20.0), 1.5).surface
    one, two, three = with_fewer_faces_and_rims([ball, cup, cup], [2000, 3000, len(cup.faces)])
    assert (edges(one)[2] == 2).all() and abs(len(one.faces) - 2000) < 30
    (alone,) = with_fewer_faces_and_rims([cup], [3000])
    assert np.array_equal(two.points, alone.points) and np.array_equal(two.faces, alone.faces)
    assert three is cup


def test_in_a_process_of_its_own_alike(cup, monkeypatch):
    here = with_fewer_faces_and_rims([cup, cup], [3000, 2000])
    monkeypatch.setattr(resample, "MOST_FACES_HERE", 1000)
    there = with_fewer_faces_and_rims([cup, cup], [3000, 2000])
    for one, two in zip(here, there, strict=True):
        assert np.array_equal(one.points, two.points) and np.array_equal(one.faces, two.faces)


def test_nothing_is_returned_where_an_opening_would_close(cup, monkeypatch):
    """As if the library had drawn the skirt's free edge together to a point."""
    from veinfit.surface import rim_keeping

    ball = refine(sphere(20.0), 3.0).surface
    monkeypatch.setattr(
        rim_keeping, "thinned_arrays", lambda surfaces, faces, prepared: [(ball.points, ball.faces)]
    )
    assert with_fewer_faces_and_rims([cup], [3000]) == [None]


def test_rims_are_those_of_the_table_of_edges(cup):
    runs = rim_edges(cup)
    pairs, _, counts = edges(cup)
    assert {tuple(sorted(run)) for run in runs.tolist()} == set(
        map(tuple, pairs[counts == 1].tolist())
    )
    # As the faces run along them, as loops do.
    (loop,) = boundary_loops(cup)
    following = dict(zip(loop.tolist(), np.roll(loop, -1).tolist(), strict=True))
    assert dict(runs.tolist()) == following
    assert len(rim_edges(sphere(5.0))) == 0


def test_values_are_carried_to_places_on_the_surface(cup):
    (few,) = with_fewer_faces_and_rims([cup], [3000])
    places = places_on(cup, few.points)
    assert places.shares.min() >= 0.0
    assert np.allclose(places.shares.sum(axis=1), 1.0)
    # The places themselves, and a linear function of them, which faces hold exactly.
    assert np.linalg.norm(places.of(cup.points) - few.points, axis=1).max() < 0.1
    height = places.of(cup.points @ [0.3, -0.5, 0.8])
    assert np.abs(height - few.points @ [0.3, -0.5, 0.8]).max() < 0.1
    # At the surface's own vertices their own values.
    own = places_on(cup, cup.points[:200])
    values = np.random.default_rng(5).normal(size=len(cup.points))
    assert np.allclose(own.of(values), values[:200])
