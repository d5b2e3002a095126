"""Two results side by side: the differences are those that were made."""

from __future__ import annotations

import copy
import csv
import json

import pytest
from browser import browser

from veinfit.cli import main
from veinfit.report.page.changes import (
    CHANGE_COLUMNS,
    case_changes,
    case_differences,
    change_headlines,
    changes_page,
    input_caution,
    paired_veins,
)


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
                "inputs": [{"role": "input", "sha256": "a" * 64}],
                "settings": {"seating": {"push_n": {"value": 1.5}}}},
        "anatomy": {"veins": [vein("LSPV", 20.0, 0.0), vein("LIPV", 15.0, 0.0)]},
        "corrections": [], "fits": [fit],
    }  # fmt: skip
    after = copy.deepcopy(before)
    after["anatomy"]["veins"] = [vein("LSPV", 18.5, 3.0), vein("RMPV", 9.0, 40.0)]
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


def test_a_vein_renamed_by_hand_stands_beside_itself(documents):
    before, after = documents
    after["anatomy"]["veins"] = [vein("LIPV", 20.0, 0.0), vein("LSPV", 15.0, 0.0)]
    after["fits"][0]["vein"] = "LIPV"
    after["corrections"] = [
        {"vein": a, "what": "", "who": "", "why": "", "automatic": vein(a, 1.0, 0.0),
         "corrected": vein(b, 1.0, 0.0)}
        for a, b in (("LSPV", "LIPV"), ("LIPV", "LSPV"))
    ]  # fmt: skip
    assert paired_veins(before, after) == (("LSPV", "LIPV"), ("LIPV", "LSPV"))
    changes = case_changes(before, after)
    assert told(changes, "LIPV", "d_max_mm") == ("20.0", "20.0", "+0.0")
    assert told(changes, "LIPV", "sealed", "28 mm") == ("true", "false", "")
    (one,) = (c for c in changes if (c.vein, c.quantity) == ("LIPV", "d_max_mm"))
    assert one.vein_before == "LSPV"
    assert "LIPV: called LSPV before." in change_headlines(changes, before, after)


def test_a_vein_of_another_name_at_one_place_is_the_same_in_one_input_alone(documents):
    before, after = documents
    after["anatomy"]["veins"][1] = vein("extra-1", 15.0, 4.0)
    assert ("LIPV", "extra-1") in paired_veins(before, after)
    after["run"]["inputs"][0]["sha256"] = "b" * 64  # another phase, perhaps another frame
    assert ("LIPV", "") in paired_veins(before, after)


def test_predictions_lead_with_their_intervals(documents):
    before, after = documents
    for document, middle in ((before, 0.8), (after, 0.3)):
        document["fits"][0] |= {
            "seal_probability": middle, "seal_probability_low": middle - 0.1,
            "seal_probability_high": middle + 0.1,
        }  # fmt: skip
    after["corrections"].append(
        {"vein": "LIPV", "what": "dropped", "who": "", "why": "", "corrected": None}
    )
    first, second, third, *_ = change_headlines(case_changes(before, after), before, after)
    assert first == (
        "LSPV, 28 mm, coaxial: predicted probability of an antral seal in one try 0.30 (0.20 to "
        "0.40), before 0.80 (0.70 to 0.90), intervals apart; nominal seat not sealed, before "
        "sealed."
    )
    assert second.startswith("LSPV: ostium moved by 3.0 mm")
    assert third == "LIPV: dropped by hand."
    page = changes_page(before, after)
    assert page.index("<h2>LSPV</h2>") < page.index("<h2>LIPV</h2>")  # as everywhere
    assert page.index("intervals apart") < page.index("Which results")
    assert "0.30 (0.20 to 0.40)" in page


def test_intervals_that_overlap_are_said_to_and_no_more(documents):
    """Each may lie outside the other's interval, which it was said to lie within."""
    for document, (middle, low, high) in zip(
        documents, ((0.42, 0.25, 0.61), (0.17, 0.09, 0.28)), strict=True
    ):
        document["fits"][0] |= {"seal_probability": middle, "seal_probability_low": low,
                                "seal_probability_high": high, "sealed": True}  # fmt: skip
        other = document["fits"][0] | {"approach": "transseptal"}
        document["fits"].append(other)
    told = change_headlines(case_changes(*documents), *documents)
    for line, approach in zip(told, ("coaxial", "transseptal"), strict=False):
        assert line == (
            f"LSPV, 28 mm, {approach}: predicted probability of an antral seal in one try 0.17 "
            "(0.09 to 0.28), before 0.42 (0.25 to 0.61), intervals overlap."
        )


def test_a_balloon_without_a_seat_is_told_by_what_becomes_of_it(documents):
    before, after = documents
    after["fits"][0] |= {"outcome": "passes through", "sealed": None}
    (line,) = (
        one
        for one in change_headlines(case_changes(before, after), before, after)
        if one.startswith("LSPV, 28 mm")
    )
    assert line == "LSPV, 28 mm, coaxial: nominal seat none (passes through), before sealed."


def test_what_rounds_to_none_has_no_sign(documents):
    before, after = documents
    before["fits"][0]["depth_mm"], after["fits"][0]["depth_mm"] = -0.04, 0.04
    assert told(case_changes(before, after), "LSPV", "depth_mm", "28 mm") == ("0.0", "0.0", "+0.0")


def test_what_differs_besides_is_named(documents):
    before, after = documents
    assert case_differences(before, after) == ()
    after["run"]["settings"]["seating"]["push_n"]["value"] = 2.0
    assert case_differences(before, after) == ("setting seating.push_n: 1.5 and 2.0",)


def test_other_input_files_are_told_before_everything_else(documents, tmp_path, capfd):
    assert input_caution(*documents) == ""
    documents[1]["run"]["inputs"][0]["sha256"] = "b" * 64
    for name, document in zip(("a", "b"), documents, strict=True):
        (tmp_path / name).mkdir()
        (tmp_path / name / "case.json").write_text(json.dumps(document))
    caution = input_caution(*documents)
    assert caution.startswith("The two results are of different input files.")
    assert main(["changes", str(tmp_path / "a"), str(tmp_path / "b")]) == 0
    printed = capfd.readouterr().out
    assert printed.startswith(f"caution: {caution}\n") and printed.count("input files") == 1
    page = changes_page(*documents)
    assert page.index(caution) < page.index("<h2>") and page.count(caution) == 1


def test_the_page_tells_all_and_runs_nothing(documents):
    page = changes_page(*documents)
    assert "Larkmoor &lt;1&gt;" in page and "&lt;i&gt;me&lt;/i&gt;" in page
    assert "<i>" not in page and "<script" not in page
    assert "<strong>18.5</strong>" in page and "−1.5" in page
    assert "Greatest diameter" in page and "d_max_mm" not in page


def test_before_after_and_change_are_seen_on_a_telephone(documents, tmp_path):
    before, after = documents
    # A length with an interval is the widest that stands there.
    for document in (before, after):
        document["fits"][0] |= {"seal_probability": 0.5, "seal_probability_low": 0.25,
                                "seal_probability_high": 0.75}  # fmt: skip
    after["fits"][0] |= {"seal_probability": 0.625}
    page = tmp_path / "changes.html"
    page.write_text(changes_page(before, after), encoding="utf-8")
    with browser() as tab:
        tab.size(400, 800)
        tab.open(page)
        edges = tab.evaluate(
            "[...document.querySelectorAll('section > .wide td, section > .wide th')]"
            ".map(cell => cell.getBoundingClientRect()).filter(box => box.width)"
            ".map(box => [box.left, box.right])"
        )
    assert len(edges) > 20
    assert all(0 <= left < right <= 400 for left, right in edges)


def test_the_command_writes_and_prints(documents, tmp_path, capfd):
    for name, document in zip(("a", "b"), documents, strict=True):
        (tmp_path / name).mkdir()
        (tmp_path / name / "case.json").write_text(json.dumps(document))
    out = tmp_path / "out"
    command = ["changes", str(tmp_path / "a"), str(tmp_path / "b"), "--out", str(out)]
    assert main(command) == 0
    printed = capfd.readouterr().out
    assert (
        "Greatest diameter" in printed
        and "18.5" in printed
        and "Perpendicular" not in printed.split("LIPV")[0]
    )
    with (out / "changes.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == CHANGE_COLUMNS
    assert [r["change"] for r in rows if r["quantity"] == "d_max_mm"] == ["-1.5", "", ""]
    assert (out / "changes.html").is_file()
    assert main(["changes", str(tmp_path / "a"), str(tmp_path)]) == 2
