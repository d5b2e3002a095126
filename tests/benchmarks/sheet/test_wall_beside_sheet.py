"""The default wall of the seating beside the elastic sheet, in six oval seats of two sizes."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from benchmarks.sheet.hold_against import held_against, sizes_agree

from veinfit.settings import SeatingSettings


@pytest.mark.slow
def test_leaks_lie_between_the_sheets_or_within_half_a_millimetre_of_one():
    table = json.loads(Path(__file__).with_name("table-stiffening-3-mm.json").read_text())
    settings = replace(SeatingSettings(), patch_edge_mm=1.0)
    held = list(held_against(table, settings, (0.1, 0.3)))
    assert len(held) == 24
    assert [(one.seat, one.ball_mm, one.push_n) for one in held if not one.agrees] == []
    assert all(sizes_agree(held))
