"""Subdivision: the shape stays, edges get short, nothing cracks."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from veinfit.surface import Surface
from veinfit.surface.mesh import edges, enclosed_volume, total_area
from veinfit.surface.refine import refine as refine_all


def refine(surface, longest):
    result = refine_all(surface, longest)
    return result.surface, result.parent


def sphere(subdivisions=2, radius=10.0):
    ball = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius)
    return Surface(ball.vertices, ball.faces)


def edge_lengths(surface):
    pairs, _, counts = edges(surface)
    ends = surface.points[pairs]
    return np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1), counts


@pytest.mark.parametrize("longest", [5.0, 1.3, 0.7])
def test_no_edge_is_longer_than_asked_and_the_shape_is_unchanged(longest):
    ball = sphere()
    fine, parent = refine(ball, longest)
    length, counts = edge_lengths(fine)
    assert length.max() <= longest + 1e-6
    assert set(counts) == {2}, "a crack opened"
    assert np.array_equal(fine.points[: len(ball.points)], ball.points)
    assert total_area(fine) == pytest.approx(total_area(ball), rel=1e-12)
    assert enclosed_volume(fine) == pytest.approx(enclosed_volume(ball), rel=1e-12)
    assert len(parent) == len(fine.faces)


def test_each_face_lies_in_its_parent_and_keeps_its_side():
    ball = sphere(1)
    fine, parent = refine(ball, 1.5)

    def area_vectors(surface):
        a, b, c = (surface.points[surface.faces[:, k]] for k in range(3))
        return 0.5 * np.cross(b - a, c - a)

    sums = np.zeros((len(ball.faces), 3))
    np.add.at(sums, parent, area_vectors(fine))
    assert np.allclose(sums, area_vectors(ball), atol=1e-9)


def test_angles_stay_bounded_on_slivers():
    # Rivara 1984: longest-edge bisection never makes an angle below half the smallest.
    sliver = Surface(np.array([[0.0, 0, 0], [10, 0, 0], [5, 0.8, 0]]), np.array([[0, 1, 2]]))

    def smallest_angle(surface):
        p = surface.points[surface.faces]
        a, b = np.roll(p, -1, axis=1) - p, np.roll(p, 1, axis=1) - p
        cosine = (a * b).sum(2) / np.linalg.norm(a, axis=2) / np.linalg.norm(b, axis=2)
        return np.degrees(np.arccos(cosine)).min()

    fine, _ = refine(sliver, 0.4)
    assert smallest_angle(fine) >= 0.5 * smallest_angle(sliver) - 1e-6


def test_an_open_edge_stays_an_open_edge():
    square = Surface(
        np.array([[0.0, 0, 0], [4, 0, 0], [4, 4, 0], [0, 4, 0]]), np.array([[0, 1, 2], [0, 2, 3]])
    )
    fine, _ = refine(square, 0.7)
    length, counts = edge_lengths(fine)
    assert length[counts == 1].sum() == pytest.approx(16.0)


def test_the_result_does_not_depend_on_the_frame():
    ball = sphere()
    turn = trimesh.transformations.random_rotation_matrix(np.array([0.1, 0.4, 0.7]))[:3, :3]
    fine, _ = refine(ball, 1.0)
    turned, _ = refine(Surface(ball.points @ turn.T + [50.0, -120.0, 300.0], ball.faces), 1.0)
    assert np.array_equal(fine.faces, turned.faces)


def test_each_added_vertex_is_the_middle_of_the_edge_it_names():
    result = refine_all(sphere(), 1.0)
    added = np.arange(len(sphere().points), len(result.surface.points))
    assert (result.halved < added[:, None]).all()
    middles = result.surface.points[result.halved].mean(axis=1)
    assert np.allclose(middles, result.surface.points[added], atol=1e-12)


def test_a_length_of_zero_is_refused():
    with pytest.raises(ValueError, match="longest_mm must be positive"):
        refine(sphere(), 0.0)
