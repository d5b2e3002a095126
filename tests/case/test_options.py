"""What a case is made with: which files are told, how a balloon is recorded, which dates pass."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import handmade
import jsonschema
import numpy as np
import pytest

from veinfit.case.options import balloon_values, checked_date, chosen_balloons, files_of, one_line
from veinfit.errors import InputError
from veinfit.io.results.archive import archived, load_archive
from veinfit.io.results.document import case_document, case_schema
from veinfit.result.case_result import CaseResult
from veinfit.result.provenance import Provenance
from veinfit.seating.balloon import Balloon
from veinfit.settings import Settings

SPHERE = 'name = "trial"\nequatorial_diameter_mm = 27.0\n'

TABLE = """
name = "cone"
profile = "table"
inflation_pressure_kpa = 17.0
largest_diameter_mm = 31.0
section_mm = [[-15.0, 0.0], [-11.0, 9.0], [0.0, 14.0], [11.0, 9.0], [15.0, 0.0]]
"""


@pytest.mark.parametrize("name", ["trial.toml", "trial.txt", "TRIAL.TOML", "trial", "31 mm long"])
def test_every_balloon_file_is_told_by_its_hash(tmp_path, name):
    wall, file = handmade.box(), tmp_path / name
    file.write_text(SPHERE)
    for given in (str(file), file, f" {file} "):
        assert chosen_balloons([given])[0].name == "trial"
        _, told = files_of(wall, None, None, None, None, [28, given, "31 mm"])
        assert told.role == "balloon"
        assert told.sha256 == hashlib.sha256(SPHERE.encode()).hexdigest()


def test_a_file_called_like_a_diameter_is_not_read_and_not_told(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("28").write_text(SPHERE)
    assert chosen_balloons(["28"])[0].name == "28 mm"
    assert len(files_of(handmade.box(), None, None, None, None, ["28", Path("28")])) == 1


def recorded(balloons: tuple[Balloon, ...]) -> CaseResult:
    provenance = Provenance(
        case_id=None, cardiac_phase=None, image_date=None, frame="lps", unit="mm",
        approach="coaxial", balloons=tuple(map(balloon_values, balloons)), inputs=(),
        versions={"veinfit": "0"}, created="2026-02-01T10:00:00Z",
    )  # fmt: skip
    return CaseResult(
        anatomy=handmade.anatomy(), fits=(handmade.fit(),), structures={}, notes=(),
        settings=Settings(), provenance=provenance, balloons=balloons,
    )  # fmt: skip


def test_the_record_tells_the_shape_of_every_balloon(tmp_path):
    file = tmp_path / "cone.toml"
    file.write_text(TABLE)
    small, large = chosen_balloons([file])
    document = case_document(recorded((small, large, *chosen_balloons([28]))))
    jsonschema.validate(document, case_schema(), jsonschema.Draft202012Validator)
    told = json.loads(json.dumps(document))["run"]["balloons"]
    assert [one["inflation_pressure_kpa"] for one in told] == [17.0, 17.0, None]
    assert told[0]["section"][1] == [-11.0, 9.0]
    assert told[2]["section"] is None
    # The larger end of the range is the same section with every ray 1.5 mm longer.
    assert [one["swollen_mm"] for one in told] == [0.0, 1.5, 0.0]
    keys = ("name", "equatorial_mm", "axial_mm", "profile", "section", "swollen_mm")
    again = [Balloon(**{key: one[key] for key in keys}) for one in told[:2]]
    for built, balloon in zip(again, (small, large), strict=True):
        assert np.array_equal(built.half_section(), balloon.half_section())


def test_the_record_of_a_table_is_kept_in_the_archive(tmp_path):
    file, kept = tmp_path / "cone.toml", tmp_path / "case.npz"
    file.write_text(TABLE)
    result = recorded(chosen_balloons([file]))
    kept.write_bytes(archived(replace(result)))
    assert load_archive(kept).provenance == result.provenance


@pytest.mark.parametrize(
    "text", ["20260105", "2026-W05", "2026-W05-1", "2026W051", "2026-1-5", "05.01.2026",
             "2026-01-05T00:00:00", "", "２０２６-01-05"]
)  # fmt: skip
def test_a_date_has_one_form(text):
    with pytest.raises(InputError, match=r"is no date; write it as YYYY-MM-DD$"):
        checked_date(text)


def test_a_date_of_the_form_passes():
    assert checked_date("2026-01-05") == "2026-01-05"
    assert checked_date(None) is None


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "must be a text of one line, of letters that can be printed"),
        ("two\nlines", "must be a text of one line"),
        # As an umlaut comes from a terminal whose language setting is not UTF-8.
        ("F\udcc3\udca4ll", "language setting here cannot read; choose one with UTF-8"),
    ],
)
def test_a_text_that_cannot_stand_on_results_is_refused_with_what_to_do(text, told):
    with pytest.raises(InputError, match=told):
        one_line("case id", text)
    assert one_line("case id", "F\u00e4ll 1") == "F\u00e4ll 1"
