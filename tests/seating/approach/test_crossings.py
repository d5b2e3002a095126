"""The map of septal crossings: its places, its courses, and the margin at the case's own place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from seating.phantoms import hole

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.seating.approach.crossings import crossing_map, places_on_septum
from veinfit.seating.approach.sheath import reach_of
from veinfit.seating.balloon import sphere
from veinfit.seating.expected import expected_seals
from veinfit.seating.seat import seat_vein
from veinfit.seating.uncertainty.aim_field import AimField
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.surface import Surface

OVAL = hole(10.0, ratio=0.75, edge_mm=1.2, plate_mm=26.0, tube_mm=16.0)
CROSSING = SeptalCrossing(np.array([-24.0, 3.0, 14.0]), "landmark", 0.0)
ANATOMY = replace(OVAL.anatomy, septum=CROSSING)
SETTINGS = SeatingSettings(patch_edge_mm=1.2, growth_what_if_mm=0.0, growth_in_place=False)
MARGIN = MarginSettings(
    samples=128,
    chains_per_patient=8,
    direction_sd_deg=10.0,
    steered_attempts=1,
    aim_tilt_step_deg=10.0,
    greatest_aim_tilt_deg=40.0,
)


@pytest.fixture(scope="module")
def fits():
    return seat_vein(ANATOMY, OVAL.vein, [sphere(28)], SETTINGS, ("transseptal",), margin=MARGIN)


def test_the_own_place_comes_first_and_has_the_margins_probability(fits):
    told, _ = crossing_map(ANATOMY, fits, SETTINGS)
    own, (fit,) = told.places[0], fits
    assert (own.x_mm, own.y_mm, own.z_mm) == tuple(CROSSING.point)
    assert own.misalignment_deg["LSPV"] == pytest.approx(fit.misalignment_deg, abs=0.1)
    assert 0.02 < fit.seal_probability < 0.98
    one = next(e for e in expected_seals(fits) if e.tries == 1)
    assert own.expected_sealed == fit.seal_probability == one.expected_sealed
    assert own.error == fit.margin.antral.sampling_error


def test_tries_over_all_directions_agree_with_the_margin_at_its_own_aim(fits):
    (fit,) = fits
    there, error = fit.aim_field.probability(fit.push_direction)
    apart = np.hypot(error, fit.margin.antral.sampling_error)
    assert abs(there - fit.seal_probability) < 3.0 * apart


def test_places_near_the_own_one_are_held_to_it_and_far_ones_are_not(fits):
    """By tries of a known law: closure is likelier the farther the aim turns to one side."""
    rng = np.random.default_rng(5)
    scatter, count = 0.2, 4000
    cosine = 1.0 - rng.random(count) * (1.0 - np.cos(1.2))
    turn = 2.0 * np.pi * rng.random(count)
    across = np.sqrt(1.0 - cosine**2)
    direction = np.stack([across * np.cos(turn), across * np.sin(turn), cosine], axis=1)
    antral = (rng.random(count) < 0.5 + 0.4 * direction[:, 0]).astype(float)
    even = np.full(count, 1.0 / (2.0 * np.pi * (1.0 - np.cos(1.2))))
    field = AimField(direction, antral, even, scatter, np.arange(count))
    home = np.array([0.0, 0.0, 1.0])
    wide = field.probability(home)[0] + 0.1
    for angle in (0.0, 0.05, 0.4, 0.9):
        aim = np.array([np.sin(angle), 0.0, np.cos(angle)])
        plain, _ = field.probability(aim)
        held, error = field.probability_beside(aim, home, wide, 0.03)
        # Weights of two aims an angle apart agree by exp(-angle^2 / 4 scatter^2).
        share = np.exp(-0.25 * (angle / scatter) ** 2)
        assert held - plain == pytest.approx(0.1 * share, abs=0.012)
        if angle == 0.0:
            assert (held, error) == (pytest.approx(wide), pytest.approx(0.03))


def test_courses_over_the_wall_between_are_those_over_all_of_it(fits):
    told, _ = crossing_map(ANATOMY, fits, SETTINGS)
    for place in told.places:
        point = np.array([place.x_mm, place.y_mm, place.z_mm])
        stand = replace(CROSSING, point=point)
        whole = reach_of(ANATOMY.lumen, OVAL.vein, stand, SETTINGS)
        assert ("LSPV" in place.misalignment_deg) == (not whole.reason)
        if not whole.reason:
            given = place.misalignment_deg["LSPV"]
            assert given == pytest.approx(whole.course.misalignment_deg, abs=1e-9)


def test_the_best_place_is_no_worse_than_any(fits):
    told, _ = crossing_map(ANATOMY, fits, SETTINGS)
    (best,) = told.best
    known = [p.expected_sealed for p in told.places if p.expected_sealed is not None]
    assert best.expected_sealed == max(known)
    assert best.given == told.places[0].expected_sealed


def test_places_lie_on_a_round_wall_five_millimetres_apart():
    """On a ball of 30 mm: a square grid seen along the normal, whose depth is the ball's."""
    body = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    ball = Surface(np.asarray(body.vertices), body.faces.astype(np.int64))
    crossing = replace(CROSSING, point=np.array([-30.0, 0.0, 0.0]))
    anatomy = replace(ANATOMY, lumen=ball, wall=ball, body_centre=np.zeros(3), veins=())
    places = places_on_septum(anatomy, crossing, 15.0)
    assert len(places) == 28  # whole points within 3 steps of the middle, itself left out
    assert np.linalg.norm(places, axis=1) == pytest.approx(30.0, abs=0.15)
    across = np.hypot(places[:, 1], places[:, 2])
    assert across.min() == pytest.approx(5.0, abs=0.3)
    assert across.max() == pytest.approx(15.0, abs=0.9)


def test_a_vein_out_of_reach_from_the_own_place_counts_where_another_reaches_it(fits):
    """Nearly no bend is allowed: the own place fails, one straight before the vein does not."""
    stiff = replace(SETTINGS, sheath_bend_deg=8.0, greatest_misalignment_deg=8.0)
    lost = seat_vein(ANATOMY, OVAL.vein, [sphere(28)], stiff, ("transseptal",), margin=MARGIN)
    assert lost[0].outcome == "cannot reach" and lost[0].margin is None
    axis = OVAL.vein.axis
    (there, error), (here, own) = (one.aim_field.probability(axis) for one in (lost[0], fits[0]))
    assert abs(there - here) < 3.0 * np.hypot(error, own)
    told, _ = crossing_map(ANATOMY, lost, stiff)
    assert told.places[0].expected_sealed == 0.0
    ahead = replace(ANATOMY, septum=replace(CROSSING, point=np.array([0.0, 0.0, 40.0])))
    told, _ = crossing_map(ahead, lost, stiff)
    assert told.places[0].misalignment_deg["LSPV"] < 8.0
    assert told.places[0].expected_sealed == pytest.approx(there, abs=0.2)


def test_without_a_crossing_there_is_no_map_and_a_note_says_why(fits):
    told, (note,) = crossing_map(replace(ANATOMY, septum=None), fits, SETTINGS)
    assert told is None and "no balloon" in note.text
    assert crossing_map(ANATOMY, fits, replace(SETTINGS, crossing_map=False)) == (None, ())
