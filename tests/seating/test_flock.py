"""Balls that come to rest side by side: each as if it were alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from seating.phantoms import hole, rounded_hole
from veinfit.seating.equilibrium import descend
from veinfit.seating.flock import Flock, descend_all

from veinfit.seating.approach import line_through_ostium
from veinfit.seating.balloon import sphere
from veinfit.seating.mechanics.guide import Guide
from veinfit.seating.seat import energy_of, mount, prepare
from veinfit.seating.uncertainty.unknowns import tilted
from veinfit.settings import SeatingSettings

SOFT = replace(SeatingSettings(), shaft_n_per_mm=0.2)
COUNT = 12


@pytest.fixture(scope="module", params=["sharp", "rounded"])
def bench(request):
    tube = {"edge_mm": 1.2, "plate_mm": 24.0, "tube_mm": 16.0}
    made = hole(9.0, **tube) if request.param == "sharp" else rounded_hole(8.0, 4.0, **tube)
    ready = prepare(made.anatomy, made.vein, 14.5, replace(SOFT, patch_edge_mm=1.5))
    return made.vein, ready


@pytest.fixture(scope="module")
def tries(bench):
    """Settings, lines, radii and turned guides of a dozen tries, one of them without any push."""
    vein, _ = bench
    rng = np.random.default_rng(5)
    made = []
    for number in range(COUNT):
        settings = replace(
            SOFT,
            push_n=0.0 if number == 3 else SOFT.push_n * rng.uniform(0.5, 2.0),
            guide_n_per_mm=SOFT.guide_n_per_mm * rng.uniform(0.2, 3.0),
            shaft_n_per_mm=SOFT.shaft_n_per_mm * rng.uniform(0.0, 3.0),
            stiffness_kpa_per_mm=SOFT.stiffness_kpa_per_mm * rng.uniform(0.5, 2.0),
        )
        turned = tilted(vein.axis, rng.normal(size=2) * 15.0)
        line = line_through_ostium("transseptal", vein, turned)
        # The shaft's line runs beside the ostial centre, but for the first try.
        aside = np.cross(line.direction, rng.normal(size=3)) * (2.0 if number else 0.0)
        line = replace(line, origin=line.origin + aside)
        turn = Rotation.from_rotvec(rng.normal(size=3) * 10.0, degrees=True).as_matrix()
        made.append((settings, line, 14.0 + rng.uniform(-0.5, 0.5), turn))
    return made


def flock_of(ready, tries):
    mounted = mount(ready, sphere(28), SOFT)
    return mounted, Flock(
        foundation=mounted.foundation,
        radius_mm=np.array([radius for _, _, radius, _ in tries]),
        stiffness=np.array([s.stiffness_kpa_per_mm / SOFT.stiffness_kpa_per_mm for s, *_ in tries]),
        push_n=np.array([s.push_n for s, *_ in tries]),
        guide_n_per_mm=np.array([s.guide_n_per_mm for s, *_ in tries]),
        shaft_n_per_mm=np.array([s.shaft_n_per_mm for s, *_ in tries]),
        direction=np.array([line.direction for _, line, _, _ in tries]),
        origin=np.array([line.origin for _, line, _, _ in tries]),
        guide=ready.patch.guide,
        pivot=ready.patch.centre,
        guide_turn=np.array([turn for _, _, _, turn in tries]),
    )


def alone(ready, mounted, one):
    settings, line, radius, turn = one
    law = replace(
        mounted.foundation.law,
        stiffness_n_per_mm3=settings.stiffness_kpa_per_mm * 1e-3,
    )
    wall = replace(mounted.foundation, radius_mm=radius, law=law)
    energy = energy_of(ready, replace(mounted, foundation=wall), line, settings)
    pivot = ready.patch.centre
    return replace(energy, guide=Guide((ready.patch.guide.points - pivot) @ turn.T + pivot))


def test_energy_and_its_derivatives_are_those_of_one(bench, tries):
    _, ready = bench
    mounted, flock = flock_of(ready, tries)
    centre = ready.patch.centre + np.random.default_rng(1).normal(size=(COUNT, 3)) * 3.0
    centre -= 10.0 * ready.patch.axis
    together = flock.evaluate(np.arange(COUNT), centre)
    for number, one in enumerate(tries):
        value, gradient, hessian = alone(ready, mounted, one).evaluate(centre[number])
        assert together[0][number] == pytest.approx(value, rel=1e-9, abs=1e-9)
        assert together[1][number] == pytest.approx(gradient, rel=1e-9, abs=1e-9)
        assert together[2][number] == pytest.approx(hessian, rel=1e-9, abs=1e-9)
    assert together[3].any()


def test_every_ball_rests_where_it_rests_alone(bench, tries):
    _, ready = bench
    mounted, flock = flock_of(ready, tries)
    start = np.tile(ready.patch.centre - 16.0 * ready.patch.axis, (COUNT, 1))
    together = descend_all(flock, start, ready.patch.centre, ready.patch.normal, 25.0)
    for number, one in enumerate(tries):
        depth = ready.patch.normal
        rest = descend(
            alone(ready, mounted, one),
            start[number],
            lambda place, depth=depth: (place - ready.patch.centre) @ depth > 25.0,
        )
        assert together[number].state == rest.state == "at rest"
        assert together[number].centre == pytest.approx(rest.centre, abs=1e-4)
        assert together[number].residual_n <= 1e-6 * max(one[0].push_n, 1e-3)
        assert (np.diff(together[number].energies) <= 1e-12).all()


def test_balls_without_a_seat_pass_through_and_leave_the_others(bench, tries):
    _, ready = bench
    _, flock = flock_of(ready, tries)
    small = flock.radius_mm.copy()
    small[:3] = 5.0
    start = np.tile(ready.patch.centre - 16.0 * ready.patch.axis, (COUNT, 1))
    mixed = replace(flock, radius_mm=small, push_n=flock.push_n + 0.1)
    rests = descend_all(mixed, start, ready.patch.centre, ready.patch.normal, 25.0)
    assert [rest.state for rest in rests[:3]] == ["went through"] * 3
    assert {rest.state for rest in rests[3:]} == {"at rest"}


def test_springs_of_many_centres_are_those_of_each():
    line = Guide(np.array([[0.0, 0.0, -50.0], [0.0, 0.0, 0.0], [3.0, 0.0, 4.0], [3.0, 40.0, 4.0]]))
    centres = np.random.default_rng(2).normal(size=(40, 3)) * 6.0
    value, slope, curvature = line.springs(centres)
    step = 1e-5
    for i, centre in enumerate(centres):
        for k in range(3):
            ahead = line.spring(centre + step * np.eye(3)[k])
            behind = line.spring(centre - step * np.eye(3)[k])
            assert (ahead[0] - behind[0]) / (2 * step) == pytest.approx(slope[i, k], abs=1e-6)
            change = (ahead[1] - behind[1]) / (2 * step)
            assert change == pytest.approx(curvature[i, k], abs=1e-5)
        assert value[i] == pytest.approx(0.5 * slope[i] @ slope[i])
