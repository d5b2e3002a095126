"""Chains of tries: when they stop, how the aim is turned, and how they are counted."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from seating.phantoms import hole

from veinfit.seating.approach.line import line_through_ostium
from veinfit.seating.balloon import sphere
from veinfit.seating.prepare import prepare
from veinfit.seating.seat import seat_vein
from veinfit.seating.uncertainty.attempts import simulator
from veinfit.seating.uncertainty.chains import simulate
from veinfit.seating.uncertainty.readings import (
    CANNOT_REACH,
    NOT_ASSESSED,
    PASSES_THROUGH,
    SEATED,
    Readings,
)
from veinfit.seating.uncertainty.unknowns import Unknowns, draw
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.vectors import unit

OVAL = hole(11.0, ratio=0.6, edge_mm=1.2, plate_mm=24.0, tube_mm=16.0)
SETTINGS = SeatingSettings(patch_edge_mm=1.2, growth_what_if_mm=0.0)
MARGIN = MarginSettings(samples=16, chains_per_patient=4, aim_tilt_step_deg=0.0)


@pytest.fixture(scope="module")
def prepared():
    return prepare(OVAL.anatomy, OVAL.vein, 14.5, SETTINGS)


@dataclass
class Told:
    """A simulator whose tries come to what their first score says: an outcome, or occlusion."""

    prepared: object
    margin: MarginSettings
    line: object
    leak: np.ndarray
    width_mm: float = 3.0
    seen: list = field(default_factory=list)

    def tries(self, aim, patient, scores):
        self.seen.append((aim.copy(), patient.copy(), scores.copy()))
        count = len(aim)
        outcome = np.where(scores[:, 0] < 0.0, -scores[:, 0], SEATED).astype(int)
        occluded = np.tile(scores[:, 0] > 0.5, (3, 1))
        points = self.prepared.patch.surface.points
        leak = int(np.argmin(np.linalg.norm(points - self.leak, axis=1)))
        none = np.full(count, np.nan)
        place = np.zeros((count, 4))
        place[:, :3] = self.prepared.patch.centre - 10.0 * aim
        seated = outcome == SEATED
        return Readings(
            outcome=outcome,
            direction=aim,
            place=np.where(seated[:, None], place, np.nan),
            push_n=none,
            push_to_occlude_n=none,
            push_to_seal_n=none,
            occluded=occluded,
            sealed=occluded & (scores[:, 1] >= 0.0),
            deep=np.asarray(scores[:, 2] > 0.0),
            width_mm=np.where(outcome == NOT_ASSESSED, np.nan, self.width_mm),
            cold_width_mm=np.where(outcome == NOT_ASSESSED, np.nan, self.width_mm),
            narrowest=np.where(seated, leak, -1),
        )


def told(
    prepared, first_scores, margin=MARGIN, leak=(11.0, 0.0, 0.0), width=3.0, limit=None, more=None
):
    """Chains (one patient each) whose tries have these first scores, (T, A)."""
    first = np.array(first_scores, dtype=float)
    scores = np.zeros((1, *first.shape, 9))
    scores[0, ..., 0] = first
    if more is not None:
        scores[0, ..., 1:3] = more
    line = line_through_ostium("coaxial", OVAL.vein, OVAL.vein.axis)
    fake = Told(prepared, margin, line, np.array(leak), width)
    keep = limit or (lambda aim: aim)
    return fake, simulate(fake, Unknowns(np.zeros((1, 3)), scores), keep)


def test_a_chain_stops_where_the_balloon_occludes_or_is_not_assessed(prepared):
    fake, chains = told(
        prepared,
        [[1, 1, 1], [0, 1, 1], [0, 0, 0], [-NOT_ASSESSED, 1, 1], [-PASSES_THROUGH, 1, 1]],
    )
    assert list(chains.made[0]) == [1, 2, 3, 1, 2]
    assert [len(chain) for chain in chains.chain] == [5, 3, 1]
    assert list(chains.chain[1]) == [1, 2, 4]
    assert list(chains.chain[2]) == [2]
    assert list(chains.last("occluded")[0]) == [True, True, False, False, True]
    assert list(chains.assessed[0]) == [True, True, True, False, True]
    # Every try has scores of its own.
    assert [len(aim) for aim, _, _ in fake.seen] == [5, 3, 1]


def test_the_verdict_is_that_of_the_last_try(prepared):
    # Occluded and warm; occluded and deep; sealed, and not deep.
    _, chains = told(
        prepared,
        [[0, 1], [0, 1], [0, 1]],
        more=np.array([[[0, 0], [-1, 0]], [[0, 0], [0, 1]], [[0, 0], [0, 0]]]),
    )
    assert list(chains.last("occluded")[0]) == [True, True, True]
    assert list(chains.last("sealed")[0]) == [False, True, True]
    assert list(chains.last("antral")[0]) == [False, False, True]


@pytest.mark.parametrize("leak", [(11.0, 0.0, 0.0), (-11.0, 0.0, 0.0), (0.0, 6.6, 0.0)])
def test_steering_turns_the_nose_away_from_the_leak(prepared, leak):
    fake, chains = told(prepared, [[0, 1]], leak=leak, width=2.0)
    before, after = fake.seen[0][0][0], fake.seen[1][0][0]
    toward = unit(np.array(leak))
    assert after @ toward < before @ toward - 0.05, "the nose turns away"
    centre = prepared.patch.centre
    assert (centre - 10.0 * after) @ toward > (centre - 10.0 * before) @ toward + 0.5
    across = np.cross(OVAL.vein.axis, toward)
    assert after @ across == pytest.approx(0.0, abs=0.02)
    # As far as moves the centre by the leak's width.
    angle = np.degrees(np.arccos(before @ after))
    assert angle == pytest.approx(np.degrees(np.arctan2(2.0, 10.0)), abs=0.1)
    assert np.linalg.norm(after) == pytest.approx(1.0)
    assert np.array_equal(chains.aim[1][0], after)


def test_steering_goes_no_farther_than_it_may(prepared):
    margin = replace(MARGIN, greatest_steering_deg=5.0)
    fake, _ = told(prepared, [[0, 0, 0]], margin=margin, width=5.0)
    aims = [aim[0] for aim, _, _ in fake.seen]
    turns = [np.degrees(np.arccos(a @ b)) for a, b in itertools.pairwise(aims)]
    assert turns == pytest.approx([5.0, 5.0], abs=1e-6)
    home = OVAL.vein.axis
    held, _ = told(
        prepared, [[0, 0]], margin=margin, limit=lambda aim: np.tile(home, (len(aim), 1))
    )
    assert held.seen[1][0][0] == pytest.approx(home), "within what the sheath can do"


@pytest.mark.parametrize("outcome", [PASSES_THROUGH, CANNOT_REACH])
def test_a_try_that_does_not_rest_is_repeated_with_the_same_aim(prepared, outcome):
    fake, chains = told(prepared, [[-outcome, 0, 1]])
    aims = [aim[0] for aim, _, _ in fake.seen]
    assert aims[1] == pytest.approx(aims[0])
    assert chains.made[0, 0] == 3
    assert np.linalg.norm(aims[2] - aims[1]) > 0.05


def test_real_chains_stop_at_occlusion_and_are_counted(prepared):
    """On an oval that keeps its shape the first tries leak; what follows is steered by them."""
    settings = replace(SETTINGS, shape_stiffness_n_per_mm=0.5, greatest_push_n=0.15)
    margin = replace(MARGIN, samples=32, chains_per_patient=8)
    line = line_through_ostium("coaxial", OVAL.vein, OVAL.vein.axis)
    fixed = prepare(OVAL.anatomy, OVAL.vein, 16.0, settings)
    ready = simulator(fixed, sphere(28), line, settings, margin)
    chains = simulate(ready, draw(margin, "x"), lambda aim: aim)
    assert 1.0 < chains.made.mean() < 3.0
    for readings, chain, later in zip(
        chains.attempts, chains.chain, [*chains.chain[1:], None], strict=True
    ):
        if later is not None:
            assert set(later) == set(chain[~readings.occluded[1] & readings.assessed])
    first = chains.first.occluded[1].mean()
    after = chains.last("occluded").mean()
    assert after > first


def test_probabilities_after_steering_are_counted_from_chains():
    # So little scatter that every try stays on the wall of the phantom and is assessed.
    margin = replace(
        MARGIN, samples=32, chains_per_patient=8, keep_attempts=True, direction_sd_deg=12.0
    )
    margin = replace(margin, shaft_offset_sd_mm=1.4)
    settings = replace(SETTINGS, shape_stiffness_n_per_mm=0.5, greatest_push_n=0.15)
    (fit,) = seat_vein(OVAL.anatomy, OVAL.vein, [sphere(28)], settings, margin=margin)
    rows = [row for row in fit.attempts]
    last = {}
    for row in rows:
        last[row.patient, row.chain] = row
    assert len(last) == fit.margin.chains == 32
    share = np.mean([row.occluded for row in last.values()])
    assert fit.steered_occlusion_probability == pytest.approx(share)
    antral = np.mean([row.antral for row in last.values()])
    assert fit.steered_seal_probability == pytest.approx(antral)
    ones = [row for row in rows if row.attempt == 1]
    assert fit.occlusion_probability == pytest.approx(np.mean([row.occluded for row in ones]))
    assert fit.seal_probability == pytest.approx(np.mean([row.antral for row in ones]))
    deep = np.mean([row.sealed and bool(row.deep) for row in ones])
    assert fit.deep_seal_probability == pytest.approx(deep)
    assert fit.margin.attempts_per_chain == pytest.approx(len(rows) / 32)
    for row in rows:
        assert row.antral == (row.sealed and not row.deep)
        assert row.occluded or not row.sealed
        assert (row.attempt == last[row.patient, row.chain].attempt) or not row.occluded
    assert fit.steered_occlusion_probability_low <= fit.steered_occlusion_probability
    assert fit.steered_occlusion_probability <= fit.steered_occlusion_probability_high
