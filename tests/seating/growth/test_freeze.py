"""Freeze drift, occlusion grade and depth conventions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seating.phantoms import hole, rounded_hole

from veinfit.errors import InputError
from veinfit.seating.balloon import sphere
from veinfit.seating.seal.grade import (
    deep_definition,
    grade_definition,
    is_deep,
    occlusion_grade,
)
from veinfit.seating.seat import seat_vein
from veinfit.settings import SeatingSettings, Settings

SETTINGS = SeatingSettings(patch_edge_mm=1.0)
ROUNDED = rounded_hole(8.0, 4.0, edge_mm=1.0, plate_mm=24.0, tube_mm=20.0)
FIXED = replace(SETTINGS, shape_stiffness_n_per_mm=1e6, greatest_push_n=0.05)
OVAL = hole(11.0, ratio=8.0 / 11.0, edge_mm=1.0, plate_mm=24.0, tube_mm=20.0)


def seat(phantom, balloon, settings=SETTINGS):
    return seat_vein(phantom.anatomy, phantom.vein, [balloon], settings)[0]


def test_constant_size_does_not_drift():
    fit = seat(ROUNDED, sphere(28))
    assert (fit.freeze_shift_mm, fit.sealed_after_freeze) == (0.0, fit.sealed)
    constant, grown = fit.freezing
    assert (constant.growth_mm, constant.shift_mm, constant.sealed) == (0.0, 0.0, fit.sealed)
    assert constant.leak_width_mm == fit.leak_width_mm
    assert grown.growth_mm == SETTINGS.growth_what_if_mm
    assert seat(ROUNDED, sphere(28), replace(SETTINGS, growth_what_if_mm=0.0)).freezing == (
        constant,
    )


def test_a_growing_balloon_comes_to_lie_as_one_of_its_new_size():
    growing = replace(sphere(28), growth_mm=1.5)
    fit = seat(ROUNDED, growing)
    new = seat(ROUNDED, sphere(29.5))
    assert fit.depth_mm == pytest.approx(seat(ROUNDED, sphere(28)).depth_mm, abs=0.01)
    # Round about its axis, the balloon moves along it alone: back into the atrium.
    assert fit.freeze_shift_mm == pytest.approx(fit.depth_mm - new.depth_mm, abs=0.02)
    assert fit.freeze_shift_mm > 0.5
    assert fit.sealed_after_freeze is new.sealed is True
    assert [drift.growth_mm for drift in fit.freezing] == [0.0, 1.5]
    assert fit.freezing[1].shift_mm == fit.freeze_shift_mm


def test_growth_can_cost_a_seal_and_says_so():
    # In an oval hole the larger ball bridges the long diameter with a wider gap.
    fit = seat(OVAL, sphere(28), replace(FIXED, contact_tolerance_mm=0.0))
    assert fit.push_n == FIXED.greatest_push_n
    assert fit.freezing[1].leak_width_mm != fit.freezing[0].leak_width_mm
    between = 0.5 * (fit.freezing[1].leak_width_mm + fit.freezing[0].leak_width_mm)
    settings = replace(FIXED, contact_tolerance_mm=between)
    growing = seat(OVAL, replace(sphere(28), growth_mm=1.0), settings)
    constant, grown = growing.freezing
    assert {constant.sealed, grown.sealed} == {True, False}
    lost = constant.sealed and not grown.sealed
    assert any("would lose the seal" in note.text for note in growing.notes) is lost
    assert growing.sealed_after_freeze is grown.sealed


@pytest.mark.parametrize(
    ("occluded", "orifice", "grade"),
    [
        (True, 0.0, 4), (False, 0.5, 3), (False, 10.0, 3), (False, 10.1, 2), (False, 35.0, 2),
        (False, 35.1, 1), (False, None, None),
    ],
)  # fmt: skip
def test_the_grade_falls_with_the_orifice(occluded, orifice, grade):
    assert occlusion_grade(occluded, orifice, SETTINGS) == grade


def test_thresholds_are_settings_and_stand_in_the_definition():
    own = SeatingSettings(grade_small_leak_mm2=3.0, grade_moderate_leak_mm2=7.5)
    assert occlusion_grade(False, 5.0, own) == 2
    assert "up to 3 mm2" in grade_definition(own) and "up to 7.5 mm2" in grade_definition(own)
    assert "convention of this project" in grade_definition(own)


def test_deep_by_ring_or_by_plane():
    plane = SeatingSettings(deep_convention="ostial plane")
    assert is_deep(0.1, None, SETTINGS) and is_deep(-9.0, 71.0, SETTINGS)
    assert not is_deep(-9.0, 69.0, SETTINGS) and not is_deep(-0.1, None, SETTINGS)
    assert is_deep(-4.7, 10.0, plane) and not is_deep(-4.9, 89.0, plane)
    # The two agree for a 28 mm ball whose ring lies in the ostial plane.
    assert plane.deep_plane_mm == pytest.approx(14.0 * np.cos(np.radians(70.0)), abs=0.05)
    assert "70 degrees" in deep_definition(SETTINGS) and "4.8 mm" in deep_definition(plane)
    with pytest.raises(InputError, match="deep_convention = 'depth' must be one of"):
        Settings.from_mapping({"seating": {"deep_convention": "depth"}})
