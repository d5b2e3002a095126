"""Growth over many atria: its sums against counts by hand, one vein against its own seats."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from seating.phantoms import hole

from veinfit.anatomy.mitral_and_septum import SeptalCrossing
from veinfit.seating.balloon import sphere
from veinfit.seating.seat import seat_vein
from veinfit.settings import MarginSettings, SeatingSettings, Settings
from veinfit.validation.growth_table import COLUMNS, growth_csv, growth_markdown, growth_rows
from veinfit.validation.practice_growth import PHRENIC, GrowthOutcome, growth_outcomes_of

ROWS = [
    GrowthOutcome("a", "LSPV", True, True, None, 2.0, 50.0, one_try=0.6, grown=0.7,
                  sealed_tries=10, open_tries=6, kept_tries=5.0, gained_tries=3.0,
                  kept_more_push=8, kept_greatest_push=9),
    GrowthOutcome("a", "RSPV", True, False, None, 3.0, -10.0, 0.5, one_try=0.8, grown=0.8,
                  sealed_tries=14, open_tries=2, kept_tries=1.0, gained_tries=0.0,
                  kept_more_push=7, kept_greatest_push=14),
    GrowthOutcome("b", "LSPV", False, None, True, -1.0, one_try=0.1, grown=0.4,
                  sealed_tries=0, open_tries=16, gained_tries=5.0),
    GrowthOutcome("b", "RIPV"),
]  # fmt: skip


def test_sums_are_those_counted_by_hand():
    told = {(row.vein, row.quantity): row for row in growth_rows(ROWS)}
    wanted = {
        "comes_back": 2 / 3, "back_mm": 4 / 3, "nominal_sealed": 2 / 3, "nominal_kept": 0.5,
        "nominal_gained": 1.0, "kept": 6 / 24, "lost": 18 / 24, "kept_more_push": 15 / 24,
        "kept_greatest_push": 23 / 24, "gained": 8 / 24, "one_try": 0.5, "growth_adds": 0.4 / 3,
        "antral_area_mm2": 20.0, "antral_area_larger": 0.5, "phrenic_mm": 0.5,
        "phrenic_farther": 1.0,
    }  # fmt: skip
    for name, value in wanted.items():
        row = told["all", name]
        assert row.value == pytest.approx(value), name
        assert row.low <= row.value + 1e-12 and row.value <= row.high + 1e-12
        assert (row.atria, row.veins) == (2, 4)
    assert told["LSPV", "kept"].value == 0.5
    assert ("LSPV", "phrenic_mm") not in told and ("RIPV", "kept") not in told
    rows = list(csv.DictReader(io.StringIO(growth_csv(list(told.values())))))
    assert tuple(rows[0]) == COLUMNS
    assert {row["source"] for row in rows if row["practice"]} == {"common practice, no source"}
    assert "| RSPV (1) | 0.07" in growth_markdown(list(told.values()))


@pytest.mark.slow
def test_a_vein_comes_out_as_its_own_seats_do():
    oval = hole(10.0, ratio=0.75, edge_mm=1.2, plate_mm=26.0, tube_mm=16.0)
    crossing = SeptalCrossing(np.array([-24.0, 3.0, 14.0]), "landmark", 0.0)
    anatomy = replace(oval.anatomy, septum=crossing)
    seating = SeatingSettings(patch_edge_mm=1.6, plan_below_probability=0.0, growth_what_if_mm=0.0)
    margin = MarginSettings(
        samples=8, chains_per_patient=4, direction_sd_deg=10.0, steered_attempts=1,
        aim_tilt_step_deg=0.0,
    )  # fmt: skip
    nerve = {PHRENIC: np.array([[16.0, 0.0, z] for z in (-30.0, -20.0, -10.0, 0.0)])}
    settings = Settings(seating=seating, margin=margin)
    (told,) = growth_outcomes_of("one", anatomy, nerve, settings)
    fit, _ = seat_vein(
        anatomy, oval.vein, [sphere(28), sphere(31)], seating, ("transseptal",), nerve, margin
    )
    grown = fit.growth
    assert told.vein == oval.vein.name
    assert (told.sealed, told.kept) == (fit.sealed, grown.seal_kept if fit.sealed else None)
    assert told.back_mm == pytest.approx(grown.back_mm, abs=1e-6)
    last = grown.steps[-1]
    assert told.area_mm2 == pytest.approx(last.antral_area_mm2 - fit.antral_area_mm2, abs=0.01)
    nearer = last.distances_mm[PHRENIC] - fit.distances_mm[PHRENIC]
    assert told.phrenic_mm == pytest.approx(nearer, abs=1e-6)
    # The first tries are drawn alike, whatever follows them.
    assert told.one_try == pytest.approx(fit.seal_probability)
    assert told.grown == pytest.approx(grown.either_probability)
    assert told.kept_tries == pytest.approx((grown.kept_probability or 0.0) * told.sealed_tries)
    assert 0 < told.sealed_tries <= 8
    # Pushed as hard as it can be, it keeps what it kept with less.
    assert told.kept_tries <= told.kept_greatest_push <= told.sealed_tries
