"""Calibration: known quantities are found again, and what the data cannot tell is said."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.special import ndtr
from seating.phantoms import hole

from veinfit.errors import InputError
from veinfit.io.inputs.observed import ObservedRow
from veinfit.seating.balloon import sphere
from veinfit.seating.uncertainty.unknowns import draw, spring_factors
from veinfit.settings import MarginSettings, SeatingSettings, Settings, with_values
from veinfit.validation.calibration import emulator as emulation
from veinfit.validation.calibration.likelihood import maximise
from veinfit.validation.calibration.observations import Attempt, of_attempts
from veinfit.validation.calibration.quantities import quantities
from veinfit.validation.calibration.responses import respond
from veinfit.validation.calibration.run import calibrate
from veinfit.validation.calibration.settings_file import fitted_settings, settings_text

SETTINGS = Settings(
    seating=SeatingSettings(shaft_n_per_mm=0.0),
    margin=MarginSettings(direction_sd_deg=12.0, surface_offset_sd_mm=0.3),
)
SLOPE_MM = 0.06
"""Leak for each degree of tilt of the invented veins, mm."""


@dataclass(frozen=True)
class Known:
    """A vein whose leak is known: it grows with the tilt, and shrinks with the push."""

    ovality_mm: float
    push_mm: float = 0.0

    def widths(self, unknowns, margin, shifts):
        tilt = np.hypot(*np.moveaxis(unknowns.first[..., :2], -1, 0))
        push = np.log(spring_factors(unknowns.first, margin))[..., 0] + shifts[:, None, None, 0]
        return (
            self.ovality_mm
            + SLOPE_MM * tilt * shifts[:, None, None, 3]
            - self.push_mm * push
            + 0.5 * unknowns.surface_offset_mm(margin)[:, None]
        )

    def chances(self, unknowns, margin, shifts, tolerance):
        widths = self.widths(unknowns, margin, shifts)
        return ndtr((tolerance[:, None, None] - widths) / 0.02).mean(axis=2)


def observed(veins, scatter, tolerance, push=0.0, seed=3, attempts=4):
    """Attempts drawn from the truth, with a patient for every vein."""
    rng = np.random.default_rng(seed)
    margin = replace(SETTINGS.margin, samples=attempts, chains_per_patient=attempts)
    found = []
    for fit, vein in enumerate(veins):
        unknowns = draw(replace(margin, seed=int(rng.integers(2**31))), f"truth {fit}")
        width = vein.widths(unknowns, margin, np.array([[push, 0.0, 0.0, scatter]]))[0, 0]
        found += [Attempt(f"patient {fit}", fit, bool(w <= tolerance)) for w in width]
    return found


@pytest.fixture(scope="module")
def fitted():
    """Veins of every ovality, the truth away from the start."""
    veins = [Known(o) for o in np.linspace(-0.8, 0.8, 120)]
    labels = [f"vein {i}" for i in range(len(veins))]
    answers = respond(veins, labels, SETTINGS, quantities(SETTINGS))
    attempts = observed(veins, scatter=8.0, tolerance=0.7)
    return maximise(answers.quantities, of_attempts(answers, attempts), 1)


def by_words(calibration):
    return {estimate.quantity.words: estimate for estimate in calibration.estimates}


def test_known_scatter_and_tolerance_are_found_again(fitted):
    found = by_words(fitted)
    scatter, tolerance = found["scatter"], found["tolerance"]
    assert scatter.told
    assert tolerance.told
    assert scatter.low < 8.0 < scatter.high
    assert tolerance.low < 0.7 < tolerance.high
    assert scatter.value == pytest.approx(8.0, rel=0.25)
    assert tolerance.value == pytest.approx(0.7, abs=0.15)
    assert scatter.high < 12.0
    assert fitted.log_likelihood > fitted.start_log_likelihood + 5.0


def test_what_has_no_effect_is_said_not_to_be_told(fitted):
    for words in ("push", "guide"):
        assert not by_words(fitted)[words].told
    named = {words for ridge in fitted.ridges for words, _ in ridge.weights}
    assert {"push", "guide"} <= named
    assert not named & {"scatter", "tolerance"}


@pytest.mark.slow
def test_quantities_that_act_alike_are_one_ridge():
    """A push that only lifts the leak of every vein acts as the tolerance does."""
    veins = [Known(o, push_mm=1.0) for o in np.linspace(-0.8, 0.8, 60)]
    labels = [f"vein {i}" for i in range(len(veins))]
    steady = replace(SETTINGS, margin=replace(SETTINGS.margin, push_spread=0.0, guide_spread=0.0))
    answers = respond(veins, labels, steady, quantities(steady))
    attempts = observed(veins, scatter=12.0, tolerance=0.5, seed=4)
    ridges = maximise(answers.quantities, of_attempts(answers, attempts), 1).ridges
    shared = [dict(r.weights) for r in ridges if {"push", "tolerance"} <= dict(r.weights).keys()]
    assert len(shared) == 1
    assert shared[0]["push"] * shared[0]["tolerance"] < 0.0


def test_attempts_in_one_patient_share_what_is_unknown():
    """Two tries that agree tell less where they share a patient than where they do not."""
    margin = replace(SETTINGS.margin, surface_offset_sd_mm=2.0)
    settings = replace(SETTINGS, margin=margin)
    answers = respond([Known(0.0)], ["vein"], settings, quantities(settings))
    share = np.array([q.share(q.start) for q in answers.quantities])
    together = of_attempts(answers, [Attempt("a", 0, True)] * 2)(share)
    apart = of_attempts(answers, [Attempt("a", 0, True), Attempt("b", 0, True)])(share)
    chance = answers.chances(share)[0]
    assert together == pytest.approx(np.log(np.mean(chance**2)))
    assert apart == pytest.approx(2.0 * np.log(np.mean(chance)))
    assert together > apart


def test_interpolated_probabilities_are_those_worked_out(fitted):
    veins = [Known(-0.2), Known(0.3)]
    answers = respond(veins, ["a", "b"], SETTINGS, quantities(SETTINGS))
    assert answers.error < 0.08


# ---- from a table to a settings file ------------------------------------------------------


def row(line, grade, **more):
    usual = {"case": "one", "patient": "one", "vein": "LSPV", "balloon": "28", "attempt": line}
    return ObservedRow(line, **{**usual, **more}, occlusion_grade=grade)


@pytest.fixture(scope="module")
def ground():
    return hole(9.0, edge_mm=1.5, plate_mm=24.0, tube_mm=14.0)


@pytest.fixture
def few(monkeypatch):
    small = replace(emulation.WIDE, samples=64, chains_per_patient=16)
    monkeypatch.setattr(emulation, "WIDE", small)


HELD = Settings(
    seating=SeatingSettings(shaft_n_per_mm=4.0, cell_mm=1.8),
    margin=SETTINGS.margin,
)


def test_from_a_table_to_a_settings_file_that_is_read_again(few, ground, tmp_path):
    rows = [row(i, 4 if i % 3 else 3) for i in range(12)]
    rows += [row(20, None), row(21, 4, approach="transseptal"), row(22, 4, vein="RIPV")]
    rows += [row(23, 4, balloon="40"), row(24, 4, case="two")]
    outcome = calibrate(rows, [("one", ground.anatomy)], [sphere(28)], "coaxial", HELD)
    assert (outcome.attempts, outcome.patients, outcome.fits) == (12, 1, 1)
    assert len(outcome.aside) == 5
    assert any("no such vein" in line for line in outcome.aside)
    text = settings_text(HELD, outcome)
    path = tmp_path / "fitted.toml"
    path.write_text(text, encoding="utf-8")
    again = Settings.from_toml(path)
    assert again == fitted_settings(HELD, outcome.calibration)
    for name in ("ring_stiffness_kpa_per_mm", "body_stiffness_kpa_per_mm"):
        assert getattr(again.seating, name) == getattr(HELD.seating, name)
    # Twelve tries of one vein tell no five quantities.
    assert "the data do not tell it" in text
    assert "not told apart" in text
    assert set(tomllib.loads(text)) == {"seating", "margin"}


def test_too_few_attempts_are_refused(few, ground):
    with pytest.raises(InputError, match="3 attempts can be used, and at least 10 are needed"):
        calibrate(
            [row(i, 4) for i in range(3)], [("one", ground.anatomy)], [sphere(28)], "coaxial", HELD
        )


@pytest.mark.slow
def test_emulated_chances_are_those_of_seats(ground):
    """The interpolated leak widths give the probability that seats under the distribution give."""
    from veinfit.seating.approach.line import line_through_ostium
    from veinfit.seating.prepare import prepare
    from veinfit.seating.uncertainty.attempts import simulator

    margin = replace(HELD.margin, samples=256, chains_per_patient=64, direction_sd_deg=12.0)
    ready = prepare(ground.anatomy, ground.vein, 16.0, HELD.seating)
    line = line_through_ostium("coaxial", ground.vein, ground.vein.axis)
    made = emulation.emulate(ready, sphere(28), line, HELD, "x")
    unknowns = draw(margin, "y")
    seen = simulator(ready, sphere(28), line, HELD.seating, margin).tries(
        np.tile(line.direction, (256, 1)),
        np.repeat(unknowns.patient, 64, axis=0),
        unknowns.first.reshape(256, -1),
    )
    shifts = np.array([[0.0, 0.0, 0.0, margin.direction_sd_deg]])
    told = made.chances(unknowns, margin, shifts, np.array([0.5])).mean()
    assert 0.1 < seen.occluded[1].mean() < 0.9
    assert told == pytest.approx(seen.occluded[1].mean(), abs=0.08)


def test_springs_that_are_nothing_are_not_fitted():
    assert [q.words for q in quantities(SETTINGS)] == ["push", "guide", "scatter", "tolerance"]
    assert [q.words for q in quantities(HELD)] == [
        "push", "guide", "shaft", "scatter", "tolerance"
    ]  # fmt: skip
    changed = with_values(
        SETTINGS, {"seating.greatest_push_n": 0.9, "margin.direction_sd_deg": 7.0}
    )
    assert changed.seating.greatest_push_n == 0.9
    assert changed.margin.direction_sd_deg == 7.0
    assert changed.surface == SETTINGS.surface


def test_ranges_hold_their_starts():
    for quantity in quantities(HELD):
        share = quantity.share(quantity.start)
        assert 0.0 < share < 1.0
        assert quantity.at(np.array([share]))[0] == pytest.approx(quantity.start)
        assert quantity.at(np.array([0.0, 1.0])) == pytest.approx([quantity.low, quantity.high])
