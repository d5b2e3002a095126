"""Half turns of walls whose turn is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from anatomy.profiles import bare, filleted_tube
from scipy.spatial.transform import Rotation
from surface.shapes import moved

from veinfit.anatomy.ostium.certainty import Evidence, ostium_confidence, ostium_error_mm
from veinfit.anatomy.ostium.half_turn import half_turns, half_turns_from_each
from veinfit.anatomy.ostium.plane_fit import fit_plane, stability
from veinfit.vectors import angle_deg

Z = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize("fillet", [2.0, 5.0, 10.0])
def test_a_quarter_torus_has_made_half_its_turn_at_45_degrees(fillet):
    wall = bare(filleted_tube(8.0, fillet))
    turns = half_turns(wall, np.zeros(3), Z, fillet + 6.0, 36)
    assert all(t is not None for t in turns)
    height = np.array([t.point[2] for t in turns])
    radius = np.array([np.linalg.norm(t.point[:2]) for t in turns])
    # On the torus 45 degrees lies fillet (1 - cos 45) from the wall and as far from the tube.
    depth = fillet * (1 - np.cos(np.pi / 4))
    assert height == pytest.approx(np.full(36, depth), abs=0.1)
    assert radius == pytest.approx(np.full(36, 8.0 + depth), abs=0.1)
    assert np.median([t.end_deg - t.start_deg for t in turns]) == pytest.approx(90.0, abs=3.0)
    lengths = [t.steepness_mm for t in turns]
    assert np.median(lengths) == pytest.approx(np.radians(30) * fillet, abs=0.8)


def test_a_sharp_edge_is_found_where_it_is():
    turns = half_turns(bare(filleted_tube(8.0, 0.5)), np.zeros(3), Z, 8.0, 36)
    assert np.array([t.point[2] for t in turns]) == pytest.approx(np.full(36, 0.15), abs=0.15)


def test_the_half_turn_moves_with_the_wall(rng):
    surface = filleted_tube(8.0, 5.0)
    turn, shift = Rotation.random(random_state=rng).as_matrix(), np.array([30.0, -80.0, 210.0])
    here = half_turns(bare(surface), np.zeros(3), Z, 11.0, 36)
    there = half_turns(bare(moved(surface, turn, shift)), shift, turn @ Z, 11.0, 36)
    a = np.sort([np.linalg.norm(t.point) for t in here])
    b = np.sort([np.linalg.norm(t.point - shift) for t in there])
    assert a == pytest.approx(b, abs=0.03)  # sectors fall elsewhere on the facets


def test_half_turns_from_several_starts_are_those_from_each():
    wall, starts = bare(filleted_tube(8.0, 5.0)), (7.0, 11.0, 500.0)
    together = half_turns_from_each(wall, np.zeros(3), Z, starts, 36)
    assert together[2] == [None] * 36
    for found, start in zip(together, starts, strict=True):
        alone = half_turns(wall, np.zeros(3), Z, start, 36)
        assert [t and tuple(t.point) for t in found] == [t and tuple(t.point) for t in alone]
    assert together[0][0].start_deg != together[1][0].start_deg


def test_a_straight_tube_has_no_turn():
    from surface.shapes import tube

    turns = half_turns(bare(tube(8.0, 6.0, 40.0)), np.array([0, 0, 10.0]), Z, 25.0, 36)
    assert turns == [None] * 36


def test_an_axis_beside_the_wall_finds_no_turn():
    wall = bare(filleted_tube(8.0, 5.0))
    assert half_turns(wall, np.array([500.0, 0.0, 0.0]), Z, 11.0, 36) == [None] * 36


def test_a_plane_through_scattered_points_withstands_outliers(rng):
    angle = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    points = np.stack([9 * np.cos(angle), 9 * np.sin(angle), rng.normal(0, 0.1, 36)], axis=1)
    points[3:9, 2] -= 6.0  # six sectors of a neighbour's ridge
    plane = fit_plane(points, Z)
    assert plane.normal[2] > np.cos(np.radians(1.0))
    assert abs(plane.centre[2]) < 0.1
    assert plane.residual_mm < 0.2


def ring(heights):
    angle = np.linspace(0.0, 2.0 * np.pi, len(heights), endpoint=False)
    return np.stack([9.0 * np.cos(angle), 9.0 * np.sin(angle), heights], axis=1)


def test_a_minority_in_a_row_does_not_tilt_the_plane():
    heights = np.zeros(36)
    heights[:8] = -8.0
    plane = fit_plane(ring(heights), Z)
    assert angle_deg(plane.normal, Z) < 0.1
    assert abs(plane.centre @ Z) < 0.02


def test_a_plane_that_two_groups_pull_is_doubted():
    rng = np.random.default_rng(5)
    clear = ring(rng.normal(0.0, 0.1, 36))
    heights = rng.normal(0.0, 0.1, 36)
    heights[:14] -= 4.0
    torn = ring(heights)
    results = []
    for points in (clear, torn):
        plane = fit_plane(points, Z)
        moved, tilted = stability(points, plane)
        evidence = Evidence(moved, tilted, plane.residual_mm, 1.0, 0.0)
        results.append((ostium_error_mm(evidence), ostium_confidence(evidence)))
    (error, confidence), (torn_error, torn_confidence) = results
    assert error < 1.0 < 2.0 < torn_error
    assert torn_confidence < 0.85 < 0.95 < confidence
