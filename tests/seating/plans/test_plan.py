"""Plans for a slot that no single ball closes: what is chosen, and how likely it seals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seating.plans.test_full import slot

from veinfit.report.wording import likelihood
from veinfit.seating.balloon import sphere
from veinfit.seating.further import Plan, PlanSeat
from veinfit.seating.likely import reaches
from veinfit.seating.plans.choose import Candidates, best_sets
from veinfit.seating.plans.plan import _better_pair
from veinfit.seating.seat import seat_vein
from veinfit.settings import MarginSettings, ReportSettings, SeatingSettings

SLOT = slot(3.0, edge_mm=1.2)
SETTINGS = SeatingSettings(
    patch_edge_mm=1.2,
    growth_what_if_mm=0.0,
    growth_in_place=False,
    ring_stiffness_kpa_per_mm=40.0,
    body_stiffness_kpa_per_mm=40.0,
    shape_stiffness_n_per_mm=1e6,
    guide_n_per_mm=0.0,
    shaft_n_per_mm=3.0,
    greatest_push_n=1.5,
    contact_tolerance_mm=0.5,
)
MARGIN = MarginSettings(
    samples=128,
    chains_per_patient=16,
    direction_sd_deg=4.0,
    steered_attempts=1,
    shaft_offset_sd_mm=0.3,
    guide_lean_sd_deg=0.0,
    aim_tilt_step_deg=15.0,
    greatest_aim_tilt_deg=15.0,
)


@pytest.fixture(scope="module")
def fit():
    return seat_vein(SLOT.anatomy, SLOT.vein, [sphere(28)], SETTINGS, margin=MARGIN)[0]


def test_two_seats_along_the_slot_close_what_none_closes_alone(fit):
    """The long axis of the slot runs from nine to three o'clock."""
    assert not fit.sealed
    assert fit.plans.best_single < 0.1
    plan = fit.plans.plans[0]
    hours = sorted(seat.shaft_clock_h for seat in plan.seats)
    assert hours == pytest.approx([3.0, 9.0], abs=1.0)
    assert plan.open_gap_mm <= SETTINGS.contact_tolerance_mm
    assert plan.open_side == ""
    assert plan.seal_probability > 0.5
    assert plan.sampling_error < 0.15
    for seat in plan.seats:
        assert seat.probability_without < 0.1
        covered = (seat.covers_to_h - seat.covers_from_h) % 12.0
        assert 6.0 < covered < 11.0


def test_the_line_that_the_bands_form_runs_around_the_slot(fit):
    line = fit.plans.plans[0].line_mm
    assert np.isfinite(line).all()
    turn = np.unwrap(np.arctan2(line[:, 1], line[:, 0]))
    assert abs(turn[-1] - turn[0]) == pytest.approx(2.0 * np.pi, abs=0.1)
    assert np.abs(line[:, 1]).max() == pytest.approx(8.0, abs=0.8)


def test_two_of_three_seats_take_the_place_of_a_pair_that_seals_less_often():
    none = np.full(240, np.nan)

    def plan(chance, *without):
        seats = [PlanSeat("28 mm", 3.0, "right", 20.0, 0.0, 12.0, p, none, none) for p in without]
        return Plan(tuple(seats), chance, 0.05, 0.0, "", np.full((240, 3), np.nan))

    three = plan(0.8, 0.5, 0.7, None)
    assert _better_pair(["a", "b", "c"], three, plan(0.6, 0.3, 0.3)) == ["a", "c"]
    assert _better_pair(["a", "b", "c"], three, plan(None, None, None)) == ["a", "c"]
    assert _better_pair(["a", "b", "c"], three, plan(0.7, 0.3, 0.3)) == []


def test_what_nothing_reaches_is_told_with_its_gap():
    """Balls that cannot turn leave the far ends of a long slot open."""
    held = replace(MARGIN, aim_tilt_step_deg=5.0, greatest_aim_tilt_deg=5.0, direction_sd_deg=2.0)
    long = slot(14.0, edge_mm=1.2)
    (fit,) = seat_vein(long.anatomy, long.vein, [sphere(28)], SETTINGS, margin=held)
    assert fit.plans.plans == ()
    assert fit.plans.reach_gap_mm > 1.0
    assert fit.plans.reach_side in ("left", "right")
    assert any("away from every size" in note.text for note in fit.notes)


def test_a_seat_that_is_likely_asks_for_no_plan(fit):
    for settings in (
        replace(SETTINGS, plan_below_probability=0.0),
        replace(SETTINGS, ring_stiffness_kpa_per_mm=1.0, plan_below_probability=1e-9),
    ):
        margin = replace(MARGIN, samples=32)
        (one,) = seat_vein(SLOT.anatomy, SLOT.vein, [sphere(28)], settings, margin=margin)
        assert one.plans is None


def test_what_the_report_calls_likely_asks_for_no_plan(monkeypatch):
    """42 of 64 tries are told as 0.66, which is the limit, and 41 as 0.64."""
    limit = ReportSettings().likely_from
    assert SETTINGS.plan_below_probability == limit
    for count in range(65):
        share = count / 64
        assert reaches(share, limit) == (likelihood(share, ReportSettings()) == "likely")
    assert reaches(42 / 64, limit) and not reaches(41 / 64, limit)
    assert not reaches(None, 0.0)
    # So the search for plans takes the share of the best single seat.
    margin = replace(MARGIN, samples=32)
    for count, sought in ((42, False), (41, True)):
        monkeypatch.setattr("veinfit.seating.plans.plan._single", lambda *_, n=count: n / 64)
        (one,) = seat_vein(SLOT.anatomy, SLOT.vein, [sphere(28)], SETTINGS, margin=margin)
        assert (one.plans is not None) == sought


def test_the_set_that_closes_most_often_is_chosen():
    """Four seats of two tries each over four directions, counted by hand."""
    covered = np.array(
        [[1, 1, 0, 0], [1, 1, 0, 0], [0, 0, 1, 1], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]],
        dtype=bool,
    )
    weight = np.zeros((4, 6))
    weight[0, [0, 1]] = 0.5
    weight[1, [2, 3]] = 0.5, 0.5  # closes with the first in half of all
    weight[2, 4] = weight[3, 5] = 1.0  # these two and the first always do
    shown = np.array([covered[0], covered[2], covered[4], covered[5]])

    def closes(which):
        return np.any([covered[rows] for rows in which], axis=0).all(axis=1)

    assert list(best_sets(Candidates(weight, covered, shown), closes)) == [(0, 1), (0, 2, 3)]
