"""Where a mapping loop lies in a vein of 17 mm that narrows by 0.2 mm a mm and is known to 8 mm."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from seating.phantoms import hole

from veinfit.seating.growth.loop import LoopReading, loop_reading

VEIN = replace(
    (tube := hole(8.5, edge_mm=1.6, plate_mm=22.0, tube_mm=16.0).vein),
    sections=tuple(
        SimpleNamespace(s_mm=s, measures=SimpleNamespace(d_area_mm=17.0 - 0.2 * s))
        for s in (0.0, 8.0, 4.0)
    ),
)


@pytest.mark.parametrize(("depth_mm", "wide_mm"), [(-4.0, 17.0), (0.0, 17.0), (5.0, 16.0)])
def test_a_loop_wider_than_the_vein_folds(depth_mm, wide_mm):
    nose = tube.ostium.centre + depth_mm * tube.axis
    for loop_mm, fit in ((wide_mm - 0.5, "open"), (wide_mm + 0.5, "folded")):
        told = loop_reading(VEIN, nose, loop_mm)
        assert told.depth_mm == pytest.approx(depth_mm, abs=0.05)
        assert told.diameter_mm == pytest.approx(wide_mm, abs=0.02)
        assert told.fit == fit


def test_nothing_is_told_where_the_vein_is_not_known_or_no_loop_is_used():
    none = LoopReading(None, None, "")
    assert loop_reading(VEIN, tube.ostium.centre + 9.0 * tube.axis, 20.0) == none
    assert loop_reading(VEIN, tube.ostium.centre, 0.0) == none
