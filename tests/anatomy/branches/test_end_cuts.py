"""Cutting ends off a closed surface: what is wall, and what the input still closes."""

import numpy as np
import pytest
import trimesh

from veinfit.anatomy.branches.end_cuts import AROUND_MM, EndCut, cut_ends, open_wall
from veinfit.anatomy.branches.lumen import Wall
from veinfit.surface import Surface
from veinfit.surface.mesh import total_area
from veinfit.surface.openings import boundary_loops, cap_loops

BALL = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
UP = np.array([0.0, 0.0, 1.0])


def test_what_a_cut_takes_off_stays_known_as_wall_of_the_input():
    ball = Surface(np.asarray(BALL.vertices), np.asarray(BALL.faces, dtype=np.int64))
    closed = Wall(ball, np.zeros(len(ball.faces), dtype=bool))
    opened = open_wall(*cut_ends(closed, [EndCut(6.0 * UP, UP)]))
    assert len(opened.rims) == 1
    assert boundary_loops(opened.given) == []
    assert total_area(opened.given) == pytest.approx(total_area(ball))
    # A cap of height h = R − 6: 2πRh.
    assert total_area(opened.given) - total_area(opened.surface) == pytest.approx(
        2 * np.pi * 10 * 4, rel=0.02
    )
    n = len(opened.surface.points)
    assert np.array_equal(opened.given.points[:n], opened.surface.points)
    assert np.array_equal(opened.given.faces[: len(opened.surface.faces)], opened.surface.faces)


def test_an_opening_of_the_input_is_closed_by_nothing():
    ball = Surface(np.asarray(BALL.vertices), np.asarray(BALL.faces, dtype=np.int64))
    low = ball.points[ball.faces].mean(axis=1)[:, 2] < -6.0
    part = Surface(ball.points, ball.faces[~low])
    loops = boundary_loops(part)
    capped, cap = cap_loops(part, loops)
    opened = open_wall(*cut_ends(Wall(capped, cap >= 0), [EndCut(6.0 * UP, UP)]))
    assert len(opened.rims) == 2
    (rim,) = boundary_loops(opened.given)
    assert (opened.given.points[rim, 2] < -5.0).all()


def test_a_cut_that_would_take_the_greater_part_takes_nothing():
    ball = Surface(np.asarray(BALL.vertices), np.asarray(BALL.faces, dtype=np.int64))
    closed = Wall(ball, np.zeros(len(ball.faces), dtype=bool))
    # The plane above, its normal turned: on that side lies all but the cap.
    cut, was_cap = cut_ends(closed, [EndCut(6.0 * UP, -UP), EndCut(8.0 * UP, UP)])
    assert not was_cap.any()
    beyond = Surface(cut.surface.points, cut.surface.faces[cut.is_cap])
    assert total_area(beyond) == pytest.approx(2 * np.pi * 10 * 2, rel=0.03)


def test_what_reaches_far_past_a_cut_is_taken_off_whole():
    long = Surface(np.asarray(BALL.vertices) * [1.0, 1.0, 5.0], np.asarray(BALL.faces))
    closed = Wall(long, np.zeros(len(long.faces), dtype=bool))
    cut, _ = cut_ends(closed, [EndCut(6.0 * UP, UP)])
    height = cut.surface.points[cut.surface.faces][..., 2]
    assert np.array_equal(cut.is_cap, height.mean(axis=1) > 6.0)
    assert height[cut.is_cap].min() == pytest.approx(6.0)
    assert height.max() - 6.0 > 3.0 * AROUND_MM
