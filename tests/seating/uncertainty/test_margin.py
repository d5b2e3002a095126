"""The margin on walls whose closure probability is known.

A rigid ball whose centre is held to a line tilted τ through the middle of a sharp
round hole of radius a leaks √(s² + 2 s a sin τ + a²) − R opposite the tilt, with
s = a sin τ + √(R² − a² cos² τ) (closed form, test_closed_forms.py): it occludes up
to one tilt. With the two tilts normal with SD σ the tilt's size has Rayleigh's distribution,
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

from veinfit.frames import side_words
from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.balloon import sphere
from veinfit.seating.mechanics.minimise import minimise
from veinfit.seating.model import Chance
from veinfit.seating.prepare import prepare
from veinfit.seating.seat import seat_vein
from veinfit.seating.uncertainty.attempts import simulator
from veinfit.seating.uncertainty.chains import simulate
from veinfit.seating.uncertainty.margin import (
    DIRECTION,
    FORCE,
    PLACE,
    SHAPE,
    SURFACE,
    TOGETHER,
    bounds,
    leak_side,
    margin_of,
    steered,
)
from veinfit.seating.uncertainty.readings import NOT_ASSESSED, SEATED
from veinfit.seating.uncertainty.split import expected_splits, joint
from veinfit.seating.uncertainty.unknowns import LEANS, draw, perturbed
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.vectors import perpendicular_basis

HOLE_MM = 9.0
TOLERANCE_MM = 0.5
SCATTER_DEG = 2.0
HELD = replace(
    SeatingSettings(),
    ring_stiffness_kpa_per_mm=1e8,
    body_stiffness_kpa_per_mm=1e8,
    locking_depth_mm=np.inf,
    shape_stiffness_n_per_mm=1e6,
    guide_n_per_mm=0.0,
    shaft_n_per_mm=1e6,
    patch_edge_mm=1.2,
    cell_mm=0.1,
)
"""A wall and a shaft that do not give way; every point of the wall is one of its own."""

DIRECTION_ONLY = MarginSettings(
    samples=64,
    direction_sd_deg=SCATTER_DEG,
    push_spread=0.0,
    guide_spread=0.0,
    shaft_spread=0.0,
    shaft_offset_sd_mm=0.0,
    guide_lean_sd_deg=0.0,
    stiffness_spread=0.0,
    shape_stiffness_spread=0.0,
    surface_offset_sd_mm=0.0,
    tolerance_calibration_mm=0.0,
    direction_calibration=0.0,
    shape_calibration=0.0,
    steered_attempts=1,
    aim_tilt_step_deg=0.0,
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
    def of(settings, *diameters, seating=HELD):
        balloons = [sphere(diameter) for diameter in diameters]
        return seat_vein(ground.anatomy, ground.vein, balloons, seating, margin=settings)

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
        # The zone of freezing is the front half, the ring lies within it and not deep.
        assert fit.seal_probability == told.probability


def test_nothing_calibrated_leaves_no_bounds_and_direction_is_all(scattered):
    chance = scattered[0].margin.occluded
    assert chance.low == pytest.approx(chance.probability, abs=0.01)
    assert chance.high == pytest.approx(chance.probability, abs=0.01)
    shares = scattered[0].margin.variance_shares
    assert set(shares) == {DIRECTION, TOGETHER}
    assert shares[DIRECTION] > 0.9
    assert sum(shares.values()) == pytest.approx(1.0)


def test_bounds_are_those_of_a_scatter_that_is_known_less_well(margins):
    settings = replace(DIRECTION_ONLY, samples=128, direction_calibration=0.15)
    told = margins(settings, 28)[0].margin.occluded
    # The probability falls as the scatter grows: its quantiles are those of the scatter.
    low, high = (occluding(14.0, 2.0 * np.exp(sign * 1.96 * 0.15)) for sign in (1, -1))
    assert told.low == pytest.approx(low, abs=0.06)
    assert told.high == pytest.approx(high, abs=0.06)


def test_bounds_are_those_of_a_tolerance_that_is_known_less_well(margins):
    settings = replace(DIRECTION_ONLY, tolerance_calibration_mm=0.15)
    told = margins(settings, 28)[0].margin.occluded
    low, high = (occluding(14.0, tolerance=0.5 + sign * 1.96 * 0.15) for sign in (-1, 1))
    assert told.low == pytest.approx(low, abs=0.07)
    # It closes ever less with more tolerance, which a distribution of two moments does not know.
    assert high - 0.01 < told.high < high + 0.1
    half = 0.5 * (occluding(14.0, tolerance=0.65) - occluding(14.0, tolerance=0.35))
    p = told.probability
    assert told.spread * p * (1.0 - p) == pytest.approx(half**2, rel=0.25)


@pytest.mark.slow
def test_unknowns_of_the_patient_are_shared_by_sizes_and_tries(margins):
    """Only the surface is unknown: every try of a patient ends alike, with either size."""
    settings = replace(
        DIRECTION_ONLY, direction_sd_deg=0.0, surface_offset_sd_mm=1.0, chains_per_patient=2,
        samples=16,
    )  # fmt: skip
    tight = replace(HELD, contact_tolerance_mm=0.0)
    fits = margins(settings, 28, 31, seating=tight)
    for fit in fits:
        assert set(fit.margin.occluded.given_patient) <= {0.0, 1.0}
    first = draw(settings, "LSPV 28.000 28.000")
    second = draw(settings, "LSPV 31.000 31.000")
    assert np.array_equal(first.patient, second.patient)
    assert not np.array_equal(first.attempts, second.attempts)


def test_a_surface_that_lies_elsewhere_changes_the_probability_as_another_radius(margins):
    settings = replace(DIRECTION_ONLY, samples=128, surface_offset_sd_mm=0.8)
    told = margins(settings, 28)[0].margin
    known = quad(lambda o: occluding(14.0 - o) * norm.pdf(o, scale=0.8), -2.4, 2.4, epsabs=1e-4)[
        0
    ] / (norm.cdf(3.0) - norm.cdf(-3.0))
    assert told.occluded.probability == pytest.approx(known, abs=0.05)
    assert SURFACE in told.variance_shares


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
    settings = replace(DIRECTION_ONLY, samples=16)
    first, again = margins(settings, 28)[0].margin, margins(settings, 31, 28)[1].margin
    assert first.occluded == again.occluded
    # The two benches differ in how far the wall reaches, which is no matter to the seat.
    assert first.leak_width_percentiles == pytest.approx(again.leak_width_percentiles, abs=1e-6)
    other = margins(replace(settings, seed=2), 28)[0].margin
    assert other.leak_width_percentiles != first.leak_width_percentiles


def test_no_samples_no_margin(margins):
    fit = margins(replace(DIRECTION_ONLY, samples=0), 28)[0]
    assert fit.margin is None
    assert fit.seal_probability is None


def test_balloon_that_falls_through_closes_nothing():
    wide = hole(15.0, edge_mm=1.2, plate_mm=24.0, tube_mm=40.0)
    settings = replace(DIRECTION_ONLY, samples=8)
    seating = SeatingSettings(patch_edge_mm=1.2)
    (fit,) = seat_vein(wide.anatomy, wide.vein, [sphere(28)], seating, margin=settings)
    assert fit.outcome == "passes through"
    assert fit.margin.through == fit.margin.assessed == fit.margin.chains == 8
    assert fit.seal_probability == fit.occlusion_probability == 0.0
    assert fit.margin.push_percentiles == ()


@pytest.fixture(scope="module")
def oval():
    return hole(12.0, ratio=8.0 / 12.0, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0)


OPEN = replace(
    SeatingSettings(),
    shape_stiffness_n_per_mm=1e6,
    contact_tolerance_mm=0.0,
    greatest_push_n=0.15,
    shaft_n_per_mm=0.1,
    patch_edge_mm=1.2,
)
"""An oval of fixed shape that no push closes: every seat is that of the greatest push."""


def test_push_and_stiffness_act_by_their_ratio(oval):
    """A push and a wall that are both stronger by a factor leave every seat where it was."""
    seating = replace(OPEN, guide_n_per_mm=0.0, shaft_n_per_mm=0.0)
    settings = replace(DIRECTION_ONLY, push_spread=0.3, stiffness_spread=0.3)
    prepared = prepare(oval.anatomy, oval.vein, 14.0, seating)
    line = line_through_ostium("coaxial", oval.vein, oval.vein.axis)
    ready = simulator(prepared, sphere(28), line, seating, settings)
    scores, patient = np.zeros((8, 9)), np.zeros((8, 3))
    scores[:, :2] = np.random.default_rng(2).normal(size=(8, 2))
    aim, start = np.tile(line.direction, (8, 1)), np.tile([0.0, 0.0, 14.0], (8, 1))

    def rests():
        batch = perturbed(ready.one, aim, line.origin, patient, scores, oval.vein.axis, settings)
        return batch.push_n, minimise(batch, start, ready.through).centre

    push, plain = rests()
    scores[:, 2] = patient[:, 1] = np.linspace(-1.5, 1.5, 8)
    harder, both = rests()
    assert harder == pytest.approx(push * np.exp(0.3 * scores[:, 2]))
    assert both == pytest.approx(plain, abs=1e-4)


def test_push_decides_where_it_alone_is_unknown(oval):
    settings = replace(DIRECTION_ONLY, direction_sd_deg=0.0, push_spread=0.3)
    (fit,) = seat_vein(oval.anatomy, oval.vein, [sphere(28)], OPEN, margin=settings)
    assert fit.margin.variance_shares[FORCE] > 0.9


def test_the_shape_decides_where_it_alone_is_unknown(oval):
    settings = replace(
        DIRECTION_ONLY, direction_sd_deg=0.0, shape_stiffness_spread=0.5, chains_per_patient=1
    )
    seating = replace(OPEN, shape_stiffness_n_per_mm=0.1, greatest_push_n=0.05)
    (fit,) = seat_vein(oval.anatomy, oval.vein, [sphere(28)], seating, margin=settings)
    assert fit.margin.variance_shares[SHAPE] > 0.9


def test_a_shaft_held_beside_the_middle_of_the_hole_has_the_closed_form(margins):
    """Held e beside the middle the ball touches one side and gaps by the closed form opposite.

    Along the straight line it stops where the near edge lies on it, at the height
    h = √(R² − (a − e)²); the far edge then lies √(h² + (a + e)²) − R = √(R² + 4 a e) − R off.
    """

    def gap(e):
        return np.sqrt(14.0**2 + 4.0 * HOLE_MM * e) - 14.0

    settings = replace(DIRECTION_ONLY, direction_sd_deg=0.0, shaft_offset_sd_mm=0.4, samples=128)
    margin = margins(settings, 28)[0].margin
    greatest = brentq(lambda e: gap(e) - TOLERANCE_MM, 0.0, 3.0)
    known = 1.0 - np.exp(-0.5 * (greatest / 0.4) ** 2)
    assert 0.2 < known < 0.8
    assert margin.occluded.probability == pytest.approx(known, abs=0.05)
    assert margin.variance_shares[PLACE] > 0.9


def test_a_guide_that_leans_moves_the_ball_by_the_closed_form(ground):
    """Held by the guide alone a rigid ball before the hole gapes as on a tilted shaft."""
    seating = replace(HELD, guide_n_per_mm=1e6, shaft_n_per_mm=0.0)
    settings = replace(DIRECTION_ONLY, direction_sd_deg=0.0, guide_lean_sd_deg=SCATTER_DEG)
    prepared = prepare(ground.anatomy, ground.vein, 14.0, seating)
    line = line_through_ostium("coaxial", ground.vein, ground.vein.axis)
    scores = draw(settings, "x", 1).first.reshape(-1, 9)
    aim = np.tile(line.direction, (len(scores), 1))
    ready = simulator(prepared, sphere(28), line, seating, settings)
    seen = ready.tries(aim, np.zeros((len(scores), 3)), scores)
    lean = np.linalg.norm(scores[:, LEANS] * SCATTER_DEG, axis=1)
    known = np.array([leak(one, 14.0) for one in lean])
    small = known < 3.0
    assert small.sum() > 50
    assert seen.width_mm[small] == pytest.approx(known[small], abs=0.06)


def test_a_steered_probability_is_known_as_well_as_that_of_one_try():
    told = Chance(0.5, 0.4, 0.6, 0.05, (1.0, 0.0), spread=0.04)
    closed = np.array([[True] * 15 + [False], [True] * 12 + [False] * 4])
    after = steered(closed, np.ones_like(closed), told)
    assert after.probability == pytest.approx(27 / 32)
    assert after.given_patient == (15 / 16, 12 / 16)
    # Half a try of each kind is added before the bounds are taken.
    assert (after.low, after.high) == bounds(27.5 / 33.0, 0.04)


@pytest.mark.parametrize(("mean", "share"), [(0.5, 0.02), (0.97, 0.2), (0.03, 0.2), (0.7, 0.6)])
def test_bounds_hold_95_percent_of_a_distribution_of_their_mean_and_variance(mean, share):
    """Against a sample of the beta distribution of numpy by its moments."""
    strength = 1.0 / share - 1.0
    drawn = np.random.default_rng(3).beta(mean * strength, (1.0 - mean) * strength, 200_000)
    assert drawn.mean() == pytest.approx(mean, abs=0.005)
    assert drawn.var() == pytest.approx(share * mean * (1.0 - mean), rel=0.03)
    low, high = bounds(mean, share)
    assert 0.0 <= low < mean < high <= 1.0
    assert np.mean((drawn > low) & (drawn < high)) == pytest.approx(0.95, abs=0.005)


def test_tries_that_could_not_be_assessed_take_no_part():
    closed = np.array([[True, False, True, False]])
    assessed = np.array([[True, True, False, False]])
    told = steered(closed, assessed, Chance(0.5, 0.5, 0.5, 0.1, (0.5,)))
    assert told.probability == 0.5
    assert told.given_patient == (0.5,)


def test_what_is_sealed_is_antral_or_deep_however_many_tries_are_known(ground):
    """Of the first of four patients one try alone is known; all seal, those of the others deep."""
    prepared = prepare(ground.anatomy, ground.vein, 14.0, HELD)
    line = line_through_ostium("coaxial", ground.vein, ground.vein.axis)
    settings = replace(DIRECTION_ONLY, samples=16, chains_per_patient=4)
    ready = simulator(prepared, sphere(28), line, replace(HELD, growth_what_if_mm=0.0), settings)
    made = simulate(ready, draw(settings, "x"), lambda aim: aim)
    first = replace(
        made.first,
        outcome=np.r_[SEATED, [NOT_ASSESSED] * 3, [SEATED] * 12],
        occluded=np.ones((3, 16), dtype=bool),
        sealed=np.ones((3, 16), dtype=bool),
        deep=np.r_[[False] * 4, [True] * 12],
    )
    told = margin_of(replace(made, attempts=(first, *made.attempts[1:])), ready)
    assert told.assessed == 13
    assert told.sealed.probability == 1.0
    assert told.antral.probability == 0.25
    assert told.deep_seal_probability == 0.75


def test_tries_leak_on_the_side_to_which_the_nose_points(ground):
    """As the closed form says: the centre, before the hole, lies on the other side."""
    prepared = prepare(ground.anatomy, ground.vein, 14.0, HELD)
    axis = ground.vein.axis
    line = line_through_ostium("coaxial", ground.vein, axis)
    ready = simulator(prepared, sphere(28), line, HELD, DIRECTION_ONLY)
    one, other = perpendicular_basis(axis)

    def seen(*sides):
        aim = np.array([axis + np.tan(np.radians(6.0)) * side for side in sides])
        aim /= np.linalg.norm(aim, axis=1)[:, None]
        return leak_side(ready.tries(aim, np.zeros((len(aim), 3)), np.zeros((len(aim), 9))), ready)

    assert seen(*[one] * 8) == side_words(one)
    assert (
        seen(*[one] * 5, *[other] * 4, *[-other] * 3) == f"{side_words(one)} or {side_words(other)}"
    )
    assert seen(*[one] * 7) == ""  # too few to tell
    assert seen(*[one, -one, other, -other] * 3, *(one + other, one - other) * 2) == ""


def test_tries_that_leak_all_around_leak_on_no_side(scattered):
    assert all(fit.seal_probability < 0.8 and fit.tries_leak_side == "" for fit in scattered)
