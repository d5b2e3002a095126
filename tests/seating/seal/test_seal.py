"""The seal of a balloon, beside the widest path over all of the wall."""

from __future__ import annotations

import numpy as np
import pytest
from seating.phantoms import DOWN, hole

from veinfit.seating.balloon import sphere
from veinfit.seating.patch import wall_patch
from veinfit.seating.seal.gap import gap_field
from veinfit.seating.seal.paths import connected_to, of_nodes, widest_path
from veinfit.seating.seal.seal import find_seal
from veinfit.settings import SeatingSettings


@pytest.mark.parametrize(
    "centre, occluded",
    [
        pytest.param([0.0, 0.0, 10.7], True, id="in the hole"),
        pytest.param([1.5, 0.0, 11.6], False, id="a leak on one side"),
        pytest.param([0.0, 0.0, 19.0], False, id="a leak wider than most"),
        pytest.param([12.0, 0.0, 12.0], False, id="beside the hole"),
    ],
)
def test_a_seal_is_that_of_the_widest_path_over_the_whole_wall(centre, occluded):
    phantom = hole(9.0, edge_mm=1.0, plate_mm=30.0, tube_mm=10.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 14.0, SeatingSettings())
    touchable = np.ones(len(patch.surface.points), dtype=bool)
    field = gap_field(patch, touchable, sphere(28), np.array(centre), DOWN, 0.5)
    told = find_seal(patch, field, 0.5)
    ends = patch.vein_nodes, patch.atrium_nodes
    path = widest_path(patch.links, of_nodes(field.gap_mm, patch.node_count), *ends)
    warm = of_nodes(field.warm_open_mm, patch.node_count) > 0.0
    reached = connected_to(patch.links, warm, patch.atrium_nodes)
    assert told.occluded == occluded == (path.width <= 0.5)
    assert told.leak_width_mm == max(path.width, 0.0)
    assert field.gap_mm[told.narrowest] == path.width
    assert told.sealed == (not reached[patch.vein_nodes].any())
    np.testing.assert_array_equal(told.open_to_atrium, reached[: len(touchable)])
