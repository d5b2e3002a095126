"""Push direction and shaft line of an approach, and the balloon's first place on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from seating.phantoms import hole
from seating.pushed import balls, wall_of

from veinfit.errors import InputError
from veinfit.seating.approach.line import approach_line, line_through_ostium
from veinfit.seating.approach.start import find_start, find_starts, nominal_back_mm
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface

PHANTOM = hole(9.0, edge_mm=1.5, plate_mm=20.0, tube_mm=6.0)
SETTINGS = SeatingSettings()


def test_coaxial_is_the_vein_axis_through_the_ostial_centre():
    line = approach_line("coaxial", PHANTOM.anatomy, PHANTOM.vein, SETTINGS)
    assert np.allclose(line.direction, PHANTOM.vein.axis)
    assert np.allclose(line.origin, PHANTOM.vein.ostium.centre)
    assert line.misalignment_deg == 0.0


@pytest.mark.parametrize("degrees", [0.0, 17.0, 60.0])
def test_misalignment_is_the_angle_to_the_axis(degrees):
    t = np.radians(degrees)
    line = line_through_ostium("coaxial", PHANTOM.vein, [0.0, -2 * np.sin(t), -2 * np.cos(t)])
    assert line.misalignment_deg == pytest.approx(degrees)
    assert np.linalg.norm(line.direction) == pytest.approx(1.0)


def test_an_approach_that_does_not_exist_is_refused():
    with pytest.raises(
        InputError, match="'upward' is not available; there is transseptal, coaxial"
    ):
        approach_line("upward", PHANTOM.anatomy, PHANTOM.vein, SETTINGS)


def test_the_nominal_start_stays_in_the_blood():
    assert nominal_back_mm(np.inf, 14.0) == 14.0
    assert nominal_back_mm(40.0, 14.0) == 14.0
    assert nominal_back_mm(20.0, 14.0) == 10.0


def specks(heights):
    """Tiny triangles on the axis at some heights above the ostium."""
    corners = np.array([[0.0, 0, 0], [1e-6, 0, 0], [0, 1e-6, 0]])
    points = np.vstack([corners + [0.0, 0.0, h] for h in heights])
    faces = np.arange(len(points)).reshape(-1, 3)
    return balls(wall_of(Surface(points, faces), 4e-3), radius=5.0)


LINE = line_through_ostium("coaxial", PHANTOM.vein, PHANTOM.vein.axis)


@given(st.lists(st.floats(-8.0, 38.0), min_size=1, max_size=6))
def test_a_balloon_is_backed_off_to_the_first_clear_place(heights):
    start = find_start(specks(heights), LINE, np.inf)
    if start.pressed_mm > 0.0 or start.beside_mm > 0.0:
        return  # no clear place on the shaft within reach
    z = start.centre[2]
    assert z == pytest.approx(5.0 + start.backed_off_mm)
    assert all(abs(z - h) >= 5.0 - 1e-6 for h in heights)
    nearer = np.arange(5.0, z - 1e-3, 0.05)
    blocked = np.abs(nearer[:, None] - np.array(heights)).min(axis=1) < 5.0
    assert blocked.all(), "no clear place was passed over"


def test_without_room_behind_the_walls_push_the_balloon_aside():
    # The shaft is blocked as far as it goes; beside it all is free.
    start = find_start(specks([4.0]), LINE, 12.0)
    assert start.pressed_mm == 0.0
    assert np.linalg.norm(start.centre - [0, 0, 4.0]) >= 5.0 - 0.06


def test_starts_of_several_radii_are_those_of_each_alone():
    radii = np.array([3.0, 5.0, 7.0])
    # Backed off along the shaft, and pushed aside where it is blocked.
    for heights, distance in (([4.1, 21.2, 9.7], np.inf), ([4.0], 12.0)):
        several = replace(balls(specks(heights).wall, count=3), reach_mm=radii)
        together = find_starts(several, LINE, distance)
        for number, told in enumerate(together):
            alone = find_start(several.only(np.array([number])), LINE, distance)
            assert np.array_equal(told.centre, alone.centre)
            assert told.pressed_mm == alone.pressed_mm
        assert len({float(np.linalg.norm(one.centre)) for one in together}) == 3
