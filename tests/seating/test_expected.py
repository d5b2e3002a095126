"""Expected numbers of veins against counts of simulated cases, patient by patient."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seating.phantoms import hole

from veinfit.seating.balloon import sphere
from veinfit.seating.expected import expected_seals
from veinfit.seating.further import Growth, GrowthStep
from veinfit.seating.model import Chance, Fit, Margin
from veinfit.seating.seat import seat_vein
from veinfit.settings import MarginSettings, SeatingSettings

RNG = np.random.default_rng(11)
VEINS = ("LSPV", "LIPV", "RSPV", "RIPV")
PATIENTS = 8
GIVEN = {
    (vein, size): np.clip(RNG.uniform(0.2, 0.9) + RNG.normal(0.0, 0.2, PATIENTS), 0.0, 1.0)
    for vein in VEINS
    for size in (28, 31)
}


def fit_of(vein, size, given):
    one = Chance(float(np.mean(given)), 0.0, 1.0, 0.05, tuple(given))
    margin = Margin(64, 64, 0, one, one, one, one, one, 0.0, None, 1.0, (), (0.0, 0.0, 0.0), {})
    return Fit(vein, f"{size} mm", float(size), "transseptal", "seated", margin=margin)


FITS = tuple(fit_of(vein, size, given) for (vein, size), given in GIVEN.items())


def told(choice, tries=1, fits=FITS):
    return next(one for one in expected_seals(fits) if (one.choice, one.tries) == (choice, tries))


def counted(sizes, cases=40000):
    """Draw a patient, then every vein's tries of that patient, and count what is sealed."""
    rng = np.random.default_rng(3)
    patient = rng.integers(PATIENTS, size=cases)
    sealed = np.zeros((len(VEINS), cases), dtype=bool)
    for row, vein in enumerate(VEINS):
        for size in sizes:
            sealed[row] |= rng.random(cases) < GIVEN[vein, size][patient]
    return sealed


@pytest.mark.parametrize(
    ("choice", "sizes"), [("28 mm", (28,)), ("31 mm", (31,)), ("28 mm and 31 mm", (28, 31))]
)
def test_expected_numbers_are_those_counted_from_tries(choice, sizes):
    found, sealed = told(choice), counted(sizes)
    # Three standard errors of the count.
    assert found.expected_sealed == pytest.approx(sealed.sum(axis=0).mean(), abs=0.02)
    assert found.all_sealed_probability == pytest.approx(sealed.all(axis=0).mean(), abs=0.008)
    assert found.weakest_vein == VEINS[int(np.argmin(sealed.mean(axis=1)))]
    assert found.veins == 4


def test_one_vein_is_expected_as_often_as_its_tries_sealed():
    oval = hole(10.0, ratio=0.75, edge_mm=1.2, plate_mm=26.0, tube_mm=16.0)
    margin = MarginSettings(samples=32, chains_per_patient=8, direction_sd_deg=10.0,
                         steered_attempts=2, aim_tilt_step_deg=0.0, keep_attempts=True)  # fmt: skip
    settings = SeatingSettings(patch_edge_mm=1.2, growth_what_if_mm=0.0, growth_in_place=False)
    fits = seat_vein(oval.anatomy, oval.vein, [sphere(28)], settings, margin=margin)
    rows = fits[0].attempts
    first = [row.antral for row in rows if row.attempt == 1]
    last = {(row.patient, row.chain): row.antral for row in rows}
    one, steered = expected_seals(fits, steered_tries=2)
    assert one.expected_sealed == pytest.approx(np.mean(first))
    assert steered.expected_sealed == pytest.approx(np.mean(list(last.values())))
    assert one.all_sealed_probability == pytest.approx(one.expected_sealed)


def test_a_vein_out_of_reach_counts_as_never_sealed_and_an_unknown_one_not_at_all():
    out = Fit("RMPV", "28 mm", 28.0, "transseptal", "cannot reach")
    found = told("28 mm", fits=(*FITS[::2], out))
    assert (found.veins, found.all_sealed_probability, found.weakest_vein) == (5, 0.0, "RMPV")
    unknown = replace(out, outcome="not assessed")
    assert told("28 mm", fits=(*FITS[::2], unknown)).veins == 4


def test_growth_in_place_takes_the_tries_that_grew():
    steps = tuple(
        GrowthStep("", "transseptal", "28 mm", "31 mm", size, "seated") for size in (28.0, 31.0)
    )
    fits = tuple(
        replace(fit, growth=Growth(steps, tuple(GIVEN[fit.vein, 31]), None, None))
        if fit.balloon == "28 mm"
        else fit
        for fit in FITS
    )
    grown, larger = told("28 mm grown to 31 mm", fits=fits), told("31 mm", fits=fits)
    assert grown.expected_sealed == pytest.approx(larger.expected_sealed)
    assert grown.all_sealed_probability == pytest.approx(larger.all_sealed_probability)
    each = [fit.growth.either_probability for fit in fits if fit.growth is not None]
    assert sum(each) == pytest.approx(grown.expected_sealed)


def test_a_vein_without_a_seat_to_grow_from_counts_as_its_smaller_size():
    steps = tuple(
        GrowthStep("", "transseptal", "28 mm", "31 mm", size, "seated") for size in (28.0, 31.0)
    )
    fits = tuple(
        replace(fit, growth=Growth(steps, tuple(GIVEN[fit.vein, 28]), None, None))
        if (fit.vein, fit.balloon) == ("LSPV", "28 mm")
        else fit
        for fit in FITS
    )
    grown, small = told("28 mm grown to 31 mm", fits=fits), told("28 mm", fits=fits)
    assert grown.expected_sealed == pytest.approx(small.expected_sealed)
