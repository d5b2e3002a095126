"""The implicit function against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.synthetic import AtriumShape, BodyShape, BumpShape, VeinShape, build
from veinfit.synthetic.shape.phantoms import TubePhantom, sphere_with_tubes
from veinfit.synthetic.wall.fields import round_union, round_union_all
from veinfit.synthetic.wall.implicit_tubes import ellipse_distance
from veinfit.synthetic.wall.soundness import wall_points


def test_distance_to_a_sphere_is_exact(rng: np.random.Generator) -> None:
    field = build(sphere_with_tubes(25.0, [], centre=(3.0, -4.0, 5.0))).implicit
    points = rng.uniform(-60.0, 60.0, (500, 3))
    expected = np.linalg.norm(points - [3.0, -4.0, 5.0], axis=1) - 25.0
    assert field.value(points) == pytest.approx(expected, abs=1e-9)


def test_distance_to_a_round_straight_tube_is_exact(rng: np.random.Generator) -> None:
    field = build(sphere_with_tubes(25.0, [TubePhantom((0.0, 0.0, 1.0), 8.0, 30.0)])).implicit
    rho, phi, z = rng.uniform(0.5, 15.0, 300), rng.uniform(0, 2 * np.pi, 300), rng.uniform(40, 50)
    points = np.stack([rho * np.cos(phi), rho * np.sin(phi), np.full(300, z)], axis=1)
    radial, past = rho - 8.0, z - 55.0
    expected = np.maximum(radial, past)
    assert field.alone(points)[0][:, 0] == pytest.approx(expected, abs=1e-6)


def test_ellipsoid_distance_is_exact_on_its_axes() -> None:
    a, b, c = (np.full(3, s) for s in (9.0, 6.0, 4.0))
    zero = np.zeros(3)
    at = np.array([0.5, 1.0, 2.0])
    assert ellipse_distance(9.0 * at, zero, zero, a, b, c) == pytest.approx(9.0 * (at - 1.0))
    assert ellipse_distance(zero, 6.0 * at, zero, a, b, c) == pytest.approx(6.0 * (at - 1.0))
    assert ellipse_distance(zero, zero, 4.0 * at, a, b, c) == pytest.approx(4.0 * (at - 1.0))
    assert ellipse_distance(zero, zero, zero, a, b, c) == pytest.approx(-4.0)


@pytest.mark.parametrize("radius", [1.0, 5.0, 10.0])
def test_rounded_union_of_two_walls_is_a_circular_arc(radius: float) -> None:
    angle = np.radians(np.linspace(0.0, 90.0, 19))
    # The rolling circle lies at (r, r) from both walls.
    a, b = radius * (1.0 - np.cos(angle)), radius * (1.0 - np.sin(angle))
    assert round_union(a, b, radius) == pytest.approx(np.zeros(19), abs=1e-12)
    assert round_union(a + 0.1, b + 0.1, radius).min() > 0.0
    assert round_union(a - 0.1, b - 0.1, radius).max() < 0.0


def test_rounded_union_is_the_plain_union_away_from_the_edge() -> None:
    a, b = np.array([-3.0, 0.0, 6.0]), np.array([9.0, 6.0, 7.0])
    # Where either distance is over the radius nothing is filled in on the wall.
    assert round_union(a, b, 5.0) == pytest.approx(np.minimum(a, b))
    many = np.stack([a, b, b + 1.0], axis=1)
    assert round_union_all(many, 5.0) == pytest.approx(np.minimum(a, b))
    assert round_union_all(many, 0.0) == pytest.approx(np.minimum(a, b))


@pytest.fixture
def bent_vein() -> AtriumShape:
    vein = VeinShape(
        name="LSPV",
        exit=(0.8, 0.1, 0.5),
        direction=(0.85, -0.3, 0.4),
        end_direction=(0.9, -0.4, 0.1),
        length_mm=30.0,
        d_long_mm=19.0,
        d_short_mm=13.0,
        taper=0.8,
        twist_deg=25.0,
        fillet_mm=4.0,
    )
    bumps = (BumpShape((0.0, 1.0, 0.0), -3.0, 9.0), BumpShape((-1.0, 0.2, 0.1), 1.5, 7.0))
    return AtriumShape(BodyShape(egg=0.08, tilt_deg=(5.0, -8.0, 10.0), bumps=bumps), (vein,))


def test_the_wall_of_a_bent_tapered_vein_is_the_ellipse_asked_for(bent_vein: AtriumShape) -> None:
    field = build(bent_vein).implicit
    tube = field.tubes[0]
    points = wall_points(tube, np.array([16.0, 22.0, 28.0]), 60)
    assert np.abs(field.value(points.reshape(-1, 3))).max() < 1e-6
    t = tube.curve.parameter(np.array([0.0, tube.curve.total_mm]))
    assert tube.semi_axes(t)[0] == pytest.approx([9.5, 0.8 * 9.5])
    assert tube.semi_axes(t)[1] == pytest.approx([6.5, 0.8 * 6.5])


def test_gradient_on_the_wall_is_near_one_and_projection_reaches_the_wall(
    bent_vein: AtriumShape, rng: np.random.Generator
) -> None:
    field = build(bent_vein).implicit
    directions = rng.normal(size=(400, 3))
    start = field.body.centre + 24.0 * directions / np.linalg.norm(directions, axis=1)[:, None]
    wall = field.project(start, steps=25)
    near = np.abs(field.value(wall)) < 1e-4
    assert near.mean() > 0.97
    slope = np.linalg.norm(field.value_and_gradient(wall[near])[1], axis=1)
    assert np.all((slope > 0.6) & (slope < 1.45))


def test_a_bump_moves_the_wall_by_its_height() -> None:
    for height in (-3.0, 2.0):
        body = BodyShape((25.0,) * 3, exponent=2.0, bumps=(BumpShape((0, 0, 1), height, 8.0),))
        field = build(AtriumShape(body, ())).implicit
        # Along its axis the bump is height·exp(−(z − 25)²/2w²) high at height z.
        z = np.linspace(20.0, 29.0, 90001)
        points = np.stack([0 * z, 0 * z, z], axis=1)
        crossing = z[np.argmin(np.abs(field.value(points)))]
        assert crossing - 25.0 == pytest.approx(
            height * np.exp(-((crossing - 25.0) ** 2) / 128.0), abs=1e-3
        )
