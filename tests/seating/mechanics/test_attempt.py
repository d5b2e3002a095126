"""A try: where the rising push stops, and what more push and a larger ball do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from seating.phantoms import hole, rounded_hole
from seating.pushed import LINEAR, PAST, balls, before, rest_of, wall_of

from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.balloon import sphere
from veinfit.seating.mechanics.attempt import FIRST_PUSH_N, attempt
from veinfit.seating.mechanics.minimise import AT_REST, WENT_THROUGH
from veinfit.seating.seal.closure import closure_wall
from veinfit.settings import SeatingSettings

STIFFNESS = 4e-3
WALL = wall_of(hole(10.0, edge_mm=0.6, plate_mm=20.0, tube_mm=25.0).anatomy.wall, STIFFNESS, LINEAR)
START = np.array([0.0, 0.0, 14.0])


def force(height, radius=10.0):
    """Push at which a 28 mm ball rests that high over a sharp hole: π k (h + a) δ²."""
    return np.pi * STIFFNESS * (height + radius) * (14.0 - np.hypot(radius, height)) ** 2


def attempts(greatest, occluding, sealing, beyond=1.2, first=None):
    """Tries that occlude below one height of the centre and seal below another."""
    batch = balls(WALL, guide=0.1, count=len(greatest))
    batch = replace(batch, push_n=np.array(greatest, dtype=float))

    def closes(which, place):
        assert len(which) == len(place)
        return place[:, 2] < occluding, place[:, 2] < sealing

    start = np.tile(START, (len(greatest), 1))
    return attempt(batch, start, PAST, closes, beyond, first)


def test_a_try_stops_a_little_past_the_least_push_that_occludes():
    least = force(8.0)
    assert least > 3.0 * FIRST_PUSH_N
    done = attempts([3.0 * least, 1.1 * least, 0.9 * least], 8.0, 8.0)
    assert (done.seats.state == AT_REST).all()
    assert done.push_to_occlude_n[:2] == pytest.approx(least, rel=0.05)
    assert (done.push_to_occlude_n[:2] >= least * 0.99).all(), "a push that occludes"
    assert done.push_n[0] == pytest.approx(1.2 * done.push_to_occlude_n[0])
    assert done.push_n[1] == pytest.approx(1.1 * least), "never past the greatest"
    assert done.push_n[2] == pytest.approx(0.9 * least)
    assert np.isnan(done.push_to_occlude_n[2]) and np.isnan(done.push_to_seal_n[2])
    # The seat is the equilibrium of the push at the seat.
    for number in range(3):
        wanted = brentq(lambda h, n=number: force(h) - done.push_n[n], 7.0, 9.7)
        assert done.seats.place[number, 2] == pytest.approx(wanted, abs=0.05)
        assert done.seats.residual_n[number] <= 1e-6 * done.push_n[number]


def test_the_push_that_seals_may_be_that_at_the_seat_alone():
    least = force(8.0)
    seat = brentq(lambda h: force(h) - 1.2 * least, 7.0, 8.0)
    between = attempts([3.0 * least], 8.0, 0.5 * (8.0 + seat))
    assert between.push_to_seal_n[0] == pytest.approx(between.push_n[0])
    never = attempts([3.0 * least], 8.0, seat - 0.3)
    assert np.isnan(never.push_to_seal_n[0])
    at_once = attempts([3.0 * least], 8.0, 8.0)
    assert at_once.push_to_seal_n[0] == pytest.approx(at_once.push_to_occlude_n[0])


@pytest.mark.parametrize("share", [0.6, 1.5, 4.0])
def test_where_the_push_begins_does_not_matter(share):
    least = force(8.0)
    wanted = attempts([5.0 * least], 8.0, 8.0)
    found = attempts([5.0 * least], 8.0, 8.0, first=np.array([share * least]))
    assert found.push_to_occlude_n[0] == pytest.approx(wanted.push_to_occlude_n[0], rel=0.05)
    assert found.seats.place[0, 2] == pytest.approx(wanted.seats.place[0, 2], abs=0.05)


def test_a_balloon_that_occludes_at_once_is_pushed_with_the_first_push_and_a_little_more():
    done = attempts([1.0], 20.0, 20.0)
    assert done.push_to_occlude_n[0] == FIRST_PUSH_N
    assert done.push_n[0] == pytest.approx(1.2 * FIRST_PUSH_N)


def test_a_balloon_that_never_occludes_passes_through_past_the_greatest_resistance():
    heights = np.linspace(0.0, 9.7, 400)
    most = max(force(heights))
    done = attempts([1.1 * most, 0.9 * most], -99.0, -99.0)
    assert list(done.seats.state) == [WENT_THROUGH, AT_REST]
    assert np.isnan(done.push_to_occlude_n).all()


SETTINGS = SeatingSettings(patch_edge_mm=1.0)
TUBE = {"edge_mm": 1.0, "plate_mm": 24.0, "tube_mm": 18.0}
GROUNDS = {
    "round": hole(9.0, **TUBE),
    "oval": hole(10.0, ratio=0.8, **TUBE),
    "flat": hole(11.0, ratio=0.6, **TUBE),
    "rounded": rounded_hole(8.0, 5.0, **TUBE),
}
PUSHES = (0.02, 0.05, 0.1, 0.2, 0.35, 0.5)


def on_the_axis(phantom, diameter, settings):
    """Depth, mm, and widest gap, mm, of coaxial seats at rising pushes, each from the last."""
    line = line_through_ostium("coaxial", phantom.vein, phantom.vein.axis)
    balloon = sphere(diameter)
    prepared, contact, batch = before(phantom, balloon, [line], settings)
    closure = closure_wall(prepared, contact, balloon.shape.reach_mm)
    place, told = np.array([0.0, 0.0, 0.5 * diameter]), []
    for push in PUSHES:
        pushed = replace(batch, push_n=np.array([push]))
        rest = rest_of(pushed, place, prepared.exit(settings))
        if rest.state[0] != AT_REST:
            break
        place = rest.place[0]
        gap, _ = closure.measured(balloon, batch.reach_mm, batch.direction, rest.place)
        told.append((-place[2], closure.wall.widest(gap[0])[0]))
    return np.array(told).T


@pytest.mark.parametrize("shape", [0.1, 1e6])
@pytest.mark.parametrize("ground", list(GROUNDS))
def test_more_push_leaks_no_more_and_a_larger_ball_sits_farther_back(ground, shape):
    """Coaxial, seated, on a continuous branch: sliding and passing through are set aside."""
    settings = replace(SETTINGS, shape_stiffness_n_per_mm=shape)
    small, large = (on_the_axis(GROUNDS[ground], size, settings) for size in (28, 31))
    for depth, width in (small, large):
        assert len(depth) >= 4
        assert (np.diff(depth) > 0.0).all(), "more push, deeper"
        assert (np.diff(np.maximum(width, 0.0)) <= 0.1).all()
    both = min(small.shape[1], large.shape[1])
    assert (large[0, :both] < small[0, :both]).all()
