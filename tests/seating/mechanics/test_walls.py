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
from seating.phantoms import hole, revolve, rounded_hole, walk
from seating.pushed import LINEAR, balls, evaluate, rest_of, wall_of

from veinfit.seating.mechanics.law import IndentationLaw
from veinfit.seating.mechanics.walls import RULE_POINTS, RULE_WEIGHTS
from veinfit.surface import Surface

STIFF = (25e-3, LINEAR)
SOFT = (4e-3, IndentationLaw(0.75))
LAWS = pytest.mark.parametrize("law", [STIFF, SOFT], ids=["linear", "locking"])


def on(surface, law, radius, exact=True):
    """A ball before a wall, without push or springs: the wall's own energy."""
    return balls(wall_of(surface, *law), push=0.0, guide=0.0, radius=radius, exact=exact)


def energy_of(law, depth):
    stiffness, form = law
    return stiffness * float(form.energy(np.array(depth)))


def pressure_of(law, depth):
    stiffness, form = law
    return stiffness * float(form.pressure(np.array(depth)))


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


def test_the_rule_is_exact_for_degree_four():
    # ∫ over the unit triangle of aⁱ bʲ = 2 i! j! / (i + j + 2)! as a mean.
    from math import factorial as f

    for i in range(5):
        for j in range(5 - i):
            value = RULE_WEIGHTS @ (RULE_POINTS[:, 0] ** i * RULE_POINTS[:, 1] ** j)
            assert value == pytest.approx(2 * f(i) * f(j) / f(i + j + 2), rel=1e-12)


def plane_force(law, depth, radius=14.0):
    return 2 * np.pi * (radius - depth) * energy_of(law, depth)


@pytest.mark.parametrize(("depth", "force"), [(1.0, 1.02102), (2.0, 3.76991)])
def test_force_of_a_linear_plane(depth, force):
    # Closed form π k δ² (R − δ), D = 28 mm, k = 25 kPa/mm.
    _, gradient, _ = evaluate(on(plane(), STIFF, 14.0), [0.13, 0.29, 14.0 - depth])
    assert plane_force(STIFF, depth) == pytest.approx(force, rel=1e-5)
    assert plane_force(STIFF, depth - 0.01) < -gradient[2] < force, "chords of δ lie below it"
    assert np.abs(gradient[:2]).max() < 1e-3 * force


@LAWS
@pytest.mark.parametrize("depth", [0.5, 1.0, 2.0])
def test_force_and_energy_of_a_plane_of_any_law(law, depth):
    radius = 14.0
    energy, gradient, hessian = evaluate(on(plane(0.5), law, radius), [0.0, 0.0, radius - depth])
    exact = plane_force(law, depth)
    by_quadrature, _ = quad(
        lambda rho: (
            pressure_of(law, radius - np.hypot(rho, radius - depth))
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
    slope = 2 * np.pi * ((radius - depth) * pressure_of(law, depth) - energy_of(law, depth))
    assert hessian[2, 2] == pytest.approx(slope, rel=0.015)


@LAWS
@pytest.mark.parametrize(("radius", "a"), [(14.0, 9.0), (14.0, 12.0), (15.5, 10.0)])
def test_force_of_a_sharp_hole_with_a_tube(law, radius, a):
    wall = hole(a, edge_mm=0.5, plate_mm=22.0).anatomy.wall
    for height in (0.97 * np.sqrt(radius**2 - a**2), 0.5 * np.sqrt(radius**2 - a**2), 1.0):
        _, gradient, _ = evaluate(on(wall, law, radius), [0.0, 0.0, height])
        depth = radius - np.hypot(a, height)
        exact = 2 * np.pi * (height + a) * energy_of(law, depth)
        assert -gradient[2] == pytest.approx(exact, rel=0.02), f"height {height}"


@pytest.mark.parametrize(("diameter", "resistance"), [(18.0, 3.16), (20.0, 2.19), (22.0, 1.32)])
def test_greatest_resistance_of_a_sharp_hole(diameter, resistance):
    # Closed form: the greatest of π k (h + a) δ² at k = 4 kPa/mm, a ball of 28 mm.
    profile = walk([(diameter / 2, -20.0), (diameter / 2, 0.0), (18.0, 0.0)], 0.5)
    wall = on(revolve(profile, edge_mm=0.5), (4e-3, LINEAR), 14.0)
    forces = [-evaluate(wall, [0.0, 0.0, height])[1][2] for height in np.arange(-2.0, 10.0, 0.25)]
    assert max(forces) == pytest.approx(resistance, abs=0.02)


coordinate = st.floats(-3.0, 3.0)


@settings(max_examples=40, deadline=None)
@given(coordinate, coordinate, st.floats(0.0, 12.0), st.sampled_from(["linear", "locking"]))
def test_gradient_and_hessian_are_those_of_the_energy(x, y, z, law):
    check_derivatives(WALLS[law], np.array([x, y, z]), 2e-4)


@settings(max_examples=20, deadline=None)
@given(coordinate, coordinate, st.floats(0.0, 12.0))
def test_over_points_too(x, y, z):
    # The second derivative jumps where a point comes into the ball; not within 1e-5 mm of it.
    batch = WALLS["points"]
    centre = np.array([x, y, z])
    away = np.linalg.norm(batch.wall.points - centre, axis=1) - 14.0
    if np.abs(away).min() > 1e-4:
        check_derivatives(batch, centre, 2e-4)


def check_derivatives(batch, centre, share):
    h = 1e-5
    _, gradient, hessian = evaluate(batch, centre)
    for axis in np.eye(3):
        above, below = evaluate(batch, centre + h * axis), evaluate(batch, centre - h * axis)
        scale = 1.0 + np.abs(gradient).max()
        assert (above[0] - below[0]) / (2 * h) == pytest.approx(gradient @ axis, abs=1e-6 * scale)
        scale = 1.0 + np.abs(hessian).max()
        assert np.allclose((above[1] - below[1]) / (2 * h), hessian @ axis, atol=share * scale)
    assert np.allclose(hessian, hessian.T)


NARROW = hole(10.0, 0.8, edge_mm=1.1, plate_mm=20.0).anatomy.wall
WALLS = {
    "linear": on(NARROW, STIFF, 14.0),
    "locking": on(NARROW, SOFT, 14.0),
    "points": on(NARROW, SOFT, 14.0, exact=False),
}


@LAWS
@pytest.mark.parametrize("push", [0.2, 1.0])
def test_over_points_a_ball_rests_where_the_integral_has_it(law, push):
    wall = wall_of(rounded_hole(8.0, 4.0, edge_mm=0.7, plate_mm=24.0).anatomy.wall, *law)
    exact, points = (rest_of(balls(wall, push=push, exact=e), (1.0, -0.7, 14.0)) for e in (1, 0))
    assert points.centre[0] == pytest.approx(exact.centre[0], abs=0.1)


def test_what_is_left_out_of_the_window_cannot_press():
    batch = on(hole(10.0, plate_mm=30.0).anatomy.wall, SOFT, 14.0)
    centre = np.array([0.5, -0.3, 8.0])
    part = batch.around(centre[None], 2.0)
    assert len(part.wall.faces) < len(batch.wall.faces)
    for shift in (np.zeros(3), np.array([0.0, 1.1, 1.6]), np.array([-2.0, 0.0, 0.0])):
        whole, window = evaluate(batch, centre + shift), evaluate(part, centre + shift)
        for a, b in zip(whole, window, strict=True):
            assert np.allclose(a, b, rtol=1e-12, atol=1e-12)


def test_wall_out_of_reach_does_not_press():
    batch = on(hole(10.0, plate_mm=30.0).anatomy.wall, SOFT, 14.0)
    energy, gradient, _ = evaluate(batch, [0.0, 0.0, 14.01])
    assert energy == 0.0
    assert not gradient.any()
    places = np.array([[0.0, 0.0, 20.0], [0.0, 0.0, 24.0]])
    assert batch.least_gaps(0, places) == pytest.approx(
        np.hypot(10.0, places[:, 2]) - 14.0, abs=0.05
    )


def test_how_far_a_ball_flies_before_it_touches():
    point = Surface(np.array([[0.0, 3.0, 10.0], [0, 4, 10], [1, 3, 10]]), np.array([[0, 1, 2]]))
    batch = on(point, STIFF, 5.0)
    up = np.array([[0.0, 0.0, 1.0]])
    free = batch.flight(np.array([0]), np.zeros((1, 3)), up)
    assert free[0] == pytest.approx(10.0 - np.sqrt(25.0 - 9.0))  # 3-4-5 triangle
    assert np.isinf(batch.flight(np.array([0]), np.zeros((1, 3)), -up)[0])
