"""pipelines/TABLES.md tells every column of the tables of many cases, in words, and no other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from veinfit.cohort.batch.rows import COLUMNS as RUN_COLUMNS
from veinfit.cohort.batch.rows import NESTED, RIDGE_COLUMN
from veinfit.cohort.batch.store import COST_COLUMNS
from veinfit.cohort.drawing import LIST_COLUMNS
from veinfit.cohort.shapes.table import COLUMNS as SHAPE_COLUMNS
from veinfit.cohort.summary.page import COLUMNS as SUMMARY_COLUMNS
from veinfit.commands.practice import VEIN_COLUMNS
from veinfit.report.page.changes import CHANGE_COLUMNS
from veinfit.result.columns import columns
from veinfit.synthetic.draw.comparison import COLUMNS as COMPARISON_COLUMNS
from veinfit.validation.agreement.page import (
    BIN_COLUMNS,
    LEFT_OUT_COLUMNS,
    MEASURE_COLUMNS,
    PAIR_COLUMNS,
)
from veinfit.validation.growth_table import COLUMNS as GROWTH_COLUMNS
from veinfit.validation.practice_table import COLUMNS as PRACTICE_COLUMNS

PAGE = Path(__file__).resolve().parents[1] / "pipelines" / "TABLES.md"
ENDS = ", each with `_low` and `_high`"

RUN_EXTRAS = ("case", RIDGE_COLUMN, *NESTED)

TABLES = {
    "cases of `cohort run`": RUN_COLUMNS["cases"],
    "veins, fits and leaks of `cohort run`": RUN_EXTRAS,
    "costs.csv": COST_COLUMNS,
    **{f"{name}.csv": columns for name, columns in SUMMARY_COLUMNS.items()},
    "agreement.csv": MEASURE_COLUMNS,
    "pairs.csv": PAIR_COLUMNS,
    "calibration.csv": BIN_COLUMNS,
    "left_out.csv": LEFT_OUT_COLUMNS,
    "changes.csv": CHANGE_COLUMNS,
    "practice.csv": PRACTICE_COLUMNS,
    "veins.csv of `practice`": VEIN_COLUMNS,
    "growth_practice.csv": GROWTH_COLUMNS,
    "shapes.csv": SHAPE_COLUMNS,
    "cases.csv of `cohort draw`": LIST_COLUMNS,
    "comparison.csv": COMPARISON_COLUMNS,
}


def told() -> dict[str, list[str]]:
    """Return the columns that the page tells of each table."""
    found = {}
    for section in re.split(r"^### ", PAGE.read_text(encoding="utf-8"), flags=re.M)[1:]:
        title, _, body = section.partition("\n")
        names_told: list[str] = []
        for cell, words in re.findall(r"^\| (`.*?) \| (.*) \|$", body, flags=re.M):
            assert len(words) > 1, f"{title}: {cell} is told in no words"
            names = re.findall(r"`(\w+)`", cell.removesuffix(ENDS))
            ends = ("", "_low", "_high") if cell.endswith(ENDS) else ("",)
            names_told += [name + end for name in names for end in ends]
        found[title] = names_told
    return found


def test_every_table_has_a_section() -> None:
    assert set(told()) == set(TABLES)


@pytest.mark.parametrize("table", sorted(TABLES))
def test_every_column_is_told_once(table: str) -> None:
    assert sorted(told()[table]) == sorted(TABLES[table])


@pytest.mark.parametrize("table", ["veins", "fits", "leaks"])
def test_a_table_of_a_run_has_the_columns_of_a_case_and_what_is_told_besides(table: str) -> None:
    extra = set(RUN_COLUMNS[table]) - {column.name for column in columns(table)}
    assert "case" in extra and extra <= set(RUN_EXTRAS)
