"""A wall gathered into cells: what is kept, and how near its seats are to the refined ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from seating.phantoms import hole, rounded_hole
from seating.pushed import balls, rest_of, wall_of

from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.balloon import sphere
from veinfit.seating.mechanics.coarse import gather, sharp_points
from veinfit.seating.mechanics.minimise import AT_REST, minimise
from veinfit.seating.prepare import balloon_batch, balloon_contact, prepare
from veinfit.seating.seal.closure import closure_wall
from veinfit.seating.uncertainty.attempts import simulator
from veinfit.settings import MarginSettings, SeatingSettings

AXES = np.eye(3)
NONE = np.zeros(26, dtype=bool)


def chain(count):
    return np.stack([np.arange(count - 1), np.arange(1, count)], axis=1)


def test_points_of_one_cube_that_hang_together_are_one_cell():
    points = np.array([[0.1, 0, 0], [0.4, 0, 0], [1.4, 0, 0], [1.2, 0.3, 0]])
    cells = gather(points, chain(4), 1.5, AXES, NONE[:4])
    assert cells.count == 2
    assert cells.label[0] == cells.label[1] != cells.label[2] == cells.label[3]
    middle = cells.means(points, np.array([3.0, 1.0, 1.0, 1.0]))
    assert middle[cells.label[0]] == pytest.approx([0.175, 0.0, 0.0])
    assert cells.sums(np.arange(4.0))[cells.label[2]] == 5.0


def test_two_sides_of_a_thin_wall_stay_apart():
    near = np.stack([np.linspace(0.0, 6.0, 13), np.zeros(13), np.zeros(13)], axis=1)
    far = near + [0.0, 0.0, 0.3]
    links = np.concatenate([chain(13), chain(13) + 13])
    cells = gather(np.vstack([near, far]), links, 1.5, AXES, NONE)
    assert not set(cells.label[:13]) & set(cells.label[13:])
    more = np.concatenate([links, [[0, 13]]])
    joined = gather(np.vstack([near, far]), more, 1.5, AXES, NONE)
    assert joined.count == cells.count - 1


def test_a_gathered_wall_keeps_its_weight_and_its_middle_and_turns_with_the_vein():
    wall = wall_of(hole(9.0, edge_mm=0.7, plate_mm=18.0, tube_mm=10.0).anatomy.wall, 1e-3)
    coarse = wall.gathered(1.5, np.zeros(3), AXES)
    assert len(coarse.points) < 0.4 * len(wall.points)
    assert coarse.point_weights.sum() == pytest.approx(wall.point_weights.sum())
    middle = coarse.point_weights @ coarse.points / coarse.point_weights.sum()
    assert middle == pytest.approx(wall.point_weights @ wall.points / wall.point_weights.sum())
    turn = Rotation.from_rotvec([0.3, -0.9, 0.5]).as_matrix()
    # Off the borders between cubes, where rounding decides.
    axes = Rotation.from_rotvec([0.01, 0.02, 0.03]).as_matrix()
    here = wall.gathered(1.5, np.array([0.123, 0.234, 0.345]), axes)
    turned = replace(wall, points=wall.points @ turn.T)
    there = turned.gathered(1.5, turn @ [0.123, 0.234, 0.345], axes @ turn.T)
    assert there.points == pytest.approx(here.points @ turn.T, abs=1e-9)


def test_a_ball_rests_on_gathered_points_where_it_rests_on_the_wall():
    wall = wall_of(rounded_hole(8.0, 4.0, edge_mm=0.7, plate_mm=22.0).anatomy.wall, 1e-3)
    coarse = wall.gathered(1.5, np.zeros(3), AXES)
    for push in (0.05, 0.2):
        exact = rest_of(balls(wall, push=push, guide=0.1), (1.0, 0.5, 14.0))
        rough = rest_of(balls(coarse, push=push, guide=0.1, exact=False), (1.0, 0.5, 14.0))
        assert rough.centre[0] == pytest.approx(exact.centre[0], abs=0.1)


def test_points_of_a_sharp_rim_stand_for_themselves_and_those_of_a_round_one_do_not():
    surface = hole(9.0, edge_mm=0.7, plate_mm=18.0, tube_mm=10.0).anatomy.wall
    sharp = sharp_points(surface.points, surface.faces)
    rim = (np.abs(surface.points[:, 2]) < 1e-9) & (
        np.abs(np.hypot(*surface.points[:, :2].T) - 9.0) < 0.01
    )
    assert rim.sum() > 50
    assert np.array_equal(sharp, rim)
    cells = gather(surface.points, surface.faces[:, :2], 1.5, AXES, sharp)
    assert (np.bincount(cells.label)[cells.label[sharp]] == 1).all()
    smooth = rounded_hole(8.0, 4.0, edge_mm=0.7, plate_mm=18.0).anatomy.wall
    assert not sharp_points(smooth.points, smooth.faces).any()


TUBE = {"edge_mm": 0.8, "plate_mm": 26.0, "tube_mm": 18.0}
GROUNDS = {
    "oval": hole(11.0, ratio=8.0 / 11.0, **TUBE),
    "flat": hole(11.0, ratio=0.55, **TUBE),
    "rounded": rounded_hole(8.0, 5.0, **TUBE),
}


def test_coarse_seats_are_those_of_the_refined_wall():
    """Equal pushes along tilted shafts: seats within 0.1 mm, leaks within 0.05 mm."""
    settings, margin = SeatingSettings(), MarginSettings()
    apart, leaks = [], []
    for phantom in GROUNDS.values():
        prepared = prepare(phantom.anatomy, phantom.vein, 14.0, settings)
        balloon = sphere(28)
        lines = [
            line_through_ostium("transseptal", phantom.vein, [np.sin(t) * c, np.sin(t) * s, -1.0])
            for t, c, s in ((0.0, 1, 0), (0.1, 1, 0), (0.2, 0, 1), (0.15, -0.7, 0.7), (0.3, 0, -1))
        ]
        ready = simulator(prepared, balloon, lines[0], settings, margin)
        contact = balloon_contact(prepared, balloon, settings)
        exact = balloon_batch(prepared, contact, lines, settings, exact=True)
        push = np.array([0.03, 0.06, 0.1, 0.15, 0.2])
        exact = replace(exact, push_n=push)
        rough = replace(
            ready.one.only(np.zeros(5, dtype=int)),
            push_n=push, direction=exact.direction, origin=exact.origin,
        )  # fmt: skip
        start = np.zeros((5, exact.unknowns))
        start[:, :3] = -16.0 * exact.direction
        through = prepared.exit(settings)
        one, other = minimise(exact, start, through), minimise(rough, start, through)
        assert (one.state == AT_REST).all() and (other.state == AT_REST).all()
        apart += list(np.linalg.norm(one.centre - other.centre, axis=1))
        fine = closure_wall(prepared, contact, balloon.shape.reach_mm)
        for wall, rest, told in ((fine, one, leaks), (ready.closure, other, [])):
            gap, _ = wall.measured(balloon, exact.reach_mm, exact.direction, rest.place)
            told += [max(wall.wall.widest(one_gap)[0], 0.0) for one_gap in gap]
            if wall is ready.closure:
                leaks[-5:] = [abs(a - b) for a, b in zip(leaks[-5:], told, strict=True)]
    assert max(apart) < 0.1
    assert max(leaks) < 0.05
