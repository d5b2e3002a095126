"""The lines that hold a balloon's centre."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from seating.phantoms import hole

from veinfit.anatomy.model import Centreline
from veinfit.seating.mechanics.guide import guide_notes, guide_of, straight


def bent_vein():
    vein = hole(9.0, plate_mm=15.0, tube_mm=5.0).vein
    s = np.arange(-3.0, 21.0)
    angle = np.maximum(s, 0.0) / 25.0
    points = np.stack([25 * (1 - np.cos(angle)), 0 * s, -25 * np.sin(angle)], axis=1)
    points[s < 0, 2] = -s[s < 0]
    return replace(vein, centreline=Centreline(points, s))


def test_before_the_ostium_the_guide_is_the_axis():
    vein = bent_vein()
    value, offset, hessian = guide_of(vein).spring(np.array([3.0, 4.0, 12.0]))
    assert value == pytest.approx(12.5)
    assert np.allclose(offset, [3.0, 4.0, 0.0])
    assert np.allclose(hessian, np.diag([1.0, 1.0, 0.0]))


def test_in_the_vein_it_is_the_centreline():
    guide = guide_of(bent_vein())
    on_line = np.array([25 * (1 - np.cos(0.4)), 0.0, -25 * np.sin(0.4)])
    value, _, _ = guide.spring(on_line)
    assert np.sqrt(2 * value) < 0.01


def test_past_its_end_it_runs_on_straight():
    vein = bent_vein()
    last = vein.centreline.points[-1]
    direction = last - vein.centreline.points[-2]
    far = last + 10.0 * direction / np.linalg.norm(direction)
    value, _, _ = guide_of(vein).spring(far)
    assert value == pytest.approx(0.0, abs=1e-9)


def test_a_centreline_that_starts_late_or_is_a_point_still_gives_a_guide():
    vein = bent_vein()
    for points in (np.empty((0, 3)), np.array([[0.0, 0.0, -4.0]])):
        short = replace(vein, centreline=Centreline(points, np.full(len(points), 4.0)))
        _, offset, _ = guide_of(short).spring(np.array([1.0, 0.0, -9.0]))
        assert np.allclose(offset, [1.0, 0.0, 0.0])


coordinate = st.floats(-15.0, 15.0)


@settings(max_examples=60, deadline=None)
@given(coordinate, coordinate, coordinate)
def test_gradient_and_hessian_are_those_of_the_distance(x, y, z):
    guide, h = guide_of(bent_vein()), 1e-5
    centre = np.array([x, y, z])
    value, gradient, hessian = guide.spring(centre)
    near = [guide.spring(centre + sign * h * axis) for axis in np.eye(3) for sign in (1, -1)]
    if any(not np.allclose(n[2], hessian, atol=1e-3) for n in near):
        return  # on the border between two segments the second derivative jumps
    for k in range(3):
        above, below = near[2 * k], near[2 * k + 1]
        assert (above[0] - below[0]) / (2 * h) == pytest.approx(gradient[k], abs=1e-5)
        # The direction of a segment does not turn: the Hessian is exact within it.
        assert np.allclose((above[1] - below[1]) / (2 * h), hessian[:, k], atol=1e-4)
    assert value >= 0.0


def test_points_along_a_line_are_evenly_spaced_from_the_foot_of_the_start():
    line = straight(np.array([1.0, 2.0, 3.0]), np.array([0.0, 0.0, -2.0]))
    points = line.sampled(np.array([9.0, 2.0, 1.0]), 4.0, 1.0)
    assert np.allclose(points, [[1, 2, 1], [1, 2, 0], [1, 2, -1], [1, 2, -2], [1, 2, -3]])


def test_past_a_branch_point_the_guide_is_in_the_branch_and_says_which():
    vein = bent_vein()  # from s = 0 on it turns toward +x, the patient's left
    trunk = replace(vein, branches=("a", "b"), trunk_length_mm=4.0, trunk_at_least=False)
    (note,) = guide_notes(trunk)
    assert note.text == "the vein divides 4 mm past its ostium; the guide follows its left branch"
    # It is held along the branch, not along the trunk's axis.
    beyond = np.array([25 * (1 - np.cos(0.7)), 0.0, -25 * np.sin(0.7)])
    held, _, _ = guide_of(trunk).spring(beyond)
    axis, _, _ = straight(vein.ostium.centre, vein.axis).spring(beyond)
    assert held < 1e-3 < 10.0 < axis
    ends = replace(trunk, centreline=Centreline(*cut(vein.centreline, 4.0)))
    assert "the guide ends there" in guide_notes(ends)[0].text


def cut(line, most_mm):
    kept = line.s_mm <= most_mm
    return line.points[kept], line.s_mm[kept]


def test_a_guide_shorter_than_the_ostium_is_wide_runs_on_straight_and_says_so():
    vein = bent_vein()
    short = replace(vein, centreline=Centreline(*cut(vein.centreline, 6.0)))
    (note,) = guide_notes(short)
    assert "only 6 mm of the vein past its ostium, which is 18 mm wide" in note.text
    assert guide_notes(vein) == ()
    last = short.centreline.points[-1]
    away = last - short.centreline.points[-2]
    value, _, _ = guide_of(short).spring(last + 30.0 * away)
    assert value == pytest.approx(0.0, abs=1e-9)
