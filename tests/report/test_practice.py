"""How the model does against practice is told of the settings of which it is known."""

from __future__ import annotations

import re
from dataclasses import astuple, fields
from pathlib import Path

import pytest

import veinfit
from veinfit.report.practice import (
    AGAINST_PRACTICE,
    BESIDE_THE_POINT,
    HELD_OUT,
    PRACTICE,
    against_practice,
)
from veinfit.settings import Settings

ROWS = ("28 mm alone", "31 mm alone", "both", "neither")


def test_the_figures_are_those_of_the_table_of_the_seating() -> None:
    """Columns: target, drawn half of the fit, drawn and held out."""
    text = (Path(veinfit.__file__).parent / "seating" / "README.md").read_text("utf-8")
    target, held_out = [], []
    for name in ROWS:
        (row,) = re.findall(rf"^\| {name} \|([^\n]*)", text, re.M)
        cells = row.split("|")
        target.append(float(cells[0].split(",")[0]))
        held_out.append(float(cells[2].split()[0]))
    assert tuple(target) == astuple(PRACTICE)
    assert tuple(held_out) == astuple(HELD_OUT)
    told = [float(found) for found in re.findall(r"\d\.\d\d", AGAINST_PRACTICE)]
    assert told == [figure for pair in zip(held_out, target, strict=True) for figure in pair]


@pytest.mark.parametrize(
    "other",
    [
        {"margin": {"samples": 0, "seed": 7, "push_calibration": 0.5}},
        {"seating": {"crossing_map": False, "grade_small_leak_mm2": 5.0}},
        {"report": {"likely_from": 0.8}},
    ],
)
def test_what_does_not_bear_on_a_try_leaves_it(other: dict[str, dict[str, float]]) -> None:
    assert against_practice(Settings()) == AGAINST_PRACTICE
    assert against_practice(Settings.from_mapping(other)) == AGAINST_PRACTICE


def test_other_walls_pushes_and_scatters_are_not_told_figures_that_are_not_theirs() -> None:
    push = Settings.from_mapping({"seating": {"greatest_push_n": 1.8}})
    assert against_practice(push) == (
        "Model against practice: known for the default settings alone; here "
        "seating.greatest_push_n differs from them."
    )
    earlier = Path(veinfit.__file__).parent / "validation" / "earlier_wall.toml"
    told = against_practice(Settings.from_toml(earlier))
    assert "seating.greatest_push_n and 7 more differ from them" in told
    assert not re.search(r"\d\.\d\d", told)


def test_what_does_not_bear_on_it_is_named_as_it_is() -> None:
    for group, names in BESIDE_THE_POINT.items():
        assert names < {item.name for item in fields(getattr(Settings(), group))}
