"""Corrections that say on which input they were made: another one is told before all else.

No outside source: an invented atrium, the same one moved by a millimetre, their hashes by hashlib.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from pathlib import Path

import atria
import few_tries
import pytest

from veinfit import case
from veinfit.anatomy.corrections.apply import Correction
from veinfit.cli import main
from veinfit.errors import InputError
from veinfit.io.inputs.corrections import read_corrections
from veinfit.io.results.corrections_text import corrections_text
from veinfit.io.results.provenance import input_files
from veinfit.result.input_mark import InputMark, corrections_doubt, input_mark
from veinfit.surface import Surface

QUICK = tomllib.loads(few_tries.NO_MARGIN)
MOVED = Correction("RSPV", "reader 2", "seen so", shift_mm=1.0)
GONE = Correction("RMPV", "reader 2", "seen so", shift_mm=1.0)


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("inputs")
    surface = atria.open_surface()
    atria.save_mesh(surface, folder / "a.ply")
    atria.save_mesh(Surface(surface.points + 1.0, surface.faces), folder / "b.ply")
    (folder / "renamed.ply").write_bytes((folder / "a.ply").read_bytes())
    return folder


def mark(path: Path, frame: str = "lps", unit: str = "mm") -> InputMark:
    return InputMark(hashlib.sha256(path.read_bytes()).hexdigest(), frame, unit)


@pytest.fixture
def made_on(tmp_path):
    def write(what: InputMark | None, *corrections: Correction) -> Path:
        path = tmp_path / "c.toml"
        path.write_text(corrections_text(corrections or (MOVED,), "Larkmoor", what))
        return path

    return write


@pytest.fixture
def no_seats(monkeypatch):
    monkeypatch.setattr("veinfit.case.assessing._seat", lambda *_: ())


def assessed(mesh: Path, corrections):
    return case.assess(
        mesh, corrections=corrections, settings=QUICK, balloons=[28], approach="coaxial"
    )


def doubts(result) -> list[str]:
    return [note.text for note in result.all_notes if note.severity == "warning"]


@pytest.mark.slow
def test_another_input_is_told_and_the_same_under_another_name_is_not(no_seats, files, made_on):
    other, own = mark(files / "b.ply"), mark(files / "a.ply")
    path = made_on(other)
    foreign = assessed(files / "a.ply", path)
    (told,) = doubts(foreign)
    assert foreign.all_notes[0].text == told
    assert other.sha256[:12] in told and own.sha256[:12] in told and "in the review" in told
    # In memory too, and it is followed: the heart may be the same.
    assert doubts(assessed(files / "a.ply", read_corrections(path))) == [told]
    (one,) = foreign.anatomy.corrections
    assert one.vein == "RSPV" and one.corrected is not None
    for known in (own, None):
        assert doubts(assessed(files / "renamed.ply", made_on(known))) == []


@pytest.mark.slow
def test_it_comes_first_on_the_terminal_in_case_json_and_on_the_report(
    no_seats, files, made_on, tmp_path, capsys
):
    (tmp_path / "s.toml").write_text(few_tries.NO_MARGIN)
    asked = ["assess", files / "a.ply", "--corrections", made_on(mark(files / "b.ply")), "--out",
             tmp_path / "out", "--settings", tmp_path / "s.toml", "--balloon", "28", "--approach",
             "coaxial", "--no-pictures"]  # fmt: skip
    assert main([str(one) for one in asked]) == 0
    first = capsys.readouterr().out.splitlines()[0]
    assert first.startswith("WARNING: the corrections by hand were made on another input")
    told = first.removeprefix("WARNING: ")
    document = json.loads((tmp_path / "out" / "case.json").read_text(encoding="utf-8"))
    assert told in [n["text"] for n in document["notes"] if n["severity"] == "warning"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert page.index(told) < page.index("RSPV")


@pytest.mark.slow
def test_a_vein_that_is_not_there_is_refused_with_the_other_input(files, made_on):
    path = made_on(mark(files / "b.ply"), GONE)
    with pytest.raises(InputError) as refused:
        assessed(files / "a.ply", path)
    said = str(refused.value)
    assert said.startswith(f"corrections {path}: RMPV is no vein of this case; found were ")
    assert "were made on another input" in said and "\n" not in said


@pytest.mark.parametrize("other", [("ras", "mm"), ("lps", "cm")])
def test_one_input_read_otherwise_is_told(files, other):
    note = corrections_doubt(mark(files / "a.ply", *other), mark(files / "a.ply"))
    assert note.severity == "warning"
    assert f"read as {other[0].upper()} in {other[1]}, and it is now read as LPS in mm" in note.text


def test_a_header_stands_for_its_data_too(tmp_path):
    """Labels drawn anew keep the bytes of their header."""
    header, data = tmp_path / "a.mhd", tmp_path / "a.raw"
    header.write_text("ElementDataFile = a.raw\n")
    marks = []
    for content in (b"\0", b"\1"):
        data.write_bytes(content)
        marks.append(input_mark(input_files("input", header), "lps", "mm"))
    assert marks[0] != marks[1]
    # What else goes into the case does not count.
    more = (*input_files("input", header), *input_files("label volume", data))
    assert input_mark(more, "lps", "mm") == marks[1]


def test_one_file_goes_by_the_hash_that_case_json_has(files):
    told = input_files("input", files / "a.ply")
    assert input_mark(told, "lps", "mm") == mark(files / "a.ply")
