"""The seal around the clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seating.phantoms import DOWN, hole

from veinfit.frames import clock_hours, side_words
from veinfit.seating.balloon import sphere
from veinfit.seating.patch import wall_patch
from veinfit.seating.seal.clock import (
    MERIDIANS,
    ClockSeal,
    clock_of,
    contact_arc_deg,
    meridians,
    read_clock,
)
from veinfit.seating.seal.gap import gap_field
from veinfit.seating.seat import seat_vein
from veinfit.settings import SeatingSettings

SETTINGS = SeatingSettings()


def seal_of(gap):
    nothing = np.full(MERIDIANS, np.nan)
    return ClockSeal(np.asarray(gap, float), nothing, nothing, nothing, nothing, nothing)


def test_the_contact_arc_is_linear_between_meridians():
    step = 360.0 / MERIDIANS
    gap = np.full(MERIDIANS, 2.0)
    assert contact_arc_deg(seal_of(gap), 0.5) == 0.0
    assert contact_arc_deg(seal_of(0.0 * gap), 0.5) == 360.0
    gap[10:20] = 0.0  # crosses 0.5 a quarter of a step beyond each end
    assert contact_arc_deg(seal_of(gap), 0.5) == pytest.approx(9.5 * step)
    gap[9] = np.inf  # no wall there: contact ends at the last meridian that has it
    assert contact_arc_deg(seal_of(gap), 0.5) == pytest.approx(9.25 * step)


def test_meridians_lie_at_their_clock_positions_and_cross_every_face_twice():
    phantom = hole(9.0, edge_mm=1.0, plate_mm=16.0, tube_mm=6.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 14.0, SETTINGS)
    lines = meridians(patch)
    hours = clock_hours(lines.position - patch.centre, patch.axis)
    off = np.abs(hours - lines.meridian * 12.0 / MERIDIANS)
    assert np.minimum(off, 12.0 - off).max() < 1e-6
    # From the tube's end to the plate's edge each meridian is one unbroken profile.
    length = np.linalg.norm(np.diff(lines.position[lines.segment], axis=1)[:, 0], axis=1)
    profile = np.bincount(lines.meridian[lines.segment[:, 0]], length, MERIDIANS)
    assert profile == pytest.approx(np.full(MERIDIANS, 6.0 + 7.0), abs=0.05)
    field = gap_field(
        patch,
        np.ones(len(patch.surface.points), bool),
        sphere(28),
        np.array([0, 0, 11.0]),
        DOWN,
        0.5,
    )
    exact = np.linalg.norm(lines.position - [0, 0, 11.0], axis=1) - 14.0
    assert np.abs(lines.at(field.gap_mm) - exact).max() < 0.01


def test_readings_name_the_side_that_leaks():
    phantom = hole(11.0, 8 / 11, edge_mm=0.8, plate_mm=22.0, tube_mm=18.0)
    rigid = replace(
        SETTINGS, ring_stiffness_kpa_per_mm=1e8, body_stiffness_kpa_per_mm=1e8,
        locking_depth_mm=np.inf, shape_stiffness_n_per_mm=1e6,
    )  # fmt: skip
    fit = seat_vein(phantom.anatomy, phantom.vein, [sphere(28)], rigid)[0]
    widest = max(fit.clock, key=lambda reading: reading.gap_mm)
    assert widest.side in {"left", "right"}
    assert widest.gap_mm == pytest.approx(fit.leak_width_mm, abs=0.05)
    assert widest.band_width_mm is widest.sealing_depth_mm is None
    tightest = min(fit.clock, key=lambda reading: reading.gap_mm)
    assert tightest.side in {"anterior", "posterior"}
    assert tightest.band_atrial_depth_mm <= tightest.sealing_depth_mm
    assert tightest.sealing_depth_mm <= tightest.band_distal_depth_mm
    for leak in fit.leaks:
        offset = np.array([leak.x_mm, leak.y_mm, 0.0])
        assert leak.side == side_words(offset)
        assert leak.clock_h == pytest.approx(float(clock_hours(offset, phantom.vein.axis)))


@pytest.mark.parametrize(
    "centre",
    [
        pytest.param([0.0, 0.0, 11.0], id="beside the wall all round"),
        pytest.param([4.0, 0.0, 11.0], id="far from it on one side"),
    ],
)
def test_wall_far_from_the_balloon_changes_no_reading(centre):
    phantom = hole(9.0, edge_mm=1.0, plate_mm=16.0, tube_mm=6.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 14.0, SETTINGS)
    touchable = np.ones(len(patch.surface.points), dtype=bool)
    field = gap_field(patch, touchable, sphere(28), np.array(centre), DOWN, 0.5)
    told, known = clock_of(patch, field, 0.5), read_clock(patch, meridians(patch), field, 0.5)
    for name in ClockSeal.__slots__:
        assert getattr(told, name) == pytest.approx(getattr(known, name), abs=1e-12, nan_ok=True)
