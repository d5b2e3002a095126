"""The elastic wall against closed forms and against its own differences.

With depth measured along the ball's radius, δ = R − |x − c|, and w(δ) the energy
per area, Archimedes' theorem (ρ dρ = r dr) gives for every law w

* a plane at depth D:                              F = 2π (R − D) w(D)
* a sharp round hole of radius a with a tube below: F = 2π (h + a) w(R − √(a² + h²))

with h the height of the centre above the plane; for the linear law these are
π k D² (R − D) and π k (h + a) (R − √(a² + h²))² (closed forms).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from seating.phantoms import hole, revolve, walk
from veinfit.seating.foundation import RULE_POINTS, RULE_WEIGHTS, Foundation, FoundationLaw

from veinfit.surface import Surface

STIFF = FoundationLaw(25e-3)
SOFT = FoundationLaw(4e-3, 0.75)


def on(surface, law, radius):
    return Foundation.on(surface, np.ones(len(surface.faces), dtype=bool), law, radius)


def plane(edge=0.7, half=20.0):
    ticks = np.arange(-half, half + edge, edge)
    x, y = np.meshgrid(ticks, ticks, indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    n = len(ticks)
    index = np.arange(n * n).reshape(n, n)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[:-1, 1:], index[1:, 1:]
    faces = np.concatenate(
        [np.stack([a, c, b], axis=-1).reshape(-1, 3), np.stack([b, c, d], axis=-1).reshape(-1, 3)]
    )
    return Surface(points, faces)


@pytest.mark.parametrize("law", [STIFF, SOFT], ids=["linear", "stiffening"])
def test_law_pressure_and_slope_are_derivatives_of_the_energy(law):
    depth, h = np.linspace(0.1, 3.0, 30), 1e-6
    assert np.allclose(
        (law.energy(depth + h) - law.energy(depth - h)) / (2 * h), law.pressure(depth), rtol=1e-6
    )
    assert np.allclose(
        (law.pressure(depth + h) - law.pressure(depth - h)) / (2 * h), law.slope(depth), rtol=1e-6
    )


def test_at_the_stiffening_depth_the_pressure_is_twice_the_linear_one():
    assert SOFT.pressure(np.array(0.75)) == pytest.approx(2 * 4e-3 * 0.75)


def test_the_rule_is_exact_for_degree_four():
    # ∫ over the unit triangle of aⁱ bʲ = 2 i! j! / (i + j + 2)! as a mean.
    from math import factorial as f

    for i in range(5):
        for j in range(5 - i):
            value = RULE_WEIGHTS @ (RULE_POINTS[:, 0] ** i * RULE_POINTS[:, 1] ** j)
            assert value == pytest.approx(2 * f(i) * f(j) / f(i + j + 2), rel=1e-12)


def plane_force(law, depth, radius=14.0):
    return 2 * np.pi * (radius - depth) * float(law.energy(np.array(depth)))


@pytest.mark.parametrize(("depth", "force"), [(1.0, 1.02102), (2.0, 3.76991)])
def test_force_of_a_linear_plane(depth, force):
    # Closed form π k δ² (R − δ), D = 28 mm, k = 25 kPa/mm.
    _, gradient, _ = on(plane(), STIFF, 14.0).evaluate(np.array([0.13, 0.29, 14.0 - depth]))
    assert plane_force(STIFF, depth) == pytest.approx(force, rel=1e-5)
    assert plane_force(STIFF, depth - 0.01) < -gradient[2] < force, "chords of δ lie below it"
    assert np.abs(gradient[:2]).max() < 1e-3 * force


@pytest.mark.parametrize("law", [STIFF, SOFT], ids=["linear", "stiffening"])
@pytest.mark.parametrize("depth", [0.5, 1.0, 2.0])
def test_force_and_energy_of_a_plane_of_any_law(law, depth):
    radius = 14.0
    energy, gradient, hessian = on(plane(0.5), law, radius).evaluate(
        np.array([0.0, 0.0, radius - depth])
    )
    exact = plane_force(law, depth)
    by_quadrature, _ = quad(
        lambda rho: (
            float(law.pressure(np.array(radius - np.hypot(rho, radius - depth))))
            * (radius - depth)
            / np.hypot(rho, radius - depth)
            * 2
            * np.pi
            * rho
        ),
        0.0,
        np.sqrt(radius**2 - (radius - depth) ** 2),
    )
    assert exact == pytest.approx(by_quadrature, rel=1e-9), "the closed form itself"
    assert plane_force(law, depth - 0.005) < -gradient[2] < exact
    stored, _ = quad(lambda d: plane_force(law, d), 0, depth)
    nearly, _ = quad(lambda d: plane_force(law, d), 0, depth - 0.005)
    assert nearly < energy < stored
    slope = (
        2
        * np.pi
        * (
            (radius - depth) * float(law.pressure(np.array(depth)))
            - float(law.energy(np.array(depth)))
        )
    )
    assert hessian[2, 2] == pytest.approx(slope, rel=0.015)


@pytest.mark.parametrize("law", [STIFF, SOFT], ids=["linear", "stiffening"])
@pytest.mark.parametrize(("radius", "a"), [(14.0, 9.0), (14.0, 12.0), (15.5, 10.0)])
def test_force_of_a_sharp_hole_with_a_tube(law, radius, a):
    wall = hole(a, edge_mm=0.5, plate_mm=22.0).anatomy.wall
    for height in (0.97 * np.sqrt(radius**2 - a**2), 0.5 * np.sqrt(radius**2 - a**2), 1.0):
        _, gradient, _ = on(wall, law, radius).evaluate(np.array([0.0, 0.0, height]))
        depth = radius - np.hypot(a, height)
        exact = 2 * np.pi * (height + a) * float(law.energy(np.array(depth)))
        assert -gradient[2] == pytest.approx(exact, rel=0.02), f"height {height}"


@pytest.mark.parametrize(("diameter", "resistance"), [(18.0, 3.16), (20.0, 2.19), (22.0, 1.32)])
def test_greatest_resistance_of_a_sharp_hole(diameter, resistance):
    # Closed form: the greatest of π k (h + a) δ² at k = 4 kPa/mm, a ball of 28 mm.
    profile = walk([(diameter / 2, -20.0), (diameter / 2, 0.0), (18.0, 0.0)], 0.5)
    wall = on(revolve(profile, edge_mm=0.5), FoundationLaw(4e-3), 14.0)
    forces = [
        -wall.evaluate(np.array([0.0, 0.0, height]))[1][2] for height in np.arange(-2.0, 10.0, 0.25)
    ]
    assert max(forces) == pytest.approx(resistance, abs=0.02)


def test_default_law_holds_28_mm_at_the_greatest_push_in_a_sharp_24_mm_ostium():
    from veinfit.settings import SeatingSettings

    law = FoundationLaw.from_settings(SeatingSettings())
    heights = np.linspace(0.0, np.sqrt(14.0**2 - 12.0**2), 2001)
    depth = np.maximum(14.0 - np.hypot(12.0, heights), 0.0)
    resistance = (2 * np.pi * (heights + 12.0) * law.energy(depth)).max()
    assert resistance == pytest.approx(2.81, abs=0.01)
    assert resistance > 2.5


coordinate = st.floats(-3.0, 3.0)


@settings(max_examples=40, deadline=None)
@given(coordinate, coordinate, st.floats(0.0, 12.0), st.sampled_from([STIFF, SOFT]))
def test_gradient_and_hessian_are_those_of_the_energy(x, y, z, law):
    wall = WALLS.setdefault(
        law, on(hole(10.0, 0.8, edge_mm=1.1, plate_mm=20.0).anatomy.wall, law, 14.0)
    )
    centre, h = np.array([x, y, z]), 1e-5
    _, gradient, hessian = wall.evaluate(centre)
    for axis in np.eye(3):
        above, below = wall.evaluate(centre + h * axis), wall.evaluate(centre - h * axis)
        scale = 1.0 + np.abs(gradient).max()
        assert (above[0] - below[0]) / (2 * h) == pytest.approx(gradient @ axis, abs=1e-6 * scale)
        scale = 1.0 + np.abs(hessian).max()
        assert np.allclose((above[1] - below[1]) / (2 * h), hessian @ axis, atol=2e-4 * scale)
    assert np.allclose(hessian, hessian.T)


WALLS: dict = {}


def test_what_is_left_out_of_the_window_cannot_press():
    wall = on(hole(10.0, plate_mm=30.0).anatomy.wall, SOFT, 14.0)
    centre = np.array([0.5, -0.3, 8.0])
    part = wall.around(centre, 2.0)
    assert len(part.faces) < len(wall.faces)
    for shift in (np.zeros(3), np.array([0.0, 1.1, 1.6]), np.array([-2.0, 0.0, 0.0])):
        whole, window = wall.evaluate(centre + shift), part.evaluate(centre + shift)
        for a, b in zip(whole, window, strict=True):
            assert np.allclose(a, b, rtol=1e-12, atol=1e-12)


def test_ways_on_which_a_vertex_is_inside():
    point = Surface(np.array([[0.0, 3.0, 10.0], [0, 4, 10], [1, 3, 10]]), np.array([[0, 1, 2]]))
    wall = on(point, STIFF, 5.0)
    ways = wall.blocked(np.zeros(3), np.array([0.0, 0.0, 1.0]))
    assert np.allclose(ways[0], [6.0, 14.0])  # 3-4-5 triangle
    assert np.allclose(ways[1], [7.0, 13.0])
