"""The sample of what is unknown, and the tries that it stands for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from seating.phantoms import DOWN, hole
from seating.pushed import balls, wall_of

from veinfit.seating.uncertainty.unknowns import (
    ATTEMPT_UNKNOWNS,
    PATIENT_UNKNOWNS,
    across,
    draw,
    perturbed,
    shape_factors,
    spring_factors,
    stiffness_factors,
    tilted,
    unperturbed,
)
from veinfit.settings import MarginSettings

MARGIN = MarginSettings(samples=1024, chains_per_patient=8)


def test_tilts_turn_by_their_length():
    direction = np.array([[0.6, 0.0, 0.8]])
    for tilt in ([10.0, 0.0], [0.0, -25.0], [3.0, 4.0]):
        (turned,) = tilted(direction, np.array([tilt]))
        angle = np.degrees(np.arccos(turned @ direction[0]))
        assert angle == pytest.approx(np.hypot(*tilt))
        assert np.linalg.norm(turned) == pytest.approx(1.0)
    assert tilted(direction, np.zeros((1, 2))) == pytest.approx(direction)


def test_sample_has_the_distributions_it_is_drawn_from():
    unknowns = draw(MARGIN, "LSPV 28.000 28.000")
    assert unknowns.shape == (128, 8)
    assert unknowns.attempts.shape == (128, 8, MARGIN.steered_attempts, len(ATTEMPT_UNKNOWNS))
    assert unknowns.patient.shape == (128, len(PATIENT_UNKNOWNS))
    scores = unknowns.attempts.reshape(-1, len(ATTEMPT_UNKNOWNS))
    assert scores.std(axis=0) == pytest.approx(np.ones(9), rel=0.02)
    assert np.abs(np.corrcoef(scores.T) - np.eye(9)).max() < 0.06
    logs = np.log(spring_factors(unknowns.first, MARGIN).reshape(-1, 3))
    spreads = [MARGIN.push_spread, MARGIN.guide_spread, MARGIN.shaft_spread]
    assert logs.std(axis=0) == pytest.approx(spreads, rel=0.02)
    assert unknowns.surface_offset_mm(MARGIN).std() == pytest.approx(0.5, rel=0.06)
    stiffness = stiffness_factors(unknowns.patient, MARGIN)
    shape = shape_factors(unknowns.patient, MARGIN)
    assert np.log(stiffness).std() == pytest.approx(MARGIN.stiffness_spread, rel=0.06)
    assert np.log(shape).std() == pytest.approx(MARGIN.shape_stiffness_spread, rel=0.06)


@pytest.mark.parametrize("share", [0.0, 0.6, 1.0])
def test_a_share_of_the_scatter_stays_over_a_chain_and_each_try_keeps_its_distribution(share):
    unknowns = draw(replace(MARGIN, samples=4096, kept_scatter_share=share), "LSPV 28.000 28.000")
    scores = unknowns.attempts.reshape(-1, MARGIN.steered_attempts, len(ATTEMPT_UNKNOWNS))
    assert scores.std(axis=0) == pytest.approx(np.ones(scores.shape[1:]), rel=0.03)
    push = ATTEMPT_UNKNOWNS.index("push")
    for one in range(len(ATTEMPT_UNKNOWNS)):
        told = np.corrcoef(scores[:, :, one].T)
        kept = 0.0 if one == push else share
        assert [told[0, 1], told[1, 2]] == pytest.approx(2 * [np.sqrt(kept)], abs=0.05)
        assert told[0, 2] == pytest.approx(kept, abs=0.05)
    none = draw(replace(MARGIN, samples=4096, kept_scatter_share=0.0), "LSPV 28.000 28.000")
    assert np.array_equal(unknowns.first, none.first), "one try is the same with any share"


def test_patients_are_the_same_for_all_labels_and_tries_are_not():
    one, other = draw(MARGIN, "LSPV 28.000 28.000"), draw(MARGIN, "RIPV 31.000 31.000")
    assert np.array_equal(one.patient, other.patient)
    assert not np.array_equal(one.attempts, other.attempts)
    assert np.array_equal(one.attempts, draw(MARGIN, "LSPV 28.000 28.000").attempts)
    again = draw(replace(MARGIN, seed=MARGIN.seed + 1), "LSPV 28.000 28.000")
    assert not np.array_equal(one.patient, again.patient)


def test_scores_become_directions_pushes_springs_and_places():
    """Each score by itself, against what it stands for."""
    margin = MarginSettings()
    wall = wall_of(hole(9.0, edge_mm=3.0, plate_mm=15.0, tube_mm=6.0).anatomy.wall, 1e-3)
    one = balls(wall, push=0.5, guide=0.1, shaft=0.3)
    scores, patient = np.zeros((10, 9)), np.zeros((10, 3))
    scores[np.arange(9), np.arange(9)] = 1.0
    patient[9] = [1.0, -1.0, 2.0]
    aim = np.tile(DOWN, (10, 1))
    many = perturbed(one, aim, np.zeros(3), patient, scores, DOWN, margin)
    tilt = np.degrees(np.arccos(many.direction @ DOWN))
    assert tilt == pytest.approx([margin.direction_sd_deg] * 2 + [0.0] * 8, abs=1e-6)
    assert many.push_n[2] == pytest.approx(0.5 * np.exp(margin.push_spread))
    assert many.guide_n_per_mm[3] == pytest.approx(0.1 * np.exp(margin.guide_spread))
    assert many.shaft_n_per_mm[4] == pytest.approx(0.3 * np.exp(margin.shaft_spread))
    aside = np.linalg.norm(many.origin, axis=1)
    assert aside == pytest.approx([0.0] * 5 + [margin.shaft_offset_sd_mm] * 2 + [0.0] * 3)
    lean = np.degrees(Rotation.from_matrix(many.guide_turn).magnitude())
    assert lean == pytest.approx([0.0] * 7 + [margin.guide_lean_sd_deg] * 2 + [0.0], abs=1e-6)
    assert many.reach_mm == pytest.approx([14.0] * 9 + [14.0 - margin.surface_offset_sd_mm])
    assert many.stiffness[9] == pytest.approx(np.exp(-margin.stiffness_spread))


def test_a_try_without_perturbation_is_the_balloon_itself():
    wall = wall_of(hole(9.0, edge_mm=3.0, plate_mm=15.0, tube_mm=6.0).anatomy.wall, 1e-3)
    one = balls(wall, push=0.5, guide=0.1, shaft=0.3)
    none = unperturbed(2)
    assert none.attempts.shape == (1, 1, 2, 9)
    same = perturbed(
        one, DOWN[None], np.zeros(3), none.patient, none.first[0], DOWN, MarginSettings()
    )
    for name in ("reach_mm", "stiffness", "push_n", "direction", "origin", "guide_turn"):
        assert getattr(same, name) == pytest.approx(getattr(one, name)), name


def test_offsets_lie_across_their_directions():
    rng = np.random.default_rng(3)
    direction = rng.normal(size=(20, 3))
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    offset = rng.normal(size=(20, 2))
    told = across(direction, offset)
    assert np.einsum("ni,ni->n", told, direction) == pytest.approx(0.0, abs=1e-12)
    assert np.linalg.norm(told, axis=1) == pytest.approx(np.linalg.norm(offset, axis=1))
