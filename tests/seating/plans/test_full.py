"""Seats of a plan: what they leave open together, on openings of known shape."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from seating.phantoms import DOWN, as_phantom, hole, loft

from veinfit.seating.balloon import sphere
from veinfit.seating.patch import wall_patch
from veinfit.seating.plans.full import longest_arc, plan_gap
from veinfit.seating.seal.gap import gap_field
from veinfit.seating.seal.orifice import cut_graph
from veinfit.seating.seal.paths import connected_to
from veinfit.settings import SeatingSettings

TOLERANCE = 0.5
RADIUS = 14.0
HALF_WIDTH = 8.0
HEIGHT = np.sqrt(RADIUS**2 - HALF_WIDTH**2)
"""Of a 28 mm ball that touches both sides of a slot of 16 mm."""
HALF_BAND = np.sqrt((RADIUS + TOLERANCE) ** 2 - RADIUS**2)
"""How far along the slot's straight sides such a ball is in contact: 3.77 mm."""


def slot(half_length, edge_mm=0.5):
    """A slot of 16 mm with round ends in a plate, its long axis along x."""
    arc = np.linspace(-0.5 * np.pi, 0.5 * np.pi, round(np.pi * HALF_WIDTH / edge_mm))
    side = np.linspace(half_length, -half_length, round(2 * half_length / edge_mm) + 1)[1:-1]
    right = np.stack([half_length + HALF_WIDTH * np.cos(arc), HALF_WIDTH * np.sin(arc)], axis=1)
    top = np.stack([side, np.full(len(side), HALF_WIDTH)], axis=1)
    line = np.concatenate([right, top, -right, -top])
    around = np.stack([np.cos(arc), np.sin(arc)], axis=1)
    up = np.tile([0.0, 1.0], (len(side), 1))
    normal = np.concatenate([around, up, -around, -up])
    rings = [np.column_stack([line, np.full(len(line), z)]) for z in np.arange(-15.0, 0.0, edge_mm)]
    for out in np.arange(0.0, 25.0, edge_mm):
        rings.append(np.column_stack([line + out * normal, np.zeros(len(line))]))
    return as_phantom(loft(np.array(rings)), np.column_stack([line, np.zeros(len(line))]))


def prepared(phantom):
    patch = wall_patch(phantom.anatomy, phantom.vein, RADIUS, SeatingSettings())
    return patch, cut_graph(patch)


def seat(patch, centre, diameter=28):
    every = np.ones(len(patch.surface.points), dtype=bool)
    return gap_field(patch, every, sphere(diameter), np.asarray(centre), DOWN, TOLERANCE)


def gap_of(patch, graph, *centres):
    return plan_gap(patch, graph, [seat(patch, one) for one in centres], TOLERANCE)[0]


def test_two_balls_close_a_slot_that_neither_closes_alone():
    """Bands of 3.77 mm to either side of each ball; 6 mm apart they overlap by 1.55 mm."""
    patch, graph = prepared(slot(3.0))
    left, right = (-3.0, 0.0, HEIGHT), (3.0, 0.0, HEIGHT)
    # The far end of the slot lies 14 mm beside the ball.
    alone = np.hypot(HEIGHT, 6.0 + HALF_WIDTH) - RADIUS
    assert gap_of(patch, graph, left) == pytest.approx(alone, abs=0.1)
    assert gap_of(patch, graph, right) == pytest.approx(alone, abs=0.1)
    assert gap_of(patch, graph, left, right) <= TOLERANCE


def test_bands_that_only_meet_end_to_end_do_not_close():
    apart = HALF_BAND + 0.05
    patch, graph = prepared(slot(apart))
    left, right = (-apart, 0.0, HEIGHT), (apart, 0.0, HEIGHT)
    assert gap_of(patch, graph, left, right) > TOLERANCE
    middle = (0.0, 0.0, HEIGHT)
    assert gap_of(patch, graph, left, middle, right) <= TOLERANCE


ROUND = prepared(hole(10.0, ratio=0.8, edge_mm=1.5, plate_mm=26.0, tube_mm=12.0))
places = st.tuples(st.floats(-6.0, 6.0), st.floats(-6.0, 6.0), st.floats(4.0, 14.0))


@settings(max_examples=25, deadline=None)
@given(st.lists(places, min_size=2, max_size=3))
def test_a_set_never_has_a_wider_gap_than_any_of_its_members(centres):
    patch, graph = ROUND
    whole = gap_of(patch, graph, *centres)
    assert whole <= min(gap_of(patch, graph, one) for one in centres)


@settings(max_examples=25, deadline=None)
@given(places)
def test_a_plan_of_one_seat_has_that_seats_cold_gap(centre):
    """By vertices: from a path over those that are open farther than a level, or no path."""
    patch, graph = ROUND
    field = seat(patch, centre)
    told, _ = plan_gap(patch, graph, [field], TOLERANCE)
    cold = np.full(patch.node_count, np.inf)
    cold[: len(field.gap_mm)] = field.warm_open_mm + TOLERANCE
    for level, open_there in ((told - 1e-6, True), (told + 1e-6, False)):
        reached = connected_to(patch.links, cold > level, patch.atrium_nodes)
        assert reached[patch.vein_nodes].any() == open_there


def test_a_seat_that_covers_nothing_leaves_all_open():
    patch, graph = ROUND
    assert plan_gap(patch, graph, [None], TOLERANCE) == (np.inf, -1)
    one = seat(patch, (0.0, 0.0, 10.0))
    assert plan_gap(patch, graph, [one, None], TOLERANCE) == plan_gap(
        patch, graph, [one], TOLERANCE
    )


def test_the_longest_arc_may_pass_twelve():
    hours = np.linspace(0.0, 12.0, 24, endpoint=False)
    covered = (hours >= 10.0) | (hours <= 2.0) | (hours == 6.0)
    assert longest_arc(covered, hours) == (9.75, 2.25)
    assert longest_arc(np.ones(24, dtype=bool), hours) == (0.0, 12.0)
    assert longest_arc(np.zeros(24, dtype=bool), hours) == (None, None)
