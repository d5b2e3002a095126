"""The margin on walls whose closure probability is known.

A rigid ball whose centre is held to a line tilted τ through the middle of a sharp
round hole of radius a leaks √(s² + 2 s a sin τ + a²) − R opposite the tilt, with
s = a sin τ + √(R² − a² cos² τ) (closed form, test_closed_forms.py): it occludes up
to one tilt. With the two tilts normal with SD σ the tilt's size has Rayleigh's law,
so that occlusion has the probability 1 − exp(−τ²/2σ²).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm
from seating.phantoms import hole

from veinfit.seating.approach import line_through_ostium
from veinfit.seating.balloon import sphere
from veinfit.seating.model import Chance
from veinfit.seating.seat import prepare, seat_vein
from veinfit.seating.uncertainty.attempts import simulate
from veinfit.seating.uncertainty.margin import (
    DIRECTION,
    FORCE,
    PLACE,
    SURFACE,
    TOGETHER,
    with_margins,
)
from veinfit.seating.uncertainty.split import expected_splits, joint
from veinfit.seating.uncertainty.unknowns import Unknowns, draw, tilted
from veinfit.settings import MarginSettings, SeatingSettings

HOLE_MM = 9.0
TOLERANCE_MM = 0.5
SCATTER_DEG = 2.0
HELD = replace(
    SeatingSettings(),
    stiffness_kpa_per_mm=1e8,
    stiffening_depth_mm=np.inf,
    guide_n_per_mm=0.0,
    shaft_n_per_mm=1e6,
)
"""A wall and a shaft that do not give way."""

DIRECTION_ONLY = MarginSettings(
    samples=64,
    direction_sd_deg=SCATTER_DEG,
    push_spread=0.0,
    guide_spread=0.0,
    shaft_spread=0.0,
    shaft_offset_sd_mm=0.0,
    guide_lean_sd_deg=0.0,
    stiffness_spread=0.0,
    surface_offset_sd_mm=0.0,
    tolerance_calibration_mm=0.0,
    direction_calibration=0.0,
)


def leak(tilt_deg, radius):
    tilt = np.radians(tilt_deg)
    s = HOLE_MM * np.sin(tilt) + np.sqrt(radius**2 - (HOLE_MM * np.cos(tilt)) ** 2)
    return np.sqrt(s**2 + 2.0 * s * HOLE_MM * np.sin(tilt) + HOLE_MM**2) - radius


def greatest_tilt(radius, tolerance=TOLERANCE_MM):
    return brentq(lambda tilt: leak(tilt, radius) - tolerance, 0.0, 30.0)


def occluding(radius, scatter=SCATTER_DEG, tolerance=TOLERANCE_MM):
    return 1.0 - np.exp(-0.5 * (greatest_tilt(radius, tolerance) / scatter) ** 2)


@pytest.fixture(scope="module")
def ground():
    return hole(HOLE_MM, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0)


@pytest.fixture(scope="module")
def margins(ground):
    def of(law, *diameters, seating=HELD):
        balloons = [sphere(diameter) for diameter in diameters]
        fits = seat_vein(ground.anatomy, ground.vein, balloons, seating)
        return with_margins(ground.anatomy, ground.vein, balloons, fits, seating, law)

    return of


@pytest.fixture(scope="module")
def scattered(margins):
    """Two balloons of which only the direction is unknown."""
    return margins(DIRECTION_ONLY, 28, 31)


def test_probability_is_that_of_the_closed_form(scattered):
    for fit, radius in zip(scattered, (14.0, 15.5), strict=True):
        known = occluding(radius)
        assert 0.2 < known < 0.8
        told = fit.margin.occluded
        assert told.probability == pytest.approx(known, abs=0.05)
        assert abs(told.probability - known) < 3.0 * told.sampling_error
        assert told.sampling_error < 0.07
        # The zone of freezing is the front half and the ring lies within it.
        assert fit.seal_probability == told.probability


def test_nothing_calibrated_leaves_no_bounds_and_direction_is_all(scattered):
    chance = scattered[0].margin.occluded
    assert chance.low == pytest.approx(chance.probability, abs=0.01)
    assert chance.high == pytest.approx(chance.probability, abs=0.01)
    shares = scattered[0].margin.shares
    assert set(shares) == {DIRECTION, TOGETHER}
    assert shares[DIRECTION] > 0.9
    assert sum(shares.values()) == pytest.approx(1.0)


def test_bounds_are_those_of_a_scatter_that_is_known_less_well(margins):
    law = replace(DIRECTION_ONLY, samples=128, direction_calibration=0.15)
    told = margins(law, 28)[0].margin.occluded
    known = occluding(14.0)
    step = 1e-4
    answer = (occluding(14.0, 2.0 * np.exp(step)) - occluding(14.0, 2.0 * np.exp(-step))) / 2.0
    spread = abs(answer) / step * 0.15 / (known * (1.0 - known))
    logit = np.log(known / (1.0 - known))
    low, high = (1.0 / (1.0 + np.exp(-(logit + 1.96 * sign * spread))) for sign in (-1, 1))
    assert told.low == pytest.approx(low, abs=0.06)
    assert told.high == pytest.approx(high, abs=0.06)


def test_bounds_are_those_of_a_tolerance_that_is_known_less_well(margins):
    law = replace(DIRECTION_ONLY, tolerance_calibration_mm=0.15)
    told = margins(law, 28)[0].margin.occluded
    half = 0.5 * (occluding(14.0, tolerance=0.65) - occluding(14.0, tolerance=0.35))
    known = occluding(14.0)
    spread = half / (known * (1.0 - known))
    low = 1.0 / (1.0 + np.exp(1.96 * spread) * (1.0 - known) / known)
    assert told.low == pytest.approx(low, abs=0.07)


@pytest.mark.slow
def test_unknowns_of_the_patient_are_shared_by_sizes_and_tries(margins):
    """Only the surface is unknown: every try of a patient ends alike, with either size."""
    law = replace(
        DIRECTION_ONLY, direction_sd_deg=0.0, surface_offset_sd_mm=1.0, tries_per_patient=2,
        samples=16,
    )  # fmt: skip
    tight = replace(HELD, contact_tolerance_mm=0.0)
    fits = margins(law, 28, 31, seating=tight)
    for fit in fits:
        assert set(fit.margin.occluded.given_patient) <= {0.0, 1.0}
    first = draw(law, "LSPV 28.000 28.000")
    second = draw(law, "LSPV 31.000 31.000")
    assert np.array_equal(first.patient, second.patient)
    assert not np.array_equal(first.tries, second.tries)


def test_a_surface_that_lies_elsewhere_changes_the_probability_as_another_radius(margins):
    law = replace(DIRECTION_ONLY, samples=128, surface_offset_sd_mm=0.8)
    told = margins(law, 28)[0].margin
    known = quad(lambda o: occluding(14.0 - o) * norm.pdf(o, scale=0.8), -2.4, 2.4, epsabs=1e-4)[
        0
    ] / (norm.cdf(3.0) - norm.cdf(-3.0))
    assert told.occluded.probability == pytest.approx(known, abs=0.05)
    assert SURFACE in told.shares


def test_expected_split_multiplies_within_each_patient(scattered):
    first, second = (fit.margin.occluded for fit in scattered)
    split = next(s for s in expected_splits(scattered) if s.closure == "occluded")
    p, q = occluding(14.0), occluding(15.5)
    assert (split.first, split.second) == ("28 mm", "31 mm")
    assert split.both == pytest.approx(p * q, abs=0.06)
    assert split.neither == pytest.approx((1.0 - p) * (1.0 - q), abs=0.06)
    total = split.only_first + split.only_second + split.both + split.neither
    assert total == pytest.approx(1.0)
    assert split.only_first + split.both == pytest.approx(first.probability)
    assert split.only_second + split.both == pytest.approx(second.probability)


def test_split_of_patients_in_whom_all_tries_agree_is_not_that_of_the_means():
    told = Chance(0.5, 0.4, 0.6, 0.05, (1.0, 0.0, float("nan")))
    assert joint(told, told) == (0.0, 0.0, 0.5, 0.5)
    empty = Chance(0.5, 0.4, 0.6, 0.05, (float("nan"), float("nan"), 1.0))
    assert joint(told, empty) is None


@pytest.mark.slow
def test_same_seed_same_margin_another_seed_another(margins):
    law = replace(DIRECTION_ONLY, samples=16)
    first, again = margins(law, 28)[0].margin, margins(law, 31, 28)[1].margin
    assert first.occluded == again.occluded
    # The two benches differ in how far the wall reaches, which is no matter to the seat.
    assert first.leak_width_mm == pytest.approx(again.leak_width_mm, abs=1e-6)
    other = margins(replace(law, seed=2), 28)[0].margin
    assert other.leak_width_mm != first.leak_width_mm


def test_no_samples_no_margin(margins):
    fit = margins(replace(DIRECTION_ONLY, samples=0), 28)[0]
    assert fit.margin is None
    assert fit.seal_probability is None


def test_balloon_that_falls_through_closes_nothing(margins):
    soft = replace(SeatingSettings(), stiffness_kpa_per_mm=0.05, stiffening_depth_mm=np.inf)
    fit = margins(replace(DIRECTION_ONLY, samples=8), 28, seating=soft)[0]
    assert fit.outcome == "passes through"
    assert fit.margin.through == fit.margin.assessed == 8
    assert fit.seal_probability == 0.0


def test_push_and_stiffness_act_by_their_ratio(ground):
    """A push and a wall that are both stronger by a factor leave every seat where it was."""
    law = replace(DIRECTION_ONLY, samples=8, push_spread=0.3, stiffness_spread=0.3)
    seating = replace(SeatingSettings(), guide_n_per_mm=0.0, shaft_n_per_mm=0.0)
    bench = prepare(ground.anatomy, ground.vein, 14.0, replace(seating, patch_edge_mm=1.5))
    fit = seat_vein(ground.anatomy, ground.vein, [sphere(28)], seating)[0]
    line = line_through_ostium("coaxial", ground.vein, fit.push_direction)
    plain = draw(replace(law, tries_per_patient=1), "x")
    tries = plain.tries.copy()
    tries[:, 0, 2] = plain.patient[:, 1]
    both = Unknowns(plain.patient, tries)
    seen = simulate(bench, sphere(28), line, seating, law, both)
    steady = replace(law, push_spread=0.0, stiffness_spread=0.0)
    same = simulate(bench, sphere(28), line, seating, steady, both)
    assert seen.width_mm == pytest.approx(same.width_mm, abs=1e-4)


def test_push_decides_where_it_alone_is_unknown(margins):
    law = replace(DIRECTION_ONLY, direction_sd_deg=0.0, push_spread=0.3)
    seating = replace(SeatingSettings(), shaft_n_per_mm=0.1)
    shares = margins(law, 28, seating=seating)[0].margin.shares
    assert shares[FORCE] > 0.9


def test_a_shaft_held_beside_the_middle_of_the_hole_has_the_closed_form(margins):
    """Held e beside the middle the ball touches one side and gaps by the closed form opposite.

    Along the straight line it stops where the near edge lies on it, at the height
    h = √(R² − (a − e)²); the far edge then lies √(h² + (a + e)²) − R = √(R² + 4 a e) − R off.
    """

    def gap(e):
        return np.sqrt(14.0**2 + 4.0 * HOLE_MM * e) - 14.0

    law = replace(DIRECTION_ONLY, direction_sd_deg=0.0, shaft_offset_sd_mm=0.4, samples=128)
    margin = margins(law, 28)[0].margin
    greatest = brentq(lambda e: gap(e) - TOLERANCE_MM, 0.0, 3.0)
    known = 1.0 - np.exp(-0.5 * (greatest / 0.4) ** 2)
    assert 0.2 < known < 0.8
    assert margin.occluded.probability == pytest.approx(known, abs=0.05)
    assert margin.shares[PLACE] > 0.9


def test_a_guide_that_leans_moves_the_ball_by_the_closed_form(ground):
    """Held by the guide alone a rigid ball before the hole gapes as on a tilted shaft."""
    seating = replace(HELD, guide_n_per_mm=1e6, shaft_n_per_mm=0.0)
    law = replace(DIRECTION_ONLY, direction_sd_deg=0.0, guide_lean_sd_deg=SCATTER_DEG)
    bench = prepare(ground.anatomy, ground.vein, 14.0, replace(seating, patch_edge_mm=1.2))
    line = line_through_ostium("coaxial", ground.vein, ground.vein.axis)
    unknowns = draw(law, "x")
    seen = simulate(bench, sphere(28), line, seating, law, unknowns)
    lean = np.hypot(*unknowns.guide_lean_deg(law).reshape(-1, 2).T)
    known = np.array([leak(one, 14.0) for one in lean])
    small = known < 3.0
    assert small.sum() > 50
    assert seen.width_mm.ravel()[small] == pytest.approx(known[small], abs=0.06)


def test_tilts_turn_by_their_length():
    direction = np.array([0.6, 0.0, 0.8])
    for tilt in ([10.0, 0.0], [0.0, -25.0], [3.0, 4.0]):
        turned = tilted(direction, np.array(tilt))
        angle = np.degrees(np.arccos(turned @ direction))
        assert angle == pytest.approx(np.hypot(*tilt))
        assert np.linalg.norm(turned) == pytest.approx(1.0)
    assert tilted(direction, np.zeros(2)) == pytest.approx(direction)


def test_sample_has_the_laws_it_is_drawn_from():
    law = MarginSettings(samples=1024, tries_per_patient=8)
    unknowns = draw(law, "LSPV 28.000 28.000")
    assert unknowns.shape == (128, 8)
    tilt = unknowns.tilt_deg(law).reshape(-1, 2)
    assert tilt.std(axis=0) == pytest.approx([law.direction_sd_deg] * 2, rel=0.02)
    assert abs(np.corrcoef(tilt.T)[0, 1]) < 0.03
    logs = np.log(unknowns.spring_factors(law).reshape(-1, 3))
    spreads = [law.push_spread, law.guide_spread, law.shaft_spread]
    assert logs.std(axis=0) == pytest.approx(spreads, rel=0.02)
    aside, lean = unknowns.shaft_offset_mm(law), unknowns.guide_lean_deg(law)
    for scatter, wanted in ((aside, law.shaft_offset_sd_mm), (lean, law.guide_lean_sd_deg)):
        assert scatter.reshape(-1, 2).std(axis=0) == pytest.approx([wanted] * 2, rel=0.02)
    assert unknowns.surface_offset_mm(law).std() == pytest.approx(0.5, rel=0.06)
