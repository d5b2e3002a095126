"""The tables and the document of a case, from values made by hand."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
from dataclasses import replace
from importlib import metadata

import handmade
import jsonschema
import numpy as np
import pytest

from veinfit.errors import InputError
from veinfit.io.results.document import case_document, case_json, case_schema, files_of_earlier_run
from veinfit.io.results.provenance import input_files, program_versions
from veinfit.io.results.tables import case_tables
from veinfit.notes import Note
from veinfit.result.case_result import CaseResult
from veinfit.result.fit_rows import FIT_COLUMNS
from veinfit.result.provenance import Provenance
from veinfit.settings import Settings

VEINS_HEADER = (
    "vein,d_max_mm,d_min_mm,ovality,area_mm2,perimeter_mm,d_area_mm,d_perimeter_mm,"
    "takeoff_wall_deg,takeoff_frontal_deg,takeoff_transverse_deg,trunk_length_mm,trunk_at_least,"
    "ostium_x_mm,ostium_y_mm,ostium_z_mm,normal_x,normal_y,normal_z,axis_x,axis_y,axis_z,"
    "axis_length_mm,ostium_residual_mm,ostium_error_mm,name_confidence,confidence,notes,"
    "axis_error_deg,ostium_kind"
)
SECTIONS_HEADER = (
    "vein,s_mm,x_mm,y_mm,z_mm,tangent_x,tangent_y,tangent_z,area_mm2,perimeter_mm,d_max_mm,d_min_mm"
)
FITS_HEADER = (
    "vein,balloon,balloon_mm,approach,outcome,reason,centre_x_mm,centre_y_mm,centre_z_mm,"
    "misalignment_deg,depth_mm,nose_depth_mm,deep,contact_area_mm2,contact_arc_deg,occluded,"
    "sealed,leak_width_mm,leak_area_mm2,leak_clock_h,leak_side,occlusion_grade,antral_area_mm2,"
    "freeze_shift_mm,sealed_after_freeze,seal_probability,seal_probability_low,"
    "seal_probability_high,antral,push_to_seal_n,occlusion_probability,"
    "occlusion_probability_low,occlusion_probability_high,steered_seal_probability,"
    "steered_seal_probability_low,steered_seal_probability_high,steered_occlusion_probability,"
    "steered_occlusion_probability_low,steered_occlusion_probability_high,"
    "deep_seal_probability,freeze_loss_probability,loop_depth_mm,loop_fit,tries_leak_side,"
    "distance_oesophagus_mm"
)

AIMS_HEADER = (
    "vein,balloon,approach,shaft_clock_h,shaft_side,shaft_tilt_deg,outcome,occluded,sealed,antral,"
    "leak_width_mm,leak_side,push_to_seal_n,seal_probability"
)


@pytest.fixture
def result():
    provenance = Provenance(
        case_id="Larkmoor 7",
        cardiac_phase=None,
        image_date="2026-01-31",
        frame="lps",
        unit="mm",
        approach="coaxial",
        balloons=({"name": "28 mm", "equatorial_mm": 28.0},),
        inputs=(),
        versions=program_versions(),
        created="2026-02-01T10:00:00Z",
    )
    return CaseResult(
        anatomy=handmade.anatomy(),
        fits=(handmade.fit(), handmade.unassessed_fit()),
        structures={"oesophagus": np.zeros((1, 3))},
        notes=(Note("input", "one label taken as everything"),),
        settings=Settings(),
        provenance=provenance,
    )


def rows_of(result, name):
    text = case_tables(result)[name].decode()
    assert "\r" not in text
    assert text.endswith("\n")
    return list(csv.DictReader(io.StringIO(text)))


def test_headers_are_the_published_ones_in_order(result):
    first = {name: data.decode().split("\n")[0] for name, data in case_tables(result).items()}
    assert first["veins.csv"] == VEINS_HEADER
    assert first["sections.csv"] == SECTIONS_HEADER
    assert first["ridges.csv"] == "from,to,width_mm"
    assert first["fits.csv"] == FITS_HEADER
    assert first["label_ostia.csv"] == (
        "vein,x_mm,y_mm,z_mm,d_max_mm,d_min_mm,d_area_mm,distance_mm"
    )
    assert set(first) == {
        "veins.csv", "sections.csv", "ridges.csv", "fits.csv", "leaks.csv", "clock.csv", "aims.csv",
        "growth.csv", "expected.csv", "comparisons.csv", "plans.csv", "crossings.csv",
        "label_ostia.csv",
    }  # fmt: skip
    assert first["aims.csv"] == AIMS_HEADER
    assert first["plans.csv"] == (
        "vein,approach,plan,seat,balloon,shaft_clock_h,shaft_side,shaft_tilt_deg,covers_from_h,"
        "covers_to_h,seal_probability,probability_without,open_gap_mm,open_side"
    )
    assert first["crossings.csv"] == (
        "x_mm,y_mm,z_mm,balloon,expected_sealed,misalignment_LSPV_deg,misalignment_RIPV_deg"
    )


def test_vein_row(result):
    lspv, ripv = rows_of(result, "veins.csv")
    assert lspv["d_max_mm"] == "16.000"
    assert lspv["area_mm2"] == "201.06"  # pi 16^2 / 4 = 201.0619
    assert lspv["perimeter_mm"] == "50.265"  # 16 pi = 50.26548
    assert lspv["d_area_mm"] == lspv["d_perimeter_mm"] == "16.000"
    assert lspv["ovality"] == "1.0000"
    assert lspv["takeoff_wall_deg"] == ""
    assert lspv["trunk_at_least"] == "true"
    assert lspv["confidence"] == "0.8000"
    assert lspv["notes"] == "short stub"
    assert ripv["notes"] == "two veins on this side could not be told apart"
    normal = [float(lspv[f"normal_{c}"]) for c in "xyz"]
    assert np.linalg.norm(normal) == pytest.approx(1.0, abs=1e-6)


def test_vein_that_could_not_be_measured_has_its_name_and_the_reason(result):
    lost = replace(result.anatomy, unmeasured={"RSPV": "no section"})
    result = replace(result, anatomy=lost)
    *_, row = rows_of(result, "veins.csv")
    told = {name: cell for name, cell in row.items() if cell}
    assert told == {"vein": "RSPV", "notes": "not measured: no section"}
    document = json.loads(case_json(case_document(result)))
    jsonschema.validate(document, case_schema(), jsonschema.Draft202012Validator)
    assert document["anatomy"]["unmeasured"] == {"RSPV": "no section"}


def test_fit_rows_leave_empty_what_could_not_be_had(result):
    leaking, unassessed = rows_of(result, "fits.csv")
    assert leaking["depth_mm"] == "-10.000"
    assert leaking["occluded"] == "false"
    assert leaking["occlusion_grade"] == leaking["distance_oesophagus_mm"] == ""
    given = {name for name, cell in unassessed.items() if cell}
    assert given == {"vein", "balloon", "balloon_mm", "approach", "outcome", "reason"}


def test_distance_to_a_structure_is_written(result):
    near = replace(handmade.fit(), distances_mm={"oesophagus": 3.14159})
    assert rows_of(replace(result, fits=(near,)), "fits.csv")[0]["distance_oesophagus_mm"] == (
        "3.142"
    )


def test_leaks_and_clock_rows(result):
    (leak,) = rows_of(result, "leaks.csv")
    assert (leak["leak"], leak["width_mm"], leak["area_mm2"]) == ("1", "1.250", "")
    noon, six = rows_of(result, "clock.csv")
    assert (noon["clock_h"], noon["band_width_mm"]) == ("0.00", "3.000")
    assert (six["side"], six["band_width_mm"]) == ("inferior", "")


def test_sections_are_in_order_along_each_vein(result):
    rows = rows_of(result, "sections.csv")
    assert [r["vein"] for r in rows] == ["LSPV"] * 13 + ["RIPV"] * 13
    assert [r["s_mm"] for r in rows[:3]] == ["0.000", "1.000", "2.000"]


def test_numbers_that_are_not_finite_are_empty_and_zero_has_no_sign(result):
    odd = replace(handmade.fit(), leak_width_mm=math.nan, depth_mm=-1e-9, nose_depth_mm=math.inf)
    (row,) = rows_of(replace(result, fits=(odd,)), "fits.csv")
    assert (row["leak_width_mm"], row["depth_mm"], row["nose_depth_mm"]) == ("", "0.000", "")


def test_line_breaks_and_commas_in_text_do_not_break_the_table(result):
    odd = replace(handmade.fit(), reason='a "hole",\nthen an edge')
    (row,) = rows_of(replace(result, fits=(odd,)), "fits.csv")
    assert row["reason"] == 'a "hole", then an edge'


def test_document_follows_the_published_schema(result):
    schema = case_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    document = json.loads(case_json(case_document(result, ["veins.csv"])))
    jsonschema.validate(document, schema, jsonschema.Draft202012Validator)
    bare = replace(result.anatomy, appendage=None, mitral=None, veins=(), ridges=())
    document = json.loads(case_json(case_document(replace(result, anatomy=bare, fits=()))))
    jsonschema.validate(document, schema, jsonschema.Draft202012Validator)


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("coordinates", "frame"), "RAS"),
        (("schema_version",), "2.0"),
        (("anatomy", "volume_ml"), "big"),
        (("run", "balloons"), []),
        (("surprise",), 1),
    ],
)
def test_schema_refuses_what_is_not_a_case(result, where, value):
    document = json.loads(case_json(case_document(result)))
    place = document
    for key in where[:-1]:
        place = place[key]
    place[where[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, case_schema(), jsonschema.Draft202012Validator)


def test_document_and_tables_agree(result):
    document = json.loads(case_json(case_document(result)))
    for row, cells in zip(document["fits"], rows_of(result, "fits.csv"), strict=True):
        for name in FIT_COLUMNS:
            if isinstance(row[name], float):
                assert row[name] == float(cells[name])
    assert document["fits"][0]["distances_mm"] == {"oesophagus": None}
    assert document["files"] == ["case.json"]


def test_every_setting_is_recorded_with_its_unit(result):
    settings = Settings.from_mapping({"seating": {"locking_depth_mm": math.inf}})
    document = json.loads(case_json(case_document(replace(result, settings=settings))))
    jsonschema.validate(document, case_schema(), jsonschema.Draft202012Validator)
    written = document["run"]["settings"]["seating"]
    assert written["locking_depth_mm"]["value"] == "inf"
    assert written["greatest_push_n"]["unit"] == "N"
    assert set(document["run"]["settings"]) == set(settings.as_mapping())


def test_a_source_that_is_not_installed_says_so(monkeypatch):
    def missing(name):
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr("veinfit.io.results.provenance.metadata.version", missing)
    with pytest.raises(InputError, match=r"veinfit is not installed.*; run pip install \. in"):
        program_versions()


def test_same_record_same_bytes(result):
    again = replace(result, anatomy=handmade.anatomy())
    assert case_json(case_document(result)) == case_json(case_document(again))
    assert case_tables(result) == case_tables(again)


def test_points_stay_on_one_line_and_strings_as_they_are(result):
    text = "brackets [ 1, 2 ] and\n a break"
    told = replace(result, notes=(Note("input", text),))
    written = case_json(case_document(told)).decode()
    assert json.loads(written)["notes"][0]["text"] == text
    assert '"body_centre_mm": [0.0, 0.0, 0.0]' in written


def test_input_is_known_by_content_not_by_name(tmp_path):
    path = tmp_path / "Surname_Forename.nii.gz"
    path.write_bytes(b"abc")
    (told,) = input_files("input", path)
    # SHA-256 of "abc": FIPS 180-2, appendix B.1.
    assert told.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (told.format, told.bytes) == (".nii.gz", 3)
    assert "Surname" not in repr(told)


@pytest.mark.parametrize(
    ("name", "line"), [("image.mhd", b"ElementDataFile = d.raw"), ("i.nhdr", b"data file: d.raw")]
)
def test_data_beside_a_header_is_an_input_too(tmp_path, name, line):
    (tmp_path / name).write_bytes(b"NDims = 3\n" + line + b"\n")
    (tmp_path / "d.raw").write_bytes(b"voxels")
    header, data = input_files("input", tmp_path / name)
    assert (header.role, data.role) == ("input", "input data")
    assert data.sha256 == hashlib.sha256(b"voxels").hexdigest()


def test_missing_input_is_named(tmp_path):
    with pytest.raises(InputError, match=r"gone\.stl cannot be read: No such file"):
        input_files("input", tmp_path / "gone.stl")


def test_files_of_an_earlier_run(result, tmp_path):
    assert files_of_earlier_run(tmp_path) == ()
    (tmp_path / "case.json").write_bytes(case_json(case_document(result, ["veins.csv"])))
    assert files_of_earlier_run(tmp_path) == ("case.json", "veins.csv")
    (tmp_path / "case.json").write_text('{"schema": "another", "files": ["precious"]}')
    assert files_of_earlier_run(tmp_path) == ()
