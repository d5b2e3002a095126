"""Balloons that come to rest side by side: each as if it were alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from seating.phantoms import hole, rounded_hole
from seating.pushed import balls, before, evaluate, rest_of, wall_of

from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.balloon import Balloon, sphere
from veinfit.seating.mechanics.guide import Guide
from veinfit.seating.mechanics.law import IndentationLaw
from veinfit.seating.mechanics.minimise import AT_REST, minimise
from veinfit.seating.mechanics.modes import modes_about
from veinfit.seating.mechanics.shape import depth_terms
from veinfit.seating.uncertainty.unknowns import tilted
from veinfit.settings import SeatingSettings

SOFT = SeatingSettings(patch_edge_mm=1.5, shaft_n_per_mm=0.2, greatest_push_n=0.3)
COUNT = 12
TUBE = {"edge_mm": 1.2, "plate_mm": 24.0, "tube_mm": 16.0}
MADE = {
    "oval": hole(10.0, 0.8, **TUBE),
    "rounded": rounded_hole(8.0, 4.0, **TUBE),
}
LONG = Balloon("long", 28.0, 34.0, "spheroid")


@pytest.fixture(scope="module", params=["oval", "rounded", "oval over points", "long"])
def together(request):
    """A dozen unlike balloons before one wall, one of them without any push."""
    name = request.param
    phantom = MADE["rounded" if name == "rounded" else "oval"]
    rng = np.random.default_rng(5)
    lines = []
    for number in range(COUNT):
        turned = tilted(phantom.vein.axis[None], rng.normal(size=(1, 2)) * 15.0)[0]
        line = line_through_ostium("transseptal", phantom.vein, turned)
        # The shaft's line runs beside the ostial centre, but for the first.
        aside = np.cross(line.direction, rng.normal(size=3)) * (2.0 if number else 0.0)
        lines.append(replace(line, origin=line.origin + aside))
    balloon = LONG if name == "long" else sphere(28)
    prepared, _, batch = before(phantom, balloon, lines, SOFT)
    push = SOFT.greatest_push_n * rng.uniform(0.3, 1.0, COUNT)
    push[3] = 0.0
    turn = Rotation.from_rotvec(rng.normal(size=(COUNT, 3)) * 10.0, degrees=True)
    batch = replace(
        batch,
        exact="points" not in name,
        reach_mm=batch.reach_mm + rng.uniform(-0.5, 0.5, COUNT),
        stiffness=rng.uniform(0.5, 2.0, COUNT),
        shape_stiffness=batch.shape_stiffness * rng.uniform(0.3, 3.0, COUNT)[:, None],
        push_n=push,
        guide_n_per_mm=batch.guide_n_per_mm * rng.uniform(0.2, 3.0, COUNT),
        shaft_n_per_mm=batch.shaft_n_per_mm * rng.uniform(0.0, 3.0, COUNT),
        guide_turn=turn.as_matrix(),
    )
    return prepared, batch


def alone(batch, number):
    """One of them by itself, with its guide turned instead of the balloon turned back."""
    one, turn = batch.only(np.array([number])), batch.guide_turn[number]
    guide = Guide((batch.guide.points - batch.pivot) @ turn.T + batch.pivot)
    return replace(one, guide=guide, guide_turn=np.eye(3)[None])


def places(prepared, batch):
    rng = np.random.default_rng(1)
    place = np.zeros((COUNT, batch.unknowns))
    place[:, :3] = prepared.patch.centre + rng.normal(size=(COUNT, 3)) * 3.0
    place[:, :3] -= 10.0 * prepared.patch.axis
    place[:, 3:] = rng.uniform(-0.5, 1.0, (COUNT, batch.unknowns - 3))
    return place


def test_energy_and_its_derivatives_are_those_of_one(together):
    prepared, batch = together
    place = places(prepared, batch)
    energy, gradient, hessian, touches = batch.evaluate(np.arange(COUNT), place)
    for number in range(COUNT):
        one = evaluate(alone(batch, number), place[number])
        assert energy[number] == pytest.approx(one[0], rel=1e-9, abs=1e-9)
        assert gradient[number] == pytest.approx(one[1], rel=1e-9, abs=1e-9)
        assert hessian[number] == pytest.approx(one[2], rel=1e-9, abs=1e-9)
    assert touches.any()


def test_every_balloon_rests_where_it_rests_alone(together):
    prepared, batch = together
    start = np.zeros((COUNT, batch.unknowns))
    start[:, :3] = prepared.patch.centre - 19.0 * prepared.patch.axis
    through = prepared.exit(SOFT)
    all_of_them = minimise(batch, start, through, keep_path=True)
    for number in range(COUNT):
        rest = minimise(alone(batch, number), start[[number]], through)
        assert all_of_them.state[number] == rest.state[0] == AT_REST
        assert all_of_them.place[number] == pytest.approx(rest.place[0], abs=1e-4)
        assert all_of_them.residual_n[number] <= 1e-6 * max(batch.push_n[number], 1e-3)
        path = all_of_them.path[number]
        same = np.full(len(path), number)
        energies = batch.evaluate(same, path)[0]
        assert (np.diff(energies) <= 1e-12 * np.maximum(np.abs(energies[1:]), 1.0)).all()


def test_what_the_wall_adds_is_the_same_under_any_push_and_at_any_pace(together):
    prepared, batch = together
    start = np.zeros((COUNT, batch.unknowns))
    start[:, :3] = prepared.patch.centre - 19.0 * prepared.patch.axis
    through = prepared.exit(SOFT)
    gentle = replace(batch, push_n=np.minimum(batch.push_n, 0.02))
    rest = minimise(gentle, start, through)
    again = batch.pressed(np.arange(COUNT), rest.place)
    for part in ("energy", "gradient", "hessian", "touches"):
        assert np.array_equal(getattr(rest.wall, part), getattr(again, part))
    onward = minimise(batch, rest.place, through, pressed=rest.wall)
    anew = minimise(batch, rest.place, through)
    assert np.array_equal(onward.place, anew.place)
    longer = minimise(gentle, start, through, step_mm=1.0)
    assert longer.place == pytest.approx(rest.place, abs=1e-4)
    assert longer.steps.sum() < rest.steps.sum()


OVAL = MADE["oval"]
MODES = modes_about(OVAL.vein, OVAL.anatomy.wall.points)
WALL = wall_of(OVAL.anatomy.wall, 1e-3, IndentationLaw(3.0), MODES)
coordinate = st.floats(-2.0, 2.0)


@settings(max_examples=25, deadline=None)
@given(coordinate, coordinate, st.floats(6.0, 12.0), st.floats(0.0, 1.0), st.booleans())
def test_derivatives_by_place_and_shape_are_exact(x, y, z, share, exact):
    """Against central differences of the energy, the shape's amplitude among the unknowns."""
    batch = balls(WALL, push=0.4, guide=0.1, shaft=0.2, shape=0.1, exact=exact)
    low, high = MODES.low_mm[0], MODES.high_mm[0]
    place = np.array([x, y, z, low + share * (high - low)])
    step = 1e-5
    offset = batch.wall.offsets(place[None])
    away = np.sqrt(sum(part[0] ** 2 for part in offset)) - 14.0
    if np.abs(away).min() < 1e-4:
        return  # a point that comes into the ball within the step: the curvature jumps
    _, gradient, hessian = evaluate(batch, place)
    for k, e in enumerate(step * np.eye(4)):
        above, below = evaluate(batch, place + e), evaluate(batch, place - e)
        scale = 1.0 + np.abs(gradient).max()
        difference = (above[0] - below[0]) / (2 * step)
        assert difference == pytest.approx(gradient[k], abs=1e-6 * scale)
        scale = 1.0 + np.abs(hessian).max()
        assert (above[1] - below[1]) / (2 * step) == pytest.approx(hessian[k], abs=2e-4 * scale)
    assert np.allclose(hessian, hessian.T)


@settings(max_examples=8, deadline=None)
@given(st.tuples(*[st.floats(-1.5, 1.5)] * 3), st.floats(0.0, 30.0), st.booleans())
def test_energy_of_a_spheroid_against_differences(shift, degrees, exact):
    t = np.radians(degrees)
    batch = replace(SPHEROID, exact=exact)
    batch = replace(batch, direction=np.array([[np.sin(t), 0.0, -np.cos(t)]]))
    place = np.r_[np.array([0.0, 0.0, 10.0]) + shift, 0.4]
    offset = np.stack(batch.wall.offsets(place[None]), -1)
    depth = depth_terms(batch.shape, offset, batch.direction[:, None, :])[0]
    if np.abs(depth).min() < 1e-4:
        return
    _, gradient, hessian = evaluate(batch, place)
    step = 1e-5
    for k, e in enumerate(step * np.eye(4)):
        up, down = evaluate(batch, place + e), evaluate(batch, place - e)
        assert gradient[k] == pytest.approx((up[0] - down[0]) / (2 * step), abs=1e-5)
        assert hessian[k] == pytest.approx((up[1] - down[1]) / (2 * step), abs=1e-3)


SPHEROID = before(
    OVAL, LONG, [line_through_ostium("transseptal", OVAL.vein, OVAL.vein.axis)], SOFT
)[2]


def test_a_stiffness_without_end_of_the_shape_keeps_it():
    start = (0.5, 0.3, 14.0)
    stiff = rest_of(balls(WALL, push=0.3, shape=1e6), start)
    rigid = wall_of(OVAL.anatomy.wall, 1e-3, IndentationLaw(3.0))
    wanted = rest_of(balls(rigid, push=0.3), start)
    assert stiff.place[0, 3] == pytest.approx(0.0, abs=1e-5)
    assert stiff.centre[0] == pytest.approx(wanted.centre[0], abs=1e-4)
