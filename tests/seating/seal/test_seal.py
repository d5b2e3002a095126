"""Seals read on a wall without what lies far from the vein."""

from __future__ import annotations

import numpy as np
import pytest
from seating.phantoms import DOWN, hole

from veinfit.seating.balloon import sphere
from veinfit.seating.patch import wall_patch
from veinfit.seating.seal.gap import gap_field
from veinfit.seating.seal.reduced import reduce_wall
from veinfit.seating.seal.seal import find_seal
from veinfit.settings import SeatingSettings


@pytest.mark.parametrize(
    "centre, occluded",
    [
        pytest.param([0.0, 0.0, 10.7], True, id="in the hole"),
        pytest.param([1.5, 0.0, 11.6], False, id="a leak on one side"),
        pytest.param([0.0, 0.0, 19.0], False, id="a leak wider than what is folded away"),
        pytest.param([12.0, 0.0, 12.0], False, id="before wall that is folded away"),
    ],
)
def test_a_seal_on_the_reduced_wall_is_that_on_the_whole(centre, occluded):
    phantom = hole(9.0, edge_mm=1.0, plate_mm=30.0, tube_mm=10.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 14.0, SeatingSettings())
    points = patch.surface.points
    touchable = np.ones(len(points), dtype=bool)
    field = gap_field(patch, touchable, sphere(28), np.array(centre), DOWN, 0.5)
    reduced = reduce_wall(patch, np.linalg.norm(points[:, :2], axis=1) < 19.0)
    assert reduced.node_count < patch.node_count
    told, known = find_seal(patch, field, 0.5, reduced), find_seal(patch, field, 0.5)
    assert known.occluded == occluded
    assert (told.occluded, told.sealed) == (known.occluded, known.sealed)
    assert (told.leak_width_mm, told.narrowest) == (known.leak_width_mm, known.narrowest)
    np.testing.assert_array_equal(told.open_to_atrium, known.open_to_atrium)
