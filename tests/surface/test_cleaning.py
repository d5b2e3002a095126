"""Repairs: what was broken on purpose is whole again, and said so."""

from __future__ import annotations

import numpy as np
import pytest
from surface.shapes import sphere, tube

from veinfit.errors import InputError
from veinfit.settings import SurfaceSettings
from veinfit.surface import Surface
from veinfit.surface.cleaning import MERGE_TOLERANCE_MM, clean_surface, merge_vertices
from veinfit.surface.mesh import edges, enclosed_volume
from veinfit.surface.openings import boundary_loops

SETTINGS = SurfaceSettings()


def texts(clean):
    return " | ".join(note.text for note in clean.notes)


def test_a_sound_surface_is_left_alone():
    ball = sphere(20.0)
    clean = clean_surface(ball, SETTINGS)
    assert clean.notes == ()
    assert np.array_equal(clean.surface.faces, ball.faces)


def test_mixed_winding_is_made_outward(rng):
    ball = sphere(20.0)
    faces = ball.faces.copy()
    turned = rng.random(len(faces)) < 0.3
    faces[turned] = faces[turned][:, ::-1]
    clean = clean_surface(Surface(ball.points, faces), SETTINGS)
    assert enclosed_volume(clean.surface) == pytest.approx(enclosed_volume(ball), rel=1e-12)
    assert f"winding of {int(turned.sum())} faces" in texts(clean)


def test_an_inside_out_open_tube_is_turned():
    pipe = tube(6.0, 5.0, 30.0)
    clean = clean_surface(Surface(pipe.points, pipe.faces[:, ::-1]), SETTINGS)
    assert np.array_equal(np.sort(clean.surface.faces, axis=1), np.sort(pipe.faces, axis=1))
    middle = clean.surface.points[clean.surface.faces].mean(axis=1) * [1, 1, 0]
    a, b, c = (clean.surface.points[clean.surface.faces[:, k]] for k in range(3))
    assert ((np.cross(b - a, c - a) * middle).sum(axis=1) > 0).all()


def test_soup_duplicates_and_degenerate_faces_are_dropped(rng):
    ball = sphere(20.0)
    soup = Surface(
        ball.points[ball.faces].reshape(-1, 3), np.arange(ball.faces.size).reshape(-1, 3)
    )
    extra = np.concatenate([soup.faces[:50], np.repeat(soup.faces[:7, :1], 3, axis=1)])
    clean = clean_surface(Surface(soup.points, np.concatenate([soup.faces, extra])), SETTINGS)
    assert len(clean.surface.points) == len(ball.points)
    assert enclosed_volume(clean.surface) == pytest.approx(enclosed_volume(ball), rel=1e-6)
    assert "57 degenerate or duplicate faces" in texts(clean)


def test_vertices_apart_by_less_than_the_tolerance_merge_wherever_they_lie():
    # Two triangles along an edge, and the copy of one end across a border of any grid.
    points = np.array([(0.0, 0, 0), (1.0, 0, 0), (0, 1.0, 0), (1.0, 1.0, 0), (1.0, 0, 0)])
    for place in np.linspace(0.0, MERGE_TOLERANCE_MM, 21):
        points[4, 0] = 1.0 + 0.3 * MERGE_TOLERANCE_MM
        moved = points + (0.37 * MERGE_TOLERANCE_MM + place) * (points[:, :1] > 0.5)
        merged = merge_vertices(
            Surface(moved, np.array([(0, 1, 2), (4, 3, 2)])), MERGE_TOLERANCE_MM
        )
        assert len(merged.points) == 4
        assert set(merged.faces[0]) & set(merged.faces[1]) == {1, 2}


def test_an_island_goes_and_a_large_piece_is_a_caution():
    ball, small, large = sphere(20.0), sphere(2.0), sphere(15.0)
    for other, severity in ((small, "info"), (large, "caution")):
        joined = Surface(
            np.concatenate([ball.points, other.points + 60.0]),
            np.concatenate([ball.faces, other.faces + len(ball.points)]),
        )
        clean = clean_surface(joined, SETTINGS)
        assert len(clean.surface.faces) == len(ball.faces)
        assert severity in {note.severity for note in clean.notes}


def test_pinholes_are_filled_and_openings_are_not():
    pipe = tube(8.0, 8.0, 40.0)
    kept = np.ones(len(pipe.faces), dtype=bool)
    kept[[500, 1200, 2000]] = False
    clean = clean_surface(Surface(pipe.points, pipe.faces[kept]), SETTINGS)
    assert len(boundary_loops(clean.surface)) == 2
    assert "3 holes" in texts(clean)


def test_two_balls_that_touch_at_a_vertex_are_parted():
    ball = sphere(20.0)
    top = int(np.argmax(ball.points[:, 2]))
    other = ball.points + [0.0, 0.0, 40.0]
    joined = Surface(
        np.concatenate([ball.points, other]),
        np.concatenate([ball.faces, ball.faces + len(ball.points)]),
    )
    clean = clean_surface(joined, SETTINGS)
    assert ball.points[top] == pytest.approx([0, 0, 20])
    assert len(clean.surface.faces) == len(ball.faces)
    assert "separated" in texts(clean)


def test_two_boxes_that_share_an_edge_stay_on_their_own_side():
    box = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], dtype=float)
    box = 20.0 * np.concatenate([box, box + [0, 0, 1]])
    faces = np.array(
        [
            [0, 2, 1], [0, 3, 2], [4, 5, 6], [4, 6, 7], [0, 1, 5], [0, 5, 4],
            [1, 2, 6], [1, 6, 5], [2, 3, 7], [2, 7, 6], [3, 0, 4], [3, 4, 7],
        ]
    )  # fmt: skip
    joined = Surface(
        np.concatenate([box, box + [20.0, 20.0, 0.0]]), np.concatenate([faces, faces + 8])
    )
    clean = clean_surface(joined, SETTINGS)
    _, _, counts = edges(clean.surface)
    assert counts.max() == 2
    assert enclosed_volume(clean.surface) == pytest.approx(8000.0)
    assert not boundary_loops(clean.surface)


def test_nothing_but_degenerate_faces_is_refused():
    points = np.zeros((3, 3))
    with pytest.raises(InputError, match="no usable triangle"):
        clean_surface(Surface(points, np.array([[0, 1, 2]])), SETTINGS)
