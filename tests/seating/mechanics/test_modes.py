"""An oval ostium that gives way to a rounder one: its contour, its bounds, what it closes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation
from scipy.special import ellipe
from seating.phantoms import ellipse, hole, moved
from seating.pushed import balls, rest_of, wall_of

from veinfit.anatomy.model import Contour
from veinfit.seating.balloon import sphere
from veinfit.seating.mechanics.minimise import AT_REST
from veinfit.seating.mechanics.modes import (
    LEAST_OVAL_MM,
    _long_factors,
    modes_about,
    no_modes,
)
from veinfit.seating.seat import seat_vein
from veinfit.settings import SeatingSettings

ROUND = hole(9.0, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0)
OVAL = hole(11.0, ratio=8.0 / 11.0, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0)
"""22 by 16 mm."""

STIFF = SeatingSettings(
    patch_edge_mm=1.2,
    growth_what_if_mm=0.0,
    ring_stiffness_kpa_per_mm=1e6,
    body_stiffness_kpa_per_mm=1e6,
    locking_depth_mm=np.inf,
)


def circle_of(a, b):
    """Diameter of the circle of an ellipse's perimeter, by the complete elliptic integral."""
    return 4.0 * a * float(ellipe(1.0 - (b / a) ** 2)) / np.pi


def perimeter(points):
    return np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum()


def with_contour(points):
    """A vein of that ostial contour, flat at z = 0."""
    vein = OVAL.vein
    measures = replace(vein.ostium.measures, d_max_mm=float(np.ptp(points[:, 0])))
    return replace(vein, ostium=replace(vein.ostium, contour=Contour(points), measures=measures))


def pear(count=400):
    """A contour that is no ellipse: an oval with a blunt end and a few waves."""
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    r = 9.0 * (1.0 + 0.15 * np.cos(2 * angle) + 0.06 * np.cos(3 * angle) + 0.02 * np.sin(5 * angle))
    return np.stack([r * np.cos(angle), r * np.sin(angle), 0.0 * angle], axis=1)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.0, 1.0), st.sampled_from(["oval", "flat", "pear"]))
def test_the_contour_keeps_its_perimeter_at_every_amplitude(share, form):
    points = {"oval": ellipse(11.0, 8.0), "flat": ellipse(13.0, 6.5), "pear": pear()}[form]
    modes = modes_about(with_contour(points), points)
    amplitude = modes.low_mm + share * (modes.high_mm - modes.low_mm)
    stretched = points + modes.displacement(amplitude)
    assert perimeter(stretched) == pytest.approx(perimeter(points), abs=1e-6)


@pytest.mark.parametrize(("a", "b"), [(10.0, 8.0), (11.0, 8.0), (12.0, 9.0), (13.0, 6.5)])
def test_at_its_bound_the_oval_is_the_circle_of_its_perimeter(a, b):
    """P/π by the complete elliptic integral: 22 x 16 mm becomes 19.12 mm.

    A field linear in cos 2θ, which moves both ends alike and stretches the ring, would stop
    at the mean of the two diameters, 19.00 mm.
    """
    points = ellipse(a, b)
    modes = modes_about(with_contour(points), points)
    told = points + modes.displacement(modes.high_mm)
    wanted = circle_of(a, b)
    assert np.ptp(told, axis=0)[:2] == pytest.approx([wanted, wanted], abs=2e-3)
    assert 2.0 * np.linalg.norm(told, axis=1) == pytest.approx(wanted, abs=0.05)
    # The amplitude is how far the ends of the short axis move.
    assert modes.high_mm[0] == pytest.approx(0.5 * wanted - b, abs=1e-3)
    if (a, b) == (11.0, 8.0):
        assert wanted == pytest.approx(19.1186, abs=1e-4)
        assert wanted - (a + b) > 0.1


def test_a_round_ostium_has_no_mode():
    for radius in (6.0, 9.0, 13.0):
        points = ellipse(radius, radius)
        assert modes_about(with_contour(points), points).count == 0
    nearly = ellipse(9.0 + LEAST_OVAL_MM, 9.0)
    assert modes_about(with_contour(nearly), nearly).count == 0
    assert no_modes(7).displacement(np.zeros(0)).shape == (7, 3)


def test_wall_far_from_the_ostium_and_along_its_normal_stays():
    points = OVAL.anatomy.wall.points
    change = modes_about(OVAL.vein, points)
    moved_by = change.displacement(change.high_mm)
    assert moved_by[:, 2] == pytest.approx(0.0, abs=1e-9)
    assert np.abs(moved_by).max() > 1.0
    measures = replace(OVAL.vein.ostium.measures, d_max_mm=9.0)
    vein = replace(OVAL.vein, ostium=replace(OVAL.vein.ostium, measures=measures))
    local = modes_about(vein, points).displacement(change.high_mm)
    far = np.linalg.norm(points - vein.ostium.centre, axis=1)
    assert local[far >= 18.0] == pytest.approx(0.0, abs=1e-12)
    assert np.abs(local[(far > 9.0) & (far < 18.0)]).max() < np.abs(moved_by).max()


def test_modes_turn_with_the_atrium():
    turn = Rotation.from_rotvec([0.4, -1.0, 0.7]).as_matrix()
    shift = np.array([30.0, -5.0, 80.0])
    other = moved(OVAL, turn, shift)
    here = modes_about(OVAL.vein, OVAL.anatomy.wall.points)
    there = modes_about(other.vein, other.anatomy.wall.points)
    assert there.high_mm == pytest.approx(here.high_mm, abs=1e-9)
    for amplitude in (here.low_mm, 0.5 * here.high_mm, here.high_mm):
        wanted = here.displacement(amplitude) @ turn.T
        assert there.displacement(amplitude) == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("push", [0.1, 0.5])
def test_without_stiffness_an_oval_ring_becomes_the_circle_of_its_perimeter_under_a_ball(push):
    """A rigid wall of a shape that costs nothing: the ball sinks to √(R² − (P/2π)²)."""
    modes = modes_about(OVAL.vein, OVAL.anatomy.wall.points)
    batch = balls(wall_of(OVAL.anatomy.wall, 1e2, modes=modes), push=push, guide=0.1)
    rest = rest_of(batch, (0.0, 0.0, 14.0))
    assert rest.state[0] == AT_REST
    wanted = np.sqrt(14.0**2 - (0.5 * circle_of(11.0, 8.0)) ** 2)
    assert rest.place[0, 2] == pytest.approx(wanted, abs=0.05)
    assert rest.place[0, 3] == pytest.approx(0.5 * circle_of(11.0, 8.0) - 8.0, abs=0.05)


@pytest.mark.parametrize("push", [0.05, 0.2, 0.45])
def test_a_rigid_wall_of_a_shape_that_yields_has_a_solution_of_one_unknown(push):
    """Between the limits: a ball held by the short axis of an ellipse that yields with K.

    The centre lies √(R² − (b + a)²) high, so that E(a) = F √(R² − (b + a)²) + ½ K a²: the
    amplitude solves K a = F (b + a)/√(R² − (b + a)²) (derived here).
    """
    stiffness = 0.5
    modes = modes_about(OVAL.vein, OVAL.anatomy.wall.points)
    batch = balls(wall_of(OVAL.anatomy.wall, 1e2, modes=modes), push=push, shape=stiffness)
    rest = rest_of(batch, (0.0, 0.0, 14.0))

    def excess(a):
        return stiffness * a - push * (8.0 + a) / np.sqrt(14.0**2 - (8.0 + a) ** 2)

    a = brentq(excess, 0.0, 4.0)
    assert a < modes.high_mm[0]
    assert rest.place[0, 3] == pytest.approx(a, abs=0.05)
    assert rest.place[0, 2] == pytest.approx(np.sqrt(14.0**2 - (8.0 + a) ** 2), abs=0.05)


@pytest.mark.parametrize("stiffness", [1e4, 1e6])
def test_a_shape_that_does_not_yield_gives_the_seat_of_the_fixed_shape(stiffness):
    settings = replace(STIFF, shape_stiffness_n_per_mm=stiffness)
    fit = seat_vein(OVAL.anatomy, OVAL.vein, [sphere(28)], settings)[0]
    assert fit.depth_mm == pytest.approx(-np.sqrt(14.0**2 - 8.0**2), abs=0.05)
    assert fit.leak_width_mm == pytest.approx(np.sqrt(11.0**2 + 14.0**2 - 8.0**2) - 14.0, abs=0.06)
    assert not any("rounder" in note.text for note in fit.notes)


def test_an_ostium_that_yields_leaks_less_and_says_so():
    """On 22 by 16 mm a rigid ball gapes by 1.9 mm, by the closed form; on the circle not at all."""
    leaks, notes = [], []
    for stiffness in (1e6, 0.8, 0.01):
        settings = replace(STIFF, shape_stiffness_n_per_mm=stiffness, contact_tolerance_mm=0.0)
        fit = seat_vein(OVAL.anatomy, OVAL.vein, [sphere(28)], settings)[0]
        leaks.append(fit.leak_width_mm)
        notes.append([note.text for note in fit.notes if "rounder" in note.text])
    assert leaks[0] > leaks[1] + 0.3 > leaks[2] + 0.3
    assert leaks[2] < 0.1
    assert notes[0] == [] and len(notes[2]) == 1
    assert "the ends of its short axis move by 1.6 mm" in notes[2][0]


def test_lengths_that_are_no_numbers_end_the_search_for_a_stretch():
    with pytest.raises(ValueError, match="cannot be stretched"):
        _long_factors(np.ones(1), np.array([np.nan, 1.0]), np.ones(2))
