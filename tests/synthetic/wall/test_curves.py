"""Centreline curves: smooth, with the length and directions asked for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from veinfit.synthetic.wall.curves import Curve
from veinfit.vectors import angle_deg, unit


@pytest.fixture
def curve() -> Curve:
    return Curve(
        start=np.array([1.0, -2.0, 3.0]),
        direction=unit([1.0, 0.2, 0.1]),
        end_direction=unit([1.0, -0.4, 0.5]),
        length_mm=30.0,
        t_low=-0.4,
        t_high=1.3,
        reference=np.array([0.0, 0.0, 1.0]),
        twist_deg=20.0,
    )


def test_directions_at_both_ends_are_those_asked_for(curve: Curve) -> None:
    for t, wanted in (
        (-0.3, curve.direction),
        (0.0, curve.direction),
        (1.0, curve.end_direction),
        (1.2, curve.end_direction),
    ):
        assert angle_deg(curve.tangent(np.array([t]))[0], wanted) < 1e-6


def test_tangent_and_curvature_have_no_jumps_where_the_straight_ends_begin(curve: Curve) -> None:
    for t in (0.0, 1.0):
        at = np.array([t - 1e-7, t + 1e-7])
        assert np.ptp(curve.position(at), axis=0) == pytest.approx(np.zeros(3), abs=1e-5)
        assert np.ptp(curve.tangent(at), axis=0) == pytest.approx(np.zeros(3), abs=1e-6)
        assert curve.course.acceleration(at) == pytest.approx(np.zeros((3, 2)), abs=1e-3)


def test_arc_length_agrees_with_quadrature_and_inverts(curve: Curve) -> None:
    def speed(t: float) -> float:
        return float(np.linalg.norm(curve.velocity(np.array([t]))))

    t = np.array([0.1, 0.37, 0.8, 1.0, 1.2])
    integral = [quad(speed, 0.0, v)[0] for v in t]
    assert curve.arc_length(t) == pytest.approx(integral, abs=1e-4)
    s = np.array([-3.0, 0.0, 12.5, curve.total_mm, 34.0])
    assert curve.arc_length(curve.parameter(s)) == pytest.approx(s, abs=1e-4)
    # The nominal length is that of an arc with the same turn: within a few per cent.
    assert curve.total_mm == pytest.approx(curve.length_mm, rel=0.03)


def test_closest_point_is_no_farther_than_any_sample(
    curve: Curve, rng: np.random.Generator
) -> None:
    t = rng.uniform(-0.3, 1.2, 200)
    along, across = curve.axes(t)
    points = curve.position(t) + 6.0 * (
        rng.normal(size=(200, 1)) * along + rng.normal(size=(200, 1)) * across
    )
    near, found = curve.closest(points, 50.0)
    assert len(near) == len(points)
    dense = curve.position(np.linspace(curve.t_low, curve.t_high, 5000))
    brute = np.linalg.norm(points[:, None] - dense[None], axis=2).min(axis=1)
    distance = np.linalg.norm(points - curve.position(found), axis=1)
    assert np.all(distance <= brute + 1e-6)


def test_section_axes_are_square_to_the_tangent_and_turn_by_the_twist(curve: Curve) -> None:
    t = np.linspace(0.0, 1.0, 9)
    along, across = curve.axes(t)
    tangent = curve.tangent(t)
    assert np.einsum("ij,ij->i", along, tangent) == pytest.approx(np.zeros(9), abs=1e-12)
    assert np.cross(tangent, along) == pytest.approx(across, abs=1e-12)
    untwisted = unit(curve.reference - (tangent @ curve.reference)[:, None] * tangent)
    assert angle_deg(along, untwisted) == pytest.approx(20.0 * t, abs=1e-6)
