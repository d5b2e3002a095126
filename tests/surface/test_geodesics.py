"""Shortest paths over surfaces whose geodesics are known."""

from __future__ import annotations

import numpy as np
import pytest
from surface.shapes import plate, sphere, tube

from veinfit.surface.geodesics import path_length, shortest_path


def nearest_faces(surface, points):
    middle = surface.points[surface.faces].mean(axis=1)
    return np.array([np.argmin(np.linalg.norm(middle - p, axis=1)) for p in points])


def length_between(surface, start, stop):
    start, stop = np.atleast_2d(start), np.atleast_2d(stop)
    path = shortest_path(
        surface, start, nearest_faces(surface, start), stop, nearest_faces(surface, stop)
    )
    return path_length(path)


@pytest.mark.parametrize("angle", [3.0, 17.0, 31.0, 44.0, 71.0])
def test_a_straight_line_on_a_plate(angle):
    flat = plate(40.0, 1.0)
    a = np.array([2.3, 2.6, 0.0])
    b = a + 30.0 * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle)), 0.0])
    assert 30.0 - 1e-6 <= length_between(flat, a, b) < 30.0 * 1.006  # never under: it is a path


@pytest.mark.parametrize("turn", [30.0, 90.0, 150.0])
def test_a_great_circle_on_a_sphere(turn):
    ball = sphere(20.0)
    t = np.radians(turn)
    a, b = np.array([20.0, 0, 0]), 20.0 * np.array([np.cos(t), 0.6 * np.sin(t), 0.8 * np.sin(t)])
    assert 20.0 * t * 0.999 < length_between(ball, a, b) < 20.0 * t * 1.01


def test_a_helix_on_a_cylinder():
    pipe = tube(10.0, 10.0, 40.0, around=120, along=60)
    a, b = np.array([10.0, 0.0, 5.0]), np.array([0.0, 10.0, 30.0])
    assert length_between(pipe, a, b) == pytest.approx(np.hypot(10.0 * np.pi / 2, 25.0), rel=0.006)


def test_the_nearest_points_of_two_sets_are_joined():
    flat = plate(40.0, 1.0)
    start = np.array([[5.2, y, 0.0] for y in np.arange(5.1, 35.0, 1.0)])
    stop = np.array([[25.7, y, 0.0] for y in np.arange(5.1, 35.0, 1.0)])
    path = shortest_path(flat, start, nearest_faces(flat, start), stop, nearest_faces(flat, stop))
    assert path_length(path) == pytest.approx(20.5, rel=0.003)


def test_no_path_between_separate_pieces():
    from veinfit.surface import Surface

    flat = plate(5.0, 1.0)
    two = Surface(
        np.concatenate([flat.points, flat.points + 50.0]),
        np.concatenate([flat.faces, flat.faces + len(flat.points)]),
    )
    start, stop = np.array([[1.0, 1.0, 0.0]]), np.array([[51.0, 51.0, 50.0]])
    assert (
        shortest_path(two, start, nearest_faces(two, start), stop, nearest_faces(two, stop)) is None
    )
