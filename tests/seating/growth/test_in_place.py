"""Growth in place: closed forms of a ball in a rigid round hole, and what steps cannot change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seating.phantoms import hole

from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.balloon import sphere
from veinfit.seating.expected import expected_seals
from veinfit.seating.further import Growth, GrowthStep
from veinfit.seating.growth import in_place as growth
from veinfit.seating.growth.in_place import growth_of
from veinfit.seating.prepare import prepare
from veinfit.seating.seat import seat_vein
from veinfit.seating.uncertainty.attempts import simulator
from veinfit.settings import MarginSettings, SeatingSettings

SETTINGS = SeatingSettings(patch_edge_mm=1.2, growth_what_if_mm=0.0, plan_below_probability=0.0)
RIGID = replace(
    SETTINGS,
    ring_stiffness_kpa_per_mm=1e8,
    body_stiffness_kpa_per_mm=1e8,
    locking_depth_mm=np.inf,
    shape_stiffness_n_per_mm=1e6,
)
ROUND = hole(8.5, edge_mm=0.7, plate_mm=26.0, tube_mm=12.0)
OVAL = hole(10.0, ratio=0.75, edge_mm=1.2, plate_mm=26.0, tube_mm=16.0)
MARGIN = MarginSettings(
    samples=32,
    chains_per_patient=8,
    direction_sd_deg=10.0,
    steered_attempts=1,
    aim_tilt_step_deg=0.0,
)


def grown(phantom, settings, small=28.0, large=31.0, **more):
    pair = [sphere(small), sphere(large)]
    return seat_vein(phantom.anatomy, phantom.vein, pair, settings, **more)


def test_a_ball_in_a_rigid_round_hole_comes_back_by_the_closed_form():
    """√(R₂² − a²) − √(R₁² − a²): 1.84 mm from 28 to 31 mm in a hole of 17 mm."""
    first, last = grown(ROUND, RIGID)
    told = first.growth
    closed = np.sqrt(15.5**2 - 8.5**2) - np.sqrt(14.0**2 - 8.5**2)
    assert closed == pytest.approx(1.84, abs=0.005)
    assert told.back_mm == pytest.approx(closed, abs=0.05)
    assert told.seal_kept is True
    assert told.lost_at_mm is told.gained_at_mm is None
    assert last.growth is None
    for step in told.steps:
        radius = 0.5 * step.diameter_mm
        assert step.depth_mm == pytest.approx(-np.sqrt(radius**2 - 8.5**2), abs=0.05)
    ostium = ROUND.vein.ostium
    depths = (np.array(told.centres) - ostium.centre) @ ostium.normal
    assert depths == pytest.approx([step.depth_mm for step in told.steps], abs=1e-6)


def test_diameters_rise_by_half_a_millimetre_at_most():
    first, _ = grown(ROUND, SETTINGS, 28.0, 29.2)
    sizes = [step.diameter_mm for step in first.growth.steps]
    assert sizes == pytest.approx([28.0, 28.4, 28.8, 29.2])
    assert {step.from_balloon for step in first.growth.steps} == {"28 mm"}
    assert {step.to_balloon for step in first.growth.steps} == {"29.2 mm"}


def test_many_steps_and_one_end_at_the_same_place(monkeypatch):
    many = grown(OVAL, SETTINGS)[0].growth
    monkeypatch.setattr(growth, "STEP_MM", 5.0)
    one = grown(OVAL, SETTINGS)[0].growth
    assert (len(many.steps), len(one.steps)) == (7, 2)
    assert one.steps[-1].depth_mm == pytest.approx(many.steps[-1].depth_mm, abs=1e-3)
    assert one.steps[-1].sealed == many.steps[-1].sealed


def test_growing_by_nothing_changes_nothing():
    fit, _ = grown(OVAL, SETTINGS, margin=MARGIN)
    prepared = prepare(OVAL.anatomy, OVAL.vein, 16.0, SETTINGS)
    line = line_through_ostium("coaxial", OVAL.vein, OVAL.vein.axis)
    ready = simulator(prepared, sphere(28), line, SETTINGS, MARGIN)
    told = growth_of(fit, sphere(28), ready, None, {}, 20.0)
    first, last = told.steps
    assert last.depth_mm == pytest.approx(fit.depth_mm, abs=1e-6)
    assert (last.sealed, last.occluded) == (fit.sealed, fit.occluded)
    assert last.antral_area_mm2 == pytest.approx(fit.antral_area_mm2, abs=0.1)
    assert replace(first, diameter_mm=0.0) == replace(last, diameter_mm=0.0)


def test_tries_grow_from_what_the_margin_counted():
    pair = grown(OVAL, SETTINGS, margin=MARGIN)
    fit = pair[0]
    told = fit.growth
    assert 0.02 < fit.seal_probability < 0.98
    assert told.steps[0].seal_probability == pytest.approx(fit.seal_probability)
    assert told.steps[0].gain_probability == 0.0
    last = told.steps[-1]
    assert told.either_probability == pytest.approx(fit.seal_probability + last.gain_probability)
    whole = next(one for one in expected_seals(pair) if "grown" in one.choice)
    assert whole.expected_sealed == pytest.approx(told.either_probability)
    missed = 1.0 - fit.seal_probability
    assert last.gain_probability == pytest.approx(told.gained_probability * missed)


def step(diameter, sealed):
    return GrowthStep("LSPV", "coaxial", "28 mm", "31 mm", diameter, "seated", sealed=sealed)


@pytest.mark.parametrize(
    ("seals", "kept", "lost", "gained"),
    [
        ((True, True, True), True, None, None),
        ((True, False, True), False, 29.0, None),
        ((False, True, False), False, None, 29.0),
        ((False, False, False), False, None, None),
        ((True, None, False), None, 30.0, None),
        ((None, True, True), None, None, None),
    ],
)
def test_where_a_seal_is_kept_lost_or_gained(seals, kept, lost, gained):
    steps = tuple(step(d, s) for d, s in zip((28.0, 29.0, 30.0), seals, strict=True))
    told = Growth(steps, (), None, None)
    assert (told.seal_kept, told.lost_at_mm, told.gained_at_mm) == (kept, lost, gained)


def test_growth_can_be_left_out():
    fit, _ = grown(OVAL, replace(SETTINGS, growth_in_place=False))
    assert fit.growth is None


def test_seats_found_again_to_be_drawn_are_those_that_were_told():
    fit, _ = grown(OVAL, SETTINGS, approaches=("coaxial",))
    again = growth.grown_fits(OVAL.anatomy, fit, sphere(28), SETTINGS)
    assert len(again) == len(fit.growth.steps) == 7
    # The wall around the patch is drawn from these: without them it would lie as imaged.
    assert again[0].shape_amplitudes == pytest.approx(fit.shape_amplitudes, abs=0.02)
    assert again[-1].shape_amplitudes != again[0].shape_amplitudes
    for one, told in zip(again, fit.growth.steps, strict=True):
        assert one.balloon_mm == told.diameter_mm
        depth = (one.centre - OVAL.vein.ostium.centre) @ OVAL.vein.ostium.normal
        assert depth == pytest.approx(told.depth_mm, abs=0.02)
        least = np.nanmin(one.patch_gap_mm)
        reach = np.linalg.norm(one.patch.points - one.centre, axis=1).min()
        assert least == pytest.approx(reach - 0.5 * told.diameter_mm, abs=1e-6)
    assert growth.grown_fits(OVAL.anatomy, replace(fit, growth=None), sphere(28), SETTINGS) == []
