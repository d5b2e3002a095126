"""The registry of columns: it agrees with the models that fill them and with the report."""

from __future__ import annotations

from dataclasses import fields
from typing import get_type_hints

import handmade
import pyarrow as pa
import pytest

from veinfit.anatomy.model import Vein
from veinfit.io.columns import SCHEMA_PARTS
from veinfit.report.answers.tables import CERTAINTY_MEASURES, MEASURES, VEIN_MEASURES
from veinfit.result.columns import (
    PLACEHOLDER,
    arrow_schema,
    column,
    columns,
    names,
    registry,
)
from veinfit.result.fit_rows import fit_columns, fit_row
from veinfit.result.tables import anatomy_tables, arrow_tables
from veinfit.result.values import decimals
from veinfit.seating.expected import Expected
from veinfit.seating.further import CrossingPlace, GrowthStep
from veinfit.seating.model import Aim, AttemptRow, ClockReading, Fit, Leak

MODELS = {
    "veins": Vein, "fits": Fit, "leaks": Leak, "clock": ClockReading, "aims": Aim,
    "growth": GrowthStep, "expected": Expected, "crossings": CrossingPlace,
    "attempts": AttemptRow,
}  # fmt: skip
TABLES = list(dict.fromkeys(one.table for one in registry()))


def declared(model: type) -> dict[str, tuple[str, bool]]:
    """What the fields of a dataclass hold, by their declared types; whether None may be there."""
    found = {}
    for name, hint in get_type_hints(model).items():
        words = str(hint)
        kinds = (("bool", "yes"), ("float", "number"), ("int", "whole"), ("str", "text"))
        kind = next((kind for sign, kind in kinds if sign in words), "text")
        found[name] = (kind, "None" in words)
    return found


@pytest.mark.parametrize("table", MODELS)
def test_types_are_those_of_the_values(table: str) -> None:
    told = declared(MODELS[table])
    shared = [one for one in columns(table) if one.name in told]
    assert shared
    for one in shared:
        kind, empty = told[one.name]
        assert one.kind == kind, one.name
        if table not in ("veins",):
            assert one.optional or not empty or one.kind == "text", one.name


@pytest.mark.parametrize("model", [Leak, ClockReading, Aim, AttemptRow])
def test_rows_that_are_written_as_they_are_have_a_column_a_field(model: type) -> None:
    table = next(name for name, one in MODELS.items() if one is model)
    assert names(table) == tuple(field.name for field in fields(model))


def test_units_are_those_in_the_names() -> None:
    units = {"mm2": "mm²", "mm": "mm", "deg": "°", "h": "h", "n": "N"}
    for one in registry():
        suffix = one.name.rpartition("_")[2]
        if one.kind == "number":
            assert one.unit == units.get(suffix, "1"), one.name
            assert one.digits == decimals(one.name)
        else:
            assert one.unit == "" and one.digits is None, one.name
        assert one.meaning and not one.meaning.endswith(".")
        assert one.low is None or one.high is None or one.low < one.high


def test_no_column_stands_twice() -> None:
    keys = [(one.table, one.name) for one in registry()]
    assert len(set(keys)) == len(keys)
    assert set(SCHEMA_PARTS) == set(TABLES) - {"attempts"}


def test_what_reports_show_is_named_and_has_its_digits() -> None:
    shown = [one for one in registry() if one.label]
    tables = {"veins", "sections", "ridges", "fits", "clock", "growth"}
    assert {one.table for one in shown} == tables
    for one in shown:
        assert (one.shown_digits is not None) == (one.kind == "number"), one.name
        assert one.digits is None or one.shown_digits <= one.digits, "no more than the files hold"
    for measure in (*MEASURES, *VEIN_MEASURES, *CERTAINTY_MEASURES):
        assert column(measure.table, measure.field) in shown


def test_headings_name_the_structure_and_the_unit() -> None:
    found = column("fits", "distance_right_phrenic_nerve_mm")
    assert found.heading(found.name) == "Freezing zone to NAME, mm"
    told = found.heading("distance_right_phrenic_nerve_mm")
    assert told == "Freezing zone to right phrenic nerve, mm"
    assert column("fits", "seal_probability").heading() == "Antral seal, one try"
    assert column("veins", "ostium_x_mm").heading() == "ostium_x_mm, mm", "without a label its name"
    assert column("fits", "leak_clock_h").heading() == "Leak on the clock"


def test_a_column_for_each_structure_is_found_by_its_own_name() -> None:
    assert column("fits", "distance_right_phrenic_nerve_mm").name == "distance_NAME_mm"
    assert column("crossings", "misalignment_LSPV_deg").unit == "°"
    with pytest.raises(ValueError, match="no column 'colour'"):
        column("fits", "colour")
    assert not any(PLACEHOLDER.search(name) for table in TABLES for name in names(table))


def test_hand_made_values_go_through_the_schema() -> None:
    made = arrow_tables(anatomy_tables(handmade.anatomy()))
    assert made["veins"].num_rows == 2
    assert made["veins"].schema.field("area_mm2").metadata[b"unit"] == "mm²".encode()
    present = fit_columns(("oesophagus",))
    rows = [fit_row(handmade.fit(), ("oesophagus",)), fit_row(handmade.unassessed_fit(), ())]
    rows[1]["distance_oesophagus_mm"] = None
    table = pa.Table.from_pylist(rows, schema=arrow_schema("fits", present))
    assert table.column("depth_mm").to_pylist() == [-10.0, None]
    assert table.column("sealed").to_pylist() == [False, None]
