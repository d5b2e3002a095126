"""Measures of contours against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ellipe
from surface.shapes import moved, sphere, tube

from veinfit.surface import Surface
from veinfit.surface.contours import (
    contour_around,
    contour_centroid,
    convexity,
    measure_contour,
    section_around,
    surrounds,
)
from veinfit.surface.cuts import plane_contours
from veinfit.vectors import perpendicular_basis, unit


def ellipse(a, b, normal=(0.0, 0.0, 1.0), centre=(0.0, 0.0, 0.0), count=720):
    e1, e2 = perpendicular_basis(normal)
    t = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)[:, None]
    return np.asarray(centre) + a * np.cos(t) * e1 + b * np.sin(t) * e2


@pytest.mark.parametrize(
    ("a", "b"), [(10.0, 5.0), (10.0, 8.0), (11.0, 8.0), (12.0, 9.0), (15.0, 5.0)]
)
def test_an_ellipse_has_its_exact_measures(a, b):
    m = measure_contour(ellipse(a, b), np.array([0.0, 0.0, 1.0]))
    assert m.d_max_mm == pytest.approx(2 * a, abs=1e-3)
    assert m.d_min_mm == pytest.approx(2 * b, abs=1e-3)
    assert m.area_mm2 == pytest.approx(np.pi * a * b, rel=1e-4)
    # Perimeter 4 a E(m), the complete elliptic integral (scipy.special, Abramowitz & Stegun 17.3).
    assert m.perimeter_mm == pytest.approx(4 * a * ellipe(1 - (b / a) ** 2), rel=1e-5)
    assert m.ovality == pytest.approx(a / b, rel=1e-4)
    assert m.d_area_mm == pytest.approx(2 * np.sqrt(a * b), rel=1e-4)


@pytest.mark.parametrize(("corners", "ratio"), [(16, 0.974495), (32, 0.993587), (64, 0.998394)])
def test_a_polygon_in_a_circle_is_smaller_by_the_known_share(corners, ratio):
    m = measure_contour(ellipse(9.0, 9.0, count=corners), np.array([0.0, 0.0, 1.0]))
    assert m.area_mm2 / (np.pi * 81.0) == pytest.approx(ratio, abs=1e-6)  # (N/2π) sin(2π/N)
    assert m.perimeter_mm / (18.0 * np.pi) == pytest.approx(
        corners / np.pi * np.sin(np.pi / corners), abs=1e-9
    )


def test_the_caliper_of_a_rectangle_is_its_diagonal():
    corners = np.array([[0, 0, 0], [8, 0, 0], [8, 6, 0], [0, 6, 0]], dtype=float)
    m = measure_contour(corners, np.array([0.0, 0.0, 1.0]))
    assert m.d_max_mm == pytest.approx(10.0)
    assert m.d_min_mm == pytest.approx(9.6)  # twice the height of the half over the diagonal


@given(
    st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1),
    st.floats(3, 15),
    st.floats(0.3, 1.0),
    st.floats(-100, 100),
)
def test_measures_do_not_depend_on_the_frame(direction, a, share, shift):
    normal = unit(np.array(direction))
    here = measure_contour(ellipse(a, share * a, normal, shift * np.ones(3)), normal)
    there = measure_contour(ellipse(a, share * a), np.array([0.0, 0.0, 1.0]))
    assert here.d_max_mm == pytest.approx(there.d_max_mm, rel=1e-9)
    assert here.area_mm2 == pytest.approx(there.area_mm2, rel=1e-9)
    assert here.d_area_mm <= here.d_perimeter_mm * (1 + 1e-12)  # the isoperimetric inequality


def test_the_centroid_is_that_of_the_area_not_of_the_points():
    square = np.array([[0, 0, 3], [4, 0, 3], [4, 4, 3], [0, 4, 3]], dtype=float)
    crowded = np.concatenate([square[:1], np.linspace(square[0], square[1], 50)[1:-1], square[1:]])
    assert contour_centroid(crowded, np.array([0.0, 0.0, 1.0])) == pytest.approx([2, 2, 3])


def test_surrounding_is_told_from_being_beside():
    ring = ellipse(5.0, 3.0)[:, :2]
    assert surrounds(ring, np.array([2.0, 1.0]))
    assert not surrounds(ring, np.array([6.0, 0.0]))


def test_a_contour_fills_its_convex_hull_as_far_as_it_is_convex():
    up = np.array([0.0, 0.0, 1.0])
    # Three of the four unit squares of a square: its hull is cut by half a square.
    corner = np.array([[0, 0, 5], [2, 0, 5], [2, 1, 5], [1, 1, 5], [1, 2, 5], [0, 2, 5]], float)
    assert convexity(corner, up) == pytest.approx(3.0 / 3.5)
    assert convexity(ellipse(9.0, 4.0), up) == pytest.approx(1.0)
    assert convexity(np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0]], float), up) == 0.0


@pytest.mark.parametrize(
    ("at", "radius"),
    [((0.5, 0.0, 2.0), 6.0), ((11.0, 1.0, 2.0), 20.0), ((40.0, 0.5, 2.0), 4.0), ((30.0, 0, 2), 0)],
)
def test_a_section_around_a_point_is_the_smallest_of_the_curves_around_it(at, radius):
    # A ball in a ball, and a tube beside them; the last place lies in none of them.
    parts = [sphere(20.0), sphere(6.0), moved(tube(4.0, 4.0, 9.0), np.eye(3), [40.0, 0, -2])]
    first = np.cumsum([0, *(len(part.points) for part in parts)])
    together = Surface(
        np.concatenate([part.points for part in parts]),
        np.concatenate([part.faces + n for part, n in zip(parts, first, strict=False)]),
    )
    point, normal = np.array(at, dtype=float), np.array([0.0, 0.0, 1.0])
    section = section_around(together, point, normal)
    if not radius:
        assert section is None
        return
    squared = radius**2 - (4.0 if radius != 4.0 else 0.0)  # a ball's circle at a height of 2
    area = measure_contour(section.points, normal).area_mm2
    assert area == pytest.approx(np.pi * squared, rel=5e-3)
    known = contour_around(plane_contours(together, point, normal), point, normal)
    assert np.array_equal(section.points, known.points)
    assert np.array_equal(section.faces, known.faces)


def test_a_section_of_a_surface_that_branches_is_found_all_the_same():
    # Some faces are there twice: more than two meet on their edges.
    ball = sphere(10.0)
    doubled = Surface(ball.points, np.concatenate([ball.faces, ball.faces[96 * 20 : 96 * 21]]))
    height = ball.points[ball.faces[96 * 20], 2].mean()
    point, normal = np.array([0.0, 0.0, height]), np.array([0.0, 0.0, 1.0])
    known = contour_around(plane_contours(doubled, point, normal), point, normal)
    section = section_around(doubled, point, normal)
    assert np.array_equal(section.points, known.points)
    assert len(section.points) > 90
