"""The whole job from Python: what it gives, what it writes, and what it survives."""

from __future__ import annotations

import csv
import dataclasses
import json
import re
import tomllib
from pathlib import Path

import atria
import jsonschema
import numpy as np
import pytest
import whole as whole_job

import veinfit
from veinfit import case
from veinfit.case import assessing, read_case, writing
from veinfit.errors import InputError
from veinfit.io.inputs.meshes import read_mesh
from veinfit.io.results.document import case_schema
from veinfit.notes import Note
from veinfit.report.answers.parts import case_notes
from veinfit.report.model import Report
from veinfit.result.fit_rows import FIT_COLUMNS
from veinfit.result.vein_rows import VEIN_COLUMNS
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.surface.mesh import TABLES as TABLES_KEPT
from veinfit.surface.mesh import edges

FEW = Settings.from_mapping(tomllib.loads(whole_job.FEW))
"""As in the whole job."""

SEATS = Settings.from_mapping(
    {"margin": {"samples": 0}, "seating": {"crossing_map": False, "growth_in_place": False}}
)
"""Settings for tests of what is about the nominal seats alone."""

TABLES = {
    "veins.csv",
    "sections.csv",
    "ridges.csv",
    "fits.csv",
    "leaks.csv",
    "clock.csv",
    "aims.csv",
    "growth.csv",
    "expected.csv",
    "comparisons.csv",
    "plans.csv",
    "crossings.csv",
    "label_ostia.csv",
}
PAGES = {"report.html", "report.pdf", "viewer.html"}


@pytest.fixture(scope="module")
def mesh(whole) -> Path:
    return whole.mesh


@pytest.fixture(scope="module")
def result(whole) -> case.CaseResult:
    return whole.result


@pytest.fixture(scope="module")
def written(whole) -> Path:
    """The folder of the whole case, pictures and report included."""
    return whole.folder


@pytest.fixture
def same_anatomy(result, monkeypatch) -> None:
    """Take the anatomy as found before: for tests of what comes after it."""
    monkeypatch.setattr(assessing, "find_anatomy", lambda *_, **__: result.anatomy)


@pytest.fixture
def one_vein(result, monkeypatch) -> None:
    """Take the anatomy as found before, with its first vein alone."""
    alone = dataclasses.replace(result.anatomy, veins=result.anatomy.veins[:1])
    monkeypatch.setattr(assessing, "find_anatomy", lambda *_, **__: alone)


def rows(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_vein_meets_every_balloon(result):
    veins = [vein.name for vein in result.anatomy.veins]
    assert veins == ["LSPV", "LIPV", "RSPV", "RIPV"]
    told = [(fit.vein, fit.balloon, fit.approach) for fit in result.fits]
    assert told == [(v, b, "transseptal") for v in veins for b in ("28 mm", "31 mm")]
    assert all(fit.outcome == "seated" for fit in result.fits)


def test_stages_are_told_in_order(whole):
    stages = whole.stages
    kinds = list(dict.fromkeys(stage.split(":")[0] for stage in stages))
    assert kinds == ["reading the input", "anatomy", "seating"]
    places = ("LSPV", "LIPV", "RSPV", "RIPV", "places of the septal crossing")
    assert stages[-5:] == [f"seating: {place}" for place in places]


def test_files_and_record(whole, written):
    files = sorted(p.relative_to(written).as_posix() for p in written.rglob("*.*"))
    assert sorted(whole.files) == files
    assert {
        *TABLES,
        "case.json",
        "report.html",
        "report.pdf",
        "viewer.html",
        "pictures/overview.png",
    } <= set(files)
    assert len([f for f in files if re.fullmatch(r"pictures/[LR][SI]PV-.*\.png", f)]) == 8

    document = json.loads((written / "case.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, case_schema(), jsonschema.Draft202012Validator)
    assert document["files"] == files
    stated = {"id": "Larkmoor 0", "cardiac_phase": "75 %", "image_date": "2026-01-31"}
    assert document["case"] == stated
    assert [b["name"] for b in document["run"]["balloons"]] == ["28 mm", "31 mm"]

    veins, fits = rows(written, "veins.csv"), rows(written, "fits.csv")
    assert list(veins[0]) == list(VEIN_COLUMNS)
    assert list(fits[0]) == list(FIT_COLUMNS)
    names = {row["vein"] for row in veins}
    assert {row["vein"] for row in rows(written, "sections.csv")} == names
    leaking = {(r["vein"], r["balloon"]) for r in fits if r["occluded"] == "false"}
    assert {(r["vein"], r["balloon"]) for r in rows(written, "leaks.csv")} == leaking
    all_fits = {(r["vein"], r["balloon"]) for r in fits}
    assert {(r["vein"], r["balloon"]) for r in rows(written, "clock.csv")} == all_fits


def test_nothing_written_names_the_patient(written, mesh):
    for path in written.rglob("*.*"):
        content = path.read_bytes()
        assert b"Surname" not in content, path.name
        assert str(mesh.parent).encode() not in content, path.name


def test_report_stands_alone(written):
    page = (written / "report.html").read_text(encoding="utf-8")
    assert "Larkmoor 0" in page
    sources = re.findall(r"""(?:src|href)\s*=\s*["']([^"']*)""", page)
    assert any(s.startswith("data:image/") for s in sources)
    # The 3D view beside it is pointed to and not needed.
    assert all(s.startswith(("data:", "#")) or s == "viewer.html" for s in sources)
    assert not re.search(r"https?://(?!www\.w3\.org/)", page)


def test_a_finished_case_is_loaded_as_it_was(result, written):
    loaded = case.load_case(written)
    assert loaded.provenance == result.provenance and loaded.settings == result.settings
    assert loaded.all_notes == result.all_notes
    assert np.abs(loaded.anatomy.wall.points - result.anatomy.wall.points).max() < 6e-4
    assert np.array_equal(loaded.anatomy.wall.faces, result.anatomy.wall.faces)
    for was, now in zip(result.fits, loaded.fits, strict=True):
        assert (now.vein, now.balloon, now.depth_mm, now.leak_width_mm, now.leaks[:0]) == (
            was.vein, was.balloon, was.depth_mm, was.leak_width_mm, ()
        )  # fmt: skip
        assert np.allclose(now.patch_gap_mm, was.patch_gap_mm, atol=6e-4, equal_nan=True)


@pytest.mark.parametrize("name", ["nothing", "case.json"])
def test_what_is_no_finished_case_is_told(written, tmp_path, name):
    place = tmp_path if name == "nothing" else written / name
    with pytest.raises(veinfit.InputError, match=r"pass (a|the) folder that assess wrote"):
        case.load_case(place)


@pytest.mark.slow
def test_another_process_gives_the_same_bytes(whole, by_command):
    """With more or fewer threads, in another locale, from a file of another name."""
    names = sorted(p.relative_to(whole.folder) for p in whole.folder.rglob("*.*"))
    assert len(names) == 27
    assert sorted(p.relative_to(by_command.folder) for p in by_command.folder.rglob("*.*")) == names
    for name in names:
        assert (by_command.folder / name).read_bytes() == (whole.folder / name).read_bytes(), name


@pytest.mark.slow
def test_stated_frame_and_unit_give_the_same_case(result, mesh, tmp_path, monkeypatch):
    surface = read_mesh(mesh)
    turned = Surface(surface.points * [-1.0, -1.0, 1.0], surface.faces)
    path = atria.save_mesh(turned, tmp_path / "ras_cm.ply", scale=0.1)
    seat_vein = assessing.seat_vein

    def first_alone(anatomy, vein, *more):
        return seat_vein(anatomy, vein, *more) if vein.name == "LSPV" else ()

    monkeypatch.setattr(assessing, "seat_vein", first_alone)
    other = case.assess(path, settings=SEATS, frame="ras", unit="cm", balloons=[28])
    for a, b in zip(result.anatomy.veins, other.anatomy.veins, strict=True):
        assert a.name == b.name
        # Single precision in the file: 1e-5 mm in a vertex.
        np.testing.assert_allclose(a.ostium.centre, b.ostium.centre, atol=0.02)
        np.testing.assert_allclose(
            a.ostium.measures.d_max_mm, b.ostium.measures.d_max_mm, atol=0.02
        )
    (a,) = [f for f in result.fits if (f.vein, f.balloon) == ("LSPV", "28 mm")]
    (b,) = other.fits
    assert a.depth_mm == pytest.approx(b.depth_mm, abs=0.05)
    assert a.occluded == b.occluded


def test_landmarks_become_columns(one_vein, result, mesh, tmp_path):
    assert result.anatomy.septum.source == "estimated"
    septum = ",".join(map(str, result.anatomy.septum.point))
    (tmp_path / "marks.csv").write_text(
        f"name,x_mm,y_mm,z_mm\noesophagus,0,60,0\noesophagus,0,60,40\nseptal_crossing,{septum}\n"
    )
    told = case.assess(mesh, settings=SEATS, landmarks=tmp_path / "marks.csv", balloons=[28])
    case.write_case(told, tmp_path / "case", pictures=False, report=False)
    distances = [float(r["distance_oesophagus_mm"]) for r in rows(tmp_path / "case", "fits.csv")]
    assert len(distances) == 1
    assert all(0.0 <= d < 120.0 for d in distances)
    # The place where the sheath crosses the septum is no neighbour.
    assert set(told.structures) == {"oesophagus"}
    assert [note.subject for note in told.notes] == ["septal_crossing"]
    assert told.anatomy.septum.source == "landmark"


def test_a_size_given_twice_counts_once_and_the_page_says_so(one_vein, mesh):
    told = case.assess(mesh, settings=SEATS, balloons=[28, "28 mm"])
    assert [fit.balloon for fit in told.fits] == ["28 mm"]
    text = "the balloon 28 mm is given twice and counts once"
    assert text in {note.text for note in case_notes(Report(told))}


def test_a_failing_vein_leaves_the_others(same_anatomy, result, mesh, monkeypatch):
    whole = assessing.seat_vein

    def failing(anatomy, vein, balloons, *more):
        if vein.name == "LIPV" and any(b.name == "31 mm" for b in balloons):
            raise ZeroDivisionError("no\nwall")
        if vein.name.startswith("R"):
            return tuple(
                fit for fit in result.fits
                if fit.vein == vein.name and fit.balloon in {b.name for b in balloons}
            )  # fmt: skip
        return whole(anatomy, vein, balloons, *more)

    monkeypatch.setattr(assessing, "seat_vein", failing)
    told = case.assess(mesh, settings=SEATS)
    (failed,) = told.unassessed
    assert (failed.vein, failed.balloon, failed.approach) == ("LIPV", "31 mm", "transseptal")
    assert failed.reason == "the seating failed: ZeroDivisionError: no wall"
    assert failed.notes[0] in told.all_notes
    assert failed.notes[0].severity == "caution"
    assert len(told.fits) == len(result.fits)
    for a, b in zip(result.fits, told.fits, strict=True):
        if b is not failed and b.vein != "LIPV":
            assert a.depth_mm == b.depth_mm
    kept = next(f for f in told.fits if (f.vein, f.balloon) == ("LIPV", "28 mm"))
    assert kept.outcome == "seated"


@pytest.mark.slow
def test_a_vein_that_could_not_be_measured_is_not_lost(result, mesh, tmp_path, monkeypatch):
    told = Note("ostium", "RIPV is not measured: no section", "RIPV", "caution")
    lost = dataclasses.replace(
        result.anatomy,
        veins=result.anatomy.veins[:3],
        unmeasured={"RIPV": "no section"},
        notes=(told,),
    )
    monkeypatch.setattr(assessing, "find_anatomy", lambda *_, **__: lost)
    told = case.assess(mesh, settings=SEATS)
    assert [(f.vein, f.balloon) for f in told.unassessed] == [("RIPV", "28 mm"), ("RIPV", "31 mm")]
    case.write_case(told, tmp_path / "case", pictures=False)
    last = rows(tmp_path / "case", "fits.csv")[-1]
    assert (last["vein"], last["outcome"]) == ("RIPV", "not assessed")
    assert last["reason"] == "not measured: no section"
    page = (tmp_path / "case" / "report.html").read_text(encoding="utf-8")
    assert "RIPV is not measured: no section" in page


@pytest.mark.slow
def test_a_case_without_pictures_is_still_a_case(result, tmp_path, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("no canvas")

    monkeypatch.setattr(writing, "draw_pictures", broken)
    told = case.write_case(result, tmp_path / "case")
    assert set(told.files) == {
        *TABLES,
        "case.json",
        "case.npz",
        "report.html",
        "report.pdf",
        "viewer.html",
    }
    assert told.notes[0].severity == "caution"
    document = json.loads((tmp_path / "case" / "case.json").read_text(encoding="utf-8"))
    assert any("no pictures could be drawn: RuntimeError" in n["text"] for n in document["notes"])
    assert "no canvas" in (tmp_path / "case" / "report.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_later_run_replaces_an_earlier_one(result, tmp_path):
    out = tmp_path / "case"
    case.write_case(dataclasses.replace(result, fits=result.fits[:1]), out)
    (out / "remarks.txt").write_text("mine")
    files = case.write_case(result, out, pictures=False, report=False).files
    left = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert left == {*files, "remarks.txt"}
    assert set(files) == {*TABLES, "case.json", "case.npz"}


@pytest.mark.slow
def test_tables_of_surfaces_are_forgotten_while_files_are_written(result, tmp_path, monkeypatch):
    """They take a tenth of a job's memory, and drawing and writing need them no more."""
    patches = [fit.patch for fit in result.fits if fit.patch is not None]
    shown = [result.anatomy.wall, result.anatomy.lumen, *patches]
    for surface in shown:
        assert len(edges(surface)[0]) and len(surface.by_corner)
    kept = {}

    def look(name, then):
        def looked(*given):
            kept[name] = {
                table for one in shown for table in TABLES_KEPT if one.kept(table) is not None
            }
            return then(*given)

        monkeypatch.setattr(writing, name, looked)

    look("case_tables", writing.case_tables)
    look("archived", writing.archived)
    case.write_case(result, tmp_path / "case", pictures=False)
    assert kept == {"case_tables": set(), "archived": set()}


@pytest.mark.slow
def test_a_failing_writer_leaves_the_earlier_run(result, tmp_path, monkeypatch):
    out = tmp_path / "case"
    case.write_case(result, out, pictures=False)
    before = {p: p.read_bytes() for p in out.iterdir()}

    def broken(*_):
        raise ValueError("no page")

    monkeypatch.setattr(writing, "write_page", broken)
    with pytest.raises(ValueError, match="no page"):
        case.write_case(result, out, pictures=False)
    assert {p: p.read_bytes() for p in out.iterdir()} == before


@pytest.mark.slow
def test_a_correction_changes_its_vein_and_leaves_the_other_fits(
    same_anatomy, result, mesh, tmp_path
):
    path = tmp_path / "reader.toml"
    path.write_text(
        '[[correction]]\nvein = "RSPV"\nshift_mm = 2.0\nwho = "reader <b>2</b>"\nwhy = "seen so"\n'
    )
    corrected = case.assess(mesh, settings=FEW, corrections=path, balloons=[28])
    assert corrected.anatomy.septum.entry_source == "estimated"
    of_one_size = [fit for fit in result.fits if fit.balloon == "28 mm"]
    for before, after in zip(of_one_size, corrected.fits, strict=True):
        assert (before.vein, before.balloon) == (after.vein, after.balloon)
        assert (after.depth_mm == before.depth_mm) == (after.vein != "RSPV")
        assert (after.margin == before.margin) == (after.vein != "RSPV")
    out = case.write_case(corrected, tmp_path / "out", pictures=False).folder
    document = json.loads((out / "case.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, case_schema(), jsonschema.Draft202012Validator)
    (record,) = document["corrections"]
    assert (record["who"], record["why"]) == ("reader <b>2</b>", "seen so")
    old, new = {r["vein"]: r for r in document["anatomy"]["veins"]}, record
    assert new["corrected"]["d_area_mm"] == old["RSPV"]["d_area_mm"]
    assert new["automatic"]["d_area_mm"] > new["corrected"]["d_area_mm"]
    assert "corrections" in [item["role"] for item in document["run"]["inputs"]]
    (told,) = (row["notes"] for row in rows(out, "veins.csv") if row["vein"] == "RSPV")
    assert "seen so" in told
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Corrected by hand" in page and "reader &lt;b&gt;2&lt;/b&gt;" in page
    assert f"{new['automatic']['d_area_mm']:.1f} → {new['corrected']['d_area_mm']:.1f}" in page


@pytest.mark.slow
def test_a_dropped_vein_leaves_the_tables_of_the_others_as_they_were(
    same_anatomy, result, mesh, tmp_path
):
    path = tmp_path / "reader.toml"
    path.write_text(
        '[[correction]]\nvein = "LIPV"\ndrop = true\nwho = "reader 2"\nwhy = "a bulge"\n'
    )
    dropped = case.assess(mesh, settings=FEW, corrections=path)
    before = case.write_case(result, tmp_path / "before", pictures=False, report=False).folder
    after = case.write_case(dropped, tmp_path / "after", pictures=False, report=False).folder
    for name in ("veins.csv", "sections.csv", "fits.csv", "leaks.csv", "clock.csv"):
        kept = [row for row in rows(before, name) if row["vein"] != "LIPV"]
        assert kept == rows(after, name), name
    # What the program held against a vein that is none is no news any more.
    about = [note for note in dropped.anatomy.notes if note.subject == "LIPV"]
    assert [note.stage for note in about] == ["corrections"]


def test_settings_as_a_value_or_a_file(one_vein, mesh, tmp_path):
    (tmp_path / "s.toml").write_text("[seating]\ngreatest_push_n = 0.5\n[margin]\nsamples = 0\n")
    softly = Settings.from_mapping({"seating": {"greatest_push_n": 0.5}, "margin": {"samples": 0}})
    by_file = case.assess(mesh, settings=tmp_path / "s.toml", balloons=["28"])
    by_value = case.assess(mesh, settings=softly, balloons=[28.0])
    assert by_file.settings == by_value.settings == softly
    assert [f.depth_mm for f in by_file.fits] == [f.depth_mm for f in by_value.fits]
    assert [f.role for f in by_file.provenance.inputs] == ["input", "settings"]
    assert [f.role for f in by_value.provenance.inputs] == ["input"]


def test_notes_are_collected_once(result):
    note = Note("input", "said twice")
    twice = dataclasses.replace(result, notes=(note, note))
    assert twice.all_notes.count(note) == 1
    for vein in result.anatomy.veins:
        assert set(vein.notes) <= set(twice.all_notes)


def test_public_names_are_loaded_on_demand():
    assert veinfit.assess is case.assess
    assert set(veinfit.__all__) <= set(dir(veinfit))
    assert re.fullmatch(r"\d+\.\d+\.\d+.*", veinfit.__version__)
    with pytest.raises(AttributeError, match="nonsense"):
        _ = veinfit.nonsense


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("septal_crosing", "septal_crossing"),
        ("Septal_Crossing", "septal_crossing"),
        ("septal crossing", "septal_crossing"),
        ("inferior_vena_cave", "inferior_vena_cava"),
    ],
)
def test_a_place_that_is_written_with_a_slip_is_no_structure(tmp_path, name, near):
    marks = tmp_path / "marks.csv"
    marks.write_text(f"name,x_mm,y_mm,z_mm\n{name},0,0,0\n")
    with pytest.raises(InputError, match=rf"marks\.csv: '{name}' is nearly '{near}'; write it so"):
        read_case(tmp_path / "gone.ply", landmarks=marks)
    # Beside the place itself it is another thing, and so is what is farther from it.
    marks.write_text(f"name,x_mm,y_mm,z_mm\n{name},0,0,0\n{near},0,0,0\n")
    with pytest.raises(InputError, match=r"gone\.ply does not exist"):
        read_case(tmp_path / "gone.ply", landmarks=marks)
    marks.write_text("name,x_mm,y_mm,z_mm\nsuperior_vena_cava,0,0,0\nseptum,0,0,0\n")
    with pytest.raises(InputError, match=r"gone\.ply does not exist"):
        read_case(tmp_path / "gone.ply", landmarks=marks)
