"""The command on real meshes: the rows of a cohort are those of the single cases."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from types import SimpleNamespace

import pyarrow.parquet as pq
import pytest

from veinfit.case import assess
from veinfit.cli import main
from veinfit.cohort.batch.rows import TABLES, case_rows, plain_rows, schema
from veinfit.commands.cohort.run import _missing as in_one_line
from veinfit.commands.cohort.run import _summary as summary_of
from veinfit.notes import Note

QUICK = "[margin]\nsamples = 4\nchains_per_patient = 2\n"
SAMPLES = Path(__file__).parents[3] / "sample_meshes"
BY_HAND = SAMPLES / "larkmoor-01.corrections.toml"


def test_cases_in_doubt_are_told_at_the_end(folder, run, tmp_path, capsys):
    inputs = folder(["good-1", *(f"doubted-{k:02d}" for k in range(22))])
    outcome = run(inputs, tmp_path / "out")
    assert (outcome.cases, outcome.warned_cases, len(outcome.warned)) == (23, 22, 20)
    told = summary_of(outcome, tmp_path / "out")
    assert "22 with a warning that puts the whole case in doubt:\n  doubted-00: the frame" in told
    assert "and 2 more, in" in told
    assert in_one_line(outcome).startswith("22 with a warning that puts the whole case in doubt: ")
    assert "doubted-00, " in in_one_line(outcome) and "good-1" not in told
    # Gone on with, the run says it again; a cohort without a doubt is silent.
    assert run(inputs, tmp_path / "out").warned_cases == 22
    for path in inputs.glob("doubted*"):
        path.unlink()
    assert in_one_line(run(inputs, tmp_path / "out")) == ""


def test_cases_that_are_no_longer_among_the_inputs_are_told(folder, run, tmp_path):
    """Their rows went without a word where a run was given a part of the list."""
    inputs = folder([f"good-{k}" for k in range(9)])
    assert run(inputs, tmp_path / "out").dropped == ()
    for k in (1, 6):
        (inputs / f"good-{k}.stl").unlink()
    (inputs / "good-7.stl").rename(inputs / "renamed.stl")
    outcome = run(inputs, tmp_path / "out")
    assert (outcome.cases, outcome.worked) == (7, 1)
    assert outcome.dropped == ("good-1", "good-6", "good-7")
    told = summary_of(outcome, tmp_path / "out")
    assert "3 cases of the run before are not among the inputs now" in told
    assert "taken out: good-1, good-6, good-7\n" in told
    # Told once: they are gone.
    again = run(inputs, tmp_path / "out")
    assert again.dropped == () and "run before" not in summary_of(again, tmp_path / "out")


def test_warnings_of_a_case_stand_apart_from_its_cautions():
    notes = (Note("names", "turned", severity="warning"), Note("ostium", "soft", "LSPV", "caution"))
    anatomy = SimpleNamespace(veins=(), corrections=(), ridges=(), unmeasured={})
    result = SimpleNamespace(
        provenance=SimpleNamespace(case_id="one", cardiac_phase=None), structures=(),
        unassessed=(), all_notes=notes, anatomy=anatomy, fits=(),
    )  # fmt: skip
    (row,) = case_rows(result)["cases"]
    assert (row["cautions"], row["warnings"]) == ("turned | LSPV: soft", "turned")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """Two meshes and a file that is none, as a list."""
    folder = tmp_path_factory.mktemp("cohort")
    marks = folder / "marks.csv"
    marks.write_text("name,x_mm,y_mm,z_mm\noesophagus,50,90,0\noesophagus,50,90,40\n")
    (folder / "broken.stl").write_bytes(b"solid nothing")
    (folder / "list.csv").write_text(
        "case,input,landmarks,phase,corrections\n"
        f"one,{SAMPLES / 'larkmoor-01.ply'},marks.csv,45 %,{BY_HAND}\n"
        f"two,{SAMPLES / 'larkmoor-02.stl'},,,\n"
        "broken,broken.stl,,,\n"
    )
    (folder / "quick.toml").write_text(QUICK)
    out = folder / "out"
    command = ["cohort", "run", str(folder / "list.csv"), "--out", str(out), "--csv"]
    command += ["--settings", str(folder / "quick.toml")]
    code = main([*command, "--balloon", "28", "--workers", "1", "--quiet"])
    return code, out, marks


@pytest.mark.slow
def test_exit_code_says_that_a_case_failed(done):
    assert done[0] == 3


@pytest.mark.slow
def test_cases(done):
    rows = {row["case"]: row for row in pq.read_table(done[1] / "cases").to_pylist()}
    assert {name: row["status"] for name, row in rows.items()} == {
        "one": "done", "two": "done", "broken": "failed",
    }  # fmt: skip
    assert "broken.stl" in rows["broken"]["reason"]
    assert rows["one"]["cardiac_phase"] == "45 %"
    assert rows["one"]["veins"] == 4
    assert rows["one"]["corrections"] == 2
    assert rows["two"]["corrections"] == 0


@pytest.mark.slow
def test_schema_is_fixed(done):
    for table in TABLES:
        for path in (done[1] / table).glob("*.parquet"):
            assert pq.read_schema(path).equals(schema(table)), table
    assert str(schema("veins").field("trunk_at_least").type) == "bool"
    assert str(schema("fits").field("occlusion_grade").type) == "int64"
    assert str(schema("fits").field("leak_width_mm").type) == "double"
    assert str(schema("fits").field("leak_side").type) == "string"
    assert str(schema("leaks").field("leak").type) == "int64"


@pytest.mark.slow
def test_rows_are_those_of_the_case_alone(done):
    _, out, marks = done
    result = assess(
        SAMPLES / "larkmoor-01.ply",
        landmarks=marks,
        corrections=BY_HAND,
        settings=out.parent / "quick.toml",
        balloons=(28,),
        case_id="one",
        phase="45 %",
    )
    alone = json.loads(json.dumps(case_rows(result)))
    for table in TABLES:
        rows = plain_rows(table, pq.read_table(out / table))
        mine = [row for row in rows if row["case"] == "one"]
        for row in mine:
            row.pop("key", None)
        if table == "cases":
            # Of places of the septal crossing no table tells, and none is looked at.
            (ours,), (theirs,) = mine, alone[table]
            fewer, more = (set(row.pop("cautions").split(" | ")) for row in (ours, theirs))
            assert fewer < more
            assert all("the places compared on the septal wall" in one for one in more - fewer)
        assert mine == alone[table], table
    assert alone["fits"][0]["distances_mm"]["oesophagus"] > 0
    assert len(alone["fits"][0]["occluded_given_patient"]) == 2
    assert 0.0 <= alone["fits"][0]["occlusion_probability"] <= 1.0
    narrowest = min(r.width_mm for r in result.anatomy.ridges if "LIPV" in (r.start, r.end))
    (lipv,) = (row for row in alone["veins"] if row["vein"] == "LIPV")
    assert lipv["ridge_mm"] == pytest.approx(narrowest, abs=5e-4)


@pytest.mark.slow
def test_csv_files_say_the_same(done):
    with (done[1] / "fits.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    fits = pq.read_table(done[1] / "fits").to_pylist()
    assert [(r["case"], r["vein"]) for r in rows] == [(f["case"], f["vein"]) for f in fits]
    for row, fit in zip(rows, fits, strict=True):
        assert float(row["depth_mm"]) == fit["depth_mm"]
        near = dict(fit["distances_mm"]).get("oesophagus")
        assert row["distance_oesophagus_mm"] == ("" if near is None else f"{near:.3f}")
    assert len((done[1] / "cases.csv").read_text().splitlines()) == 4


@pytest.mark.slow
def test_going_on_finds_all_done_and_says_so(done, capsys, monkeypatch):
    _, out, _ = done
    command = ["cohort", "run", str(out.parent / "list.csv"), "--out", str(out), "--balloon", "28"]
    assert main([*command, "--settings", str(out.parent / "quick.toml")]) == 3
    told = capsys.readouterr().out
    assert "3 cases, 0 of them computed now" in told
    assert "1 failed:\n  broken: " in told
    assert "not a medical device" in told
    quiet = [*command, "--settings", str(out.parent / "quick.toml"), "--quiet"]
    assert main(quiet) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == f"veinfit: 1 failed: broken; see {out / 'cases'}\n"


@pytest.mark.parametrize(
    "wrong",
    [
        ["--workers", "0"],
        ["--time-limit", "-1"],
        ["--time-limit", "nan"],
    ],
)
def test_numbers_out_of_range(wrong, tmp_path):
    with pytest.raises(SystemExit) as code:
        main(["cohort", "run", str(tmp_path), "--out", str(tmp_path / "out"), *wrong])
    assert code.value.code == 2
