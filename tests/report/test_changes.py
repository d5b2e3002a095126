"""Two results side by side: the differences are those that were made."""

from __future__ import annotations

import copy
import csv
import json

import pytest

from veinfit.cli import main
from veinfit.report.changes import CHANGE_COLUMNS, case_changes, case_differences, changes_page


def vein(name: str, d_max: float, x: float) -> dict:
    return {
        "vein": name, "d_max_mm": d_max, "d_min_mm": 10.0, "ovality": d_max / 10.0,
        "area_mm2": 100.0, "d_area_mm": 11.3, "takeoff_wall_deg": None,
        "takeoff_frontal_deg": 10.0, "takeoff_transverse_deg": 5.0, "trunk_length_mm": 12.0,
        "confidence": 0.9, "ostium_x_mm": x, "ostium_y_mm": 0.0, "ostium_z_mm": 0.0,
    }  # fmt: skip


@pytest.fixture
def documents() -> tuple[dict, dict]:
    fit = {"vein": "LSPV", "balloon": "28 mm", "approach": "coaxial", "outcome": "seated",
           "sealed": True, "depth_mm": -10.0, "leak_width_mm": None}  # fmt: skip
    before = {
        "schema": "veinfit case", "schema_version": "1.0", "created": "2026-01-01T00:00:00Z",
        "case": {"id": "Larkmoor <1>", "cardiac_phase": None, "image_date": None},
        "run": {"versions": {"veinfit": "1"}, "balloons": [{"name": "28 mm"}],
                "inputs": [{"role": "input", "sha256": "a"}],
                "settings": {"seating": {"push_n": {"value": 1.5}}}},
        "anatomy": {"veins": [vein("LSPV", 20.0, 0.0), vein("LIPV", 15.0, 0.0)]},
        "corrections": [], "fits": [fit],
    }  # fmt: skip
    after = copy.deepcopy(before)
    after["anatomy"]["veins"] = [vein("LSPV", 18.5, 3.0), vein("RMPV", 9.0, 0.0)]
    after["fits"][0] |= {"sealed": False, "depth_mm": -8.5}
    after["corrections"] = [{"vein": "LSPV", "what": "moved", "who": "<i>me</i>", "why": "so"}]
    return before, after


def told(changes, vein, quantity, balloon=""):
    (one,) = (c for c in changes if (c.vein, c.quantity, c.balloon) == (vein, quantity, balloon))
    return one.before, one.after, one.change


def test_each_quantity_stands_beside_its_other(documents):
    changes = case_changes(*documents)
    assert told(changes, "LSPV", "d_max_mm") == ("20.0", "18.5", "-1.5")
    assert told(changes, "LSPV", "d_min_mm") == ("10.0", "10.0", "+0.0")
    assert told(changes, "LSPV", "takeoff_wall_deg") == ("", "", "")
    assert told(changes, "LSPV", "ostium_distance_mm") == ("", "", "3.0")
    assert told(changes, "LSPV", "sealed", "28 mm") == ("true", "false", "")
    assert told(changes, "LSPV", "depth_mm", "28 mm") == ("-10.0", "-8.5", "+1.5")
    assert told(changes, "LSPV", "leak_width_mm", "28 mm") == ("", "", "")


def test_what_one_result_alone_has_stands_beside_nothing(documents):
    changes = case_changes(*documents)
    assert told(changes, "LIPV", "d_max_mm") == ("15.0", "", "")
    assert told(changes, "RMPV", "d_max_mm") == ("", "9.0", "")


def test_what_differs_besides_is_named(documents):
    before, after = documents
    assert case_differences(before, after) == ()
    after["run"]["settings"]["seating"]["push_n"]["value"] = 2.0
    after["run"]["inputs"][0]["sha256"] = "b"
    said = case_differences(before, after)
    assert said[0] == "setting seating.push_n: 1.5 and 2.0" and "input files" in said[1]


def test_the_page_tells_all_and_runs_nothing(documents):
    page = changes_page(*documents)
    assert "Larkmoor &lt;1&gt;" in page and "&lt;i&gt;me&lt;/i&gt;" in page
    assert "<i>" not in page and "<script" not in page
    assert "<strong>18.5</strong>" in page and "-1.5" in page


def test_the_command_writes_and_prints(documents, tmp_path, capfd):
    for name, document in zip(("a", "b"), documents, strict=True):
        (tmp_path / name).mkdir()
        (tmp_path / name / "case.json").write_text(json.dumps(document))
    out = tmp_path / "out"
    command = ["changes", str(tmp_path / "a"), str(tmp_path / "b"), "--out", str(out)]
    assert main(command) == 0
    printed = capfd.readouterr().out
    assert (
        "d_max_mm" in printed and "18.5" in printed and "d_min_mm" not in printed.split("LIPV")[0]
    )
    with (out / "changes.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == CHANGE_COLUMNS
    assert [r["change"] for r in rows if r["quantity"] == "d_max_mm"] == ["-1.5", "", ""]
    assert (out / "changes.html").is_file()
    assert main(["changes", str(tmp_path / "a"), str(tmp_path)]) == 2
