"""The aim map against tries whose probability is known, and against the margin itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import ncx2
from seating.phantoms import hole

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.frames import clock_direction, clock_hours
from veinfit.seating.approach.reachable import HOURS, Directions
from veinfit.seating.balloon import sphere
from veinfit.seating.seat import seat_vein
from veinfit.seating.uncertainty.aims import aim_field, sealing_aims, spread_tries
from veinfit.seating.uncertainty.readings import OUTCOMES, SEATED
from veinfit.seating.uncertainty.unknowns import draw, tilted
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.vectors import unit

AXIS = np.array([0.0, 0.0, -1.0])
SETTINGS = SeatingSettings(patch_edge_mm=1.2, growth_what_if_mm=0.0)
MARGIN = MarginSettings(samples=64, chains_per_patient=8, direction_sd_deg=10.0, steered_attempts=1)
STEPS = (10.0, 20.0, 30.0, 40.0)


@dataclass
class Cone:
    """A vein that seals up to one tilt of the shaft from an axis, whatever else is drawn."""

    margin: MarginSettings
    home: np.ndarray
    greatest_deg: float = 15.0

    @property
    def line(self):
        return SimpleNamespace(direction=self.home)

    @property
    def prepared(self):
        return SimpleNamespace(patch=SimpleNamespace(vein="LSPV"))

    label = "left 1 28.000 28.000"

    @property
    def balloon(self):
        return sphere(28)

    def tries(self, aim, patient, scores):
        direction = tilted(aim, scores[:, :2] * self.margin.direction_sd_deg)
        angle = np.degrees(np.arccos(np.clip(direction @ AXIS, -1.0, 1.0)))
        antral = np.tile(angle <= self.greatest_deg, (3, 1))
        outcome = np.full(len(aim), SEATED)
        return SimpleNamespace(
            direction=direction, antral=antral, outcome=outcome, assessed=outcome == SEATED
        )


def aimed(tilt_deg, hour=3.0):
    angle = np.radians(tilt_deg)
    return unit(np.cos(angle) * AXIS + np.sin(angle) * clock_direction(hour, AXIS))


def field_of(margin, home):
    cone = Cone(margin, home)
    scores = draw(margin, "x", 1).first.reshape(-1, 9)
    first = cone.tries(np.tile(home, (len(scores), 1)), None, scores)
    directions = Directions(AXIS, np.array([np.nan]), np.zeros(1), AXIS[None], np.ones(1), home)
    asked = spread_tries(cone, directions, margin)
    if asked is None:
        return None
    spread = cone.tries(asked.aim, asked.patient, asked.scores)
    return None if spread is None else aim_field(cone, first, spread, directions)


@pytest.mark.parametrize("home", [0.0, 12.0])
@pytest.mark.parametrize("tilt", [0.0, 10.0, 20.0, 30.0])
def test_the_probability_of_an_aim_is_that_of_its_scatter(tilt, home):
    """A normal scatter about an aim off the axis: Rice's distribution (a plane for the sphere)."""
    margin = replace(MARGIN, samples=1024)
    field = field_of(margin, aimed(home, 7.0))
    told, error = field.probability(aimed(tilt))
    known = ncx2.cdf((15.0 / 10.0) ** 2, 2, (tilt / 10.0) ** 2)
    assert error < 0.06
    assert abs(told - known) < 3.0 * error
    assert told == pytest.approx(known, abs=0.07)


def test_errors_are_as_large_as_they_are_told():
    off = []
    known = ncx2.cdf((15.0 / 10.0) ** 2, 2, 1.0)
    for seed in range(30):
        told, error = field_of(replace(MARGIN, seed=seed), aimed(0.0)).probability(aimed(10.0))
        off.append((told - known) / error)
    assert np.mean(np.abs(off) < 2.0) > 0.85
    assert abs(np.mean(off)) < 0.7


def test_where_too_few_tries_lie_near_nothing_is_told():
    assert field_of(MARGIN, aimed(0.0)).probability(aimed(100.0)) is None
    assert field_of(replace(MARGIN, direction_sd_deg=0.0), aimed(0.0)) is None


OVAL = hole(10.0, ratio=0.75, edge_mm=1.2, plate_mm=26.0, tube_mm=16.0)


@pytest.fixture(scope="module")
def fit():
    margin = replace(MARGIN, aim_tilt_step_deg=10.0, greatest_aim_tilt_deg=40.0, samples=128)
    return seat_vein(OVAL.anatomy, OVAL.vein, [sphere(28)], SETTINGS, margin=margin)[0]


def test_there_is_a_row_for_every_direction(fit):
    places = [(aim.shaft_tilt_deg, aim.shaft_clock_h) for aim in fit.aims]
    assert places == [(0.0, None), *((t, float(h)) for t in STEPS for h in HOURS)]
    for aim in fit.aims:
        assert (aim.vein, aim.balloon, aim.approach) == ("LSPV", "28 mm", "coaxial")
        assert aim.outcome in OUTCOMES
        assert bool(aim.shaft_side) == (aim.shaft_tilt_deg > 0.0)
        assert (aim.leak_width_mm is not None) == (aim.outcome == "seated")
        if aim.outcome == "seated":
            assert aim.antral in (True, False)
            assert not aim.antral or aim.sealed
            assert not aim.sealed or aim.occluded
            assert bool(aim.leak_side) == (not aim.occluded)
            assert (aim.push_to_seal_n is not None) == aim.sealed
        assert aim.seal_probability is None or 0.0 <= aim.seal_probability <= 1.0
    assert sealing_aims(fit.aims) == tuple(aim for aim in fit.aims if aim.antral)


def test_straight_along_the_axis_it_is_the_seat_of_the_coaxial_approach(fit):
    straight = fit.aims[0]
    assert straight.outcome == fit.outcome == "seated"
    assert (straight.occluded, straight.sealed, straight.antral) == (
        fit.occluded,
        fit.sealed,
        fit.antral,
    )
    assert straight.leak_width_mm == pytest.approx(fit.leak_width_mm, abs=0.1)


def test_the_approach_itself_has_the_margins_probability(fit):
    straight = fit.aims[0]
    assert 0.1 < fit.seal_probability < 0.97
    error = fit.margin.antral.sampling_error
    assert abs(straight.seal_probability - fit.seal_probability) < 3.0 * error


def test_a_rigid_ball_held_on_a_tilted_shaft_gapes_by_the_closed_form_where_the_nose_points():
    """28 mm held on a line through the middle of a round 18 mm hole gapes opposite the tilt.

    The first touch lies s = a sin τ + √(R² − a² cos² τ) along the line, the far edge then
    √(s² + 2 s a sin τ + a²) − R off: 2.54 mm at 10 degrees.
    """
    held = replace(
        SETTINGS,
        ring_stiffness_kpa_per_mm=1e8,
        body_stiffness_kpa_per_mm=1e8,
        locking_depth_mm=np.inf,
        guide_n_per_mm=0.0,
        shaft_n_per_mm=1e6,
        cell_mm=0.1,
    )
    phantom = hole(9.0, edge_mm=1.2, plate_mm=26.0, tube_mm=16.0)
    margin = replace(MARGIN, samples=2, direction_sd_deg=0.0, shaft_offset_sd_mm=0.0,
                  aim_tilt_step_deg=5.0, greatest_aim_tilt_deg=10.0)  # fmt: skip
    (fit,) = seat_vein(phantom.anatomy, phantom.vein, [sphere(28)], held, margin=margin)
    assert len(fit.aims) == 25
    for aim in fit.aims:
        tau = np.radians(aim.shaft_tilt_deg)
        s = 9.0 * np.sin(tau) + np.sqrt(14.0**2 - (9.0 * np.cos(tau)) ** 2)
        gap = np.sqrt(s**2 + 2.0 * s * 9.0 * np.sin(tau) + 81.0) - 14.0
        assert aim.leak_width_mm == pytest.approx(gap, abs=0.06)
        assert aim.occluded == (gap <= 0.5)
        assert aim.seal_probability is None
        if aim.shaft_tilt_deg:
            assert aim.leak_side == aim.shaft_side
            assert aim.push_to_seal_n is None


def test_directions_out_of_the_sheaths_reach_cannot_be_reached():
    crossing = SeptalCrossing(np.array([-24.0, 3.0, 14.0]), "landmark", 0.0)
    anatomy = replace(OVAL.anatomy, septum=crossing)
    settings = replace(SETTINGS, greatest_misalignment_deg=25.0)
    margin = replace(MARGIN, samples=16)
    (fit,) = seat_vein(anatomy, OVAL.vein, [sphere(28)], settings, ("transseptal",), margin=margin)
    far = [aim for aim in fit.aims if aim.shaft_tilt_deg > 25.0]
    assert far
    for aim in far:
        assert aim.outcome == "cannot reach"
        assert aim.occluded is aim.sealed is aim.antral is aim.seal_probability is None
    near = [aim for aim in fit.aims if aim.shaft_tilt_deg <= 20.0]
    assert any(aim.outcome == "seated" for aim in near)


def test_the_clock_of_an_aim_is_where_the_nose_points():
    for hour in (0.0, 3.0, 7.0):
        direction = aimed(20.0, hour)
        assert float(clock_hours(direction, AXIS)) == pytest.approx(hour, abs=1e-6)


def test_without_a_step_there_is_no_map():
    margin = replace(MARGIN, samples=8, aim_tilt_step_deg=0.0)
    (fit,) = seat_vein(OVAL.anatomy, OVAL.vein, [sphere(28)], SETTINGS, margin=margin)
    assert fit.aims == ()
    assert fit.margin is not None
