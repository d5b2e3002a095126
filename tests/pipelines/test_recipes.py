"""The recipes do what their first line says, run as a user runs them."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import atria
import pytest

PIPELINES = Path(__file__).parents[2] / "pipelines"
FEW_TRIES = Path(__file__).parents[1] / "few_tries.py"


def run(recipe: str, *arguments: object) -> str:
    """Run a recipe and return what it prints; fail where it fails."""
    command = [sys.executable, str(FEW_TRIES), str(PIPELINES / recipe), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("atria")
    atria.save_mesh(atria.open_surface(), folder / "a.ply")
    (folder / "broken.STL").write_bytes(b"no mesh")
    (folder / "remarks.txt").write_text("not an atrium")
    return folder


@pytest.mark.slow
def test_pre_case_report(folder, tmp_path):
    (folder / "landmarks.csv").write_text("name,x_mm,y_mm,z_mm\noesophagus,0,60,0\n")
    told = run("pre_case_report.py", folder / "a.ply", tmp_path / "case", "Larkmoor 0")
    assert "seating: LSPV" in told
    assert "Larkmoor 0" in (tmp_path / "case" / "report.html").read_text(encoding="utf-8")
    header = (tmp_path / "case" / "fits.csv").read_text().splitlines()[0]
    assert header.endswith(",distance_oesophagus_mm")


@pytest.mark.slow
def test_fit_picture(folder, tmp_path):
    told = run("fit_picture.py", folder / "a.ply", "LSPV", 28, tmp_path).splitlines()
    picture = Path(told[-1])
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert picture.parent == tmp_path


@pytest.mark.slow
def test_measure_folder(folder, tmp_path):
    told = run("measure_folder.py", folder, tmp_path / "table.csv")
    assert "broken.STL: mesh " in told
    assert told.endswith("1 atria measured\n")
    with (tmp_path / "table.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(r["file"], r["vein"]) for r in rows] == [
        ("a.ply", name) for name in ("LSPV", "LIPV", "RSPV", "RIPV")
    ]
    assert all(5.0 < float(r["d_max_mm"]) < 40.0 for r in rows)


@pytest.mark.parametrize(
    ("recipe", "named"),
    [
        ("pre_case_report.py", ("atrium", "folder", "case_id")),
        ("fit_picture.py", ("atrium", "vein", "diameter_mm", "folder")),
        ("measure_folder.py", ("folder", "table")),
    ],
)
def test_a_recipe_says_how_it_is_used(recipe, named):
    for arguments, code in (((), 2), (("--help",), 0)):
        command = [sys.executable, str(PIPELINES / recipe), *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        told = done.stderr if code else done.stdout
        assert done.returncode == code and told.startswith(f"usage: {recipe}")
        assert all(name in told for name in named) and "Traceback" not in told


def test_recipes_are_short():
    for path in PIPELINES.glob("*.py"):
        assert len(path.read_text().splitlines()) <= 45, path.name
