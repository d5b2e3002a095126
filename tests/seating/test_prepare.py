"""A vein made ready: what its tries are drawn by does not depend on a name."""

from __future__ import annotations

from dataclasses import replace

from seating.phantoms import hole

from veinfit.seating.balloon import sphere
from veinfit.seating.seat import seat_vein
from veinfit.settings import MarginSettings, SeatingSettings


def test_another_name_of_vein_or_balloon_moves_no_try():
    oval = hole(11.0, ratio=8.0 / 11.0, edge_mm=1.2, plate_mm=26.0, tube_mm=18.0)
    settings = SeatingSettings(patch_edge_mm=1.2, growth_in_place=False)
    margin = MarginSettings(samples=8, chains_per_patient=4, aim_tilt_step_deg=20.0)
    told = []
    for name, balloon in (("LSPV", "28 mm"), ("RIPV", "first")):
        vein = replace(oval.vein, name=name, found_as="LSPV")
        anatomy = replace(oval.anatomy, veins=(vein,))
        ball = replace(sphere(28), name=balloon)
        told.append(seat_vein(anatomy, vein, [ball], settings, margin=margin)[0])
    one, other = (fit.margin for fit in told)
    assert one.antral.given_patient == other.antral.given_patient
    assert (one.leak_width_percentiles, one.attempts_per_chain) == (
        other.leak_width_percentiles,
        other.attempts_per_chain,
    )
    one, other = ([aim.seal_probability for aim in fit.aims] for fit in told)
    assert one == other
    assert any(value is not None and value > 0.0 for value in one)
