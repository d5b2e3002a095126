"""Triangles cut where a value vanishes: areas are exact for linear values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from veinfit.seating.mechanics.triangles import area_above, parts_above

corner = st.floats(-5.0, 5.0).filter(lambda x: x == 0.0 or abs(x) > 1e-6)


def brute_share(values, count=400):
    """Share above 0 from a fine regular grid of points."""
    i, j = np.meshgrid(np.arange(count), np.arange(count), indexing="ij")
    keep = i + j < count
    a, b = (i[keep] + 1 / 3) / count, (j[keep] + 1 / 3) / count
    return float(np.mean(values[0] * (1 - a - b) + values[1] * a + values[2] * b > 0))


@given(st.tuples(corner, corner, corner))
def test_the_share_above_zero_is_that_of_sampling(values):
    share = parts_above(np.array([values])).share.sum()
    assert share == pytest.approx(brute_share(values, 120), abs=0.02)
    other = parts_above(-np.array([values])).share.sum()
    if any(values):
        assert share + other == pytest.approx(1.0, abs=1e-9), "the two sides make the whole"


@given(st.tuples(corner, corner, corner))
def test_parts_are_above_and_as_large_as_their_share(values):
    parts = parts_above(np.array([values]))
    assert (parts.corners @ np.array(values) >= -1e-9).all()
    areas = np.abs(np.linalg.det(parts.corners)) if len(parts.share) else np.empty(0)
    assert np.allclose(areas, parts.share, atol=1e-9)


def test_two_values_cut_a_square_into_a_quarter():
    points = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    areas = np.array([2.0, 2.0])
    assert area_above(areas, faces, points[:, 0], points[:, 1]) == pytest.approx(1.0)
    assert area_above(areas, faces, points[:, 0] - 0.5) == pytest.approx(1.0)


def test_a_triangle_beside_minus_infinity_does_not_count():
    areas, faces = np.array([2.0, 2.0]), np.array([[0, 1, 2], [0, 2, 3]])
    assert area_above(areas, faces, np.array([1.0, 1.0, 1.0, -np.inf])) == 2.0
