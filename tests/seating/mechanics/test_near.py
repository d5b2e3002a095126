"""The wall near moving balloons: nothing that they press is ever left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seating.phantoms import hole
from seating.pushed import balls, wall_of

from veinfit.seating.mechanics.law import IndentationLaw
from veinfit.seating.mechanics.modes import modes_about
from veinfit.seating.mechanics.near import KEPT_MM, NearWall
from veinfit.seating.mechanics.shape import Spheroid

OVAL = hole(10.0, 0.7, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0)
MODES = modes_about(OVAL.vein, OVAL.anatomy.wall.points)
WALL = wall_of(OVAL.anatomy.wall, 1e-3, IndentationLaw(3.0), MODES)
COUNT = 5


@pytest.mark.parametrize("exact", [False, True])
@pytest.mark.parametrize("shape", [None, Spheroid(14.0, 17.0)])
def test_energies_are_those_without_a_memory(shape, exact):
    rng = np.random.default_rng(4)
    batch = balls(WALL, push=0.4, guide=0.1, shaft=0.2, shape=0.1, exact=exact, count=COUNT)
    if shape is not None:
        batch = replace(batch, shape=shape, reach_mm=np.full(COUNT, shape.reach_mm))
    low, high = MODES.low_mm[0], MODES.high_mm[0]
    near = batch.nearby()
    place = np.tile([0.0, 0.0, 13.0, 0.0], (COUNT, 1))
    touched = 0
    for _ in range(40):
        place[:, :3] += rng.normal(scale=0.6, size=(COUNT, 3)) - [0.0, 0.0, 0.1]
        place[:, 3] = np.clip(place[:, 3] + rng.normal(scale=0.4, size=COUNT), low, high)
        which = np.flatnonzero(rng.random(COUNT) < 0.7)
        if not len(which):
            continue
        told = batch.evaluate(which, place[which], near)
        wanted = batch.evaluate(which, place[which])
        for one, other in zip(told, wanted, strict=True):
            assert one == pytest.approx(other, rel=1e-12, abs=1e-12)
        touched += int(told[3].sum())
    assert touched > 50


def test_points_are_kept_while_a_balloon_moves_less_than_their_margin():
    near = NearWall(WALL, np.array([14.0]))
    which = np.array([0])

    def kept(z, amplitude):
        place = np.array([[0.0, 0.0, z, amplitude]])
        return near.near(which, place, MODES.factors(place[:, 3:]))

    first = kept(13.0, 0.0)
    assert kept(13.0 - 0.9 * KEPT_MM, 0.0) is first
    assert kept(13.0 - 0.9 * KEPT_MM, MODES.high_mm[0]) is not first, "the wall moved as well"
    distance = np.linalg.norm(WALL.points - [0.0, 0.0, 13.0], axis=1)
    assert first.count[0] == (distance < 14.0 + KEPT_MM).sum()


def test_a_wall_without_points_has_none():
    none = WALL.near(np.zeros(len(WALL.points), dtype=bool))
    batch = balls(none, push=0.4, shape=0.1, exact=False)
    energy, _, _, touches = batch.evaluate(np.array([0]), np.array([[0.0, 0.0, 3.0, 0.0]]))
    assert not touches[0]
    assert energy[0] == pytest.approx(0.4 * 3.0)


def test_pieces_hold_every_pair_once_and_in_order():
    near = NearWall(WALL, np.full(COUNT, 14.0))
    place = np.zeros((COUNT, 4))
    place[:, 2] = [13.0, 60.0, 12.0, 14.0, 90.0]  # two lie where no wall is
    found = near.near(np.arange(COUNT), place, MODES.factors(place[:, 3:]))
    for most in (1, int(found.count.max()), int(found.count.sum())):
        slices, pieces = zip(*found.in_pieces(most), strict=True)
        assert np.concatenate([np.arange(COUNT)[one] for one in slices]).tolist() == [0, 1, 2, 3, 4]
        assert np.array_equal(
            np.concatenate([one.columns for one in pieces], axis=1), found.table[found.points].T
        )
        assert all(len(one.count) == 1 or one.count.sum() <= most for one in pieces)
