"""A first look at faces: all that lie there are among those told."""

from __future__ import annotations

import numpy as np
import pytest
from surface.shapes import sphere

from veinfit.surface import Surface
from veinfit.surface.near import faces_in_box, faces_near_plane, faces_near_ray
from veinfit.vectors import unit


def test_faces_in_a_box_are_all_there_and_none_far_from_it():
    ball = sphere(20.0)
    low, high = np.array([5.0, -9.0, 0.0]), np.array([30.0, 4.0, 12.0])
    middles = ball.points[ball.faces].mean(axis=1)
    inside = np.flatnonzero(((middles >= low) & (middles <= high)).all(axis=1))
    found = faces_in_box(ball, low, high)
    assert np.isin(inside, found).all() and (np.diff(found) > 0).all()
    # No face of it reaches farther than 1.5 mm.
    assert ((middles[found] > low - 1.5) & (middles[found] < high + 1.5)).all()


@pytest.mark.parametrize("far", [0.0, 2000.0])
def test_all_faces_that_a_plane_crosses_are_told_and_none_far_from_it(far):
    ball = Surface(sphere(20.0).points + far, sphere(20.0).faces)
    normal = np.array([0.6, 0.0, 0.8])
    for height in np.linspace(-19.0, 19.0, 7):
        origin = far + height * normal
        side = (ball.points - origin) @ normal >= 0
        crossed = np.flatnonzero(np.ptp(side[ball.faces].astype(int), axis=1))
        found = faces_near_plane(ball, origin, normal)
        assert np.isin(crossed, found).all()
        # The middle of a face lies 1.25 mm from its corners at most.
        middles = ball.points[ball.faces[found]].mean(axis=1)
        assert np.abs((middles - origin) @ normal).max() < 1.3


@pytest.mark.parametrize("far", [0.0, 2000.0])
def test_all_faces_that_a_ray_meets_are_told_and_none_far_from_it(far, rng):
    mesh = sphere(20.0)
    ball = Surface(mesh.points + far, mesh.faces)
    a, b, c = (ball.points[ball.faces[:, k]] for k in range(3))
    middles = (a + b + c) / 3.0
    for direction in unit(rng.normal(size=(20, 3))):
        origin = far + rng.uniform(-8.0, 8.0, size=3)
        found = faces_near_ray(ball, origin, direction)
        # A ray from within a ball meets it once: where all three sides are passed on one side.
        sides = [
            np.einsum("fk,fk->f", np.cross(p - origin, q - origin), np.tile(direction, (len(a), 1)))
            for p, q in ((a, b), (b, c), (c, a))
        ]
        met = (np.sign(sides) == np.sign(sides[0])).all(axis=0)
        met &= (middles - origin) @ direction > 0.0
        assert met.sum() == 1 and np.isin(np.flatnonzero(met), found).all()
        away = np.linalg.norm(np.cross(middles[found] - origin, direction), axis=1)
        assert away.max() < 1.3 and ((middles[found] - origin) @ direction > -1.3).all()
