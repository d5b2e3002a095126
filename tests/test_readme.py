"""What the README says is so: its columns, settings, options, and its six lines of Python."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from veinfit.cli import build_parser
from veinfit.io.tables import (
    CLOCK_COLUMNS,
    CROSSING_COLUMNS,
    EXPECTED_COLUMNS,
    FIT_COLUMNS,
    GROWTH_COLUMNS,
    LABEL_OSTIUM_COLUMNS,
    LEAK_COLUMNS,
    PLAN_COLUMNS,
    RIDGE_COLUMNS,
    SECTION_COLUMNS,
    VEIN_COLUMNS,
)
from veinfit.seating.balloon import balloon_from_mapping
from veinfit.settings import Settings, describe

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
OF_SEATS = (ROOT / "veinfit" / "seating" / "README.md").read_text(encoding="utf-8")


def part(title: str) -> str:
    """The text below a heading, up to the next of its rank."""
    text = OF_SEATS if re.search(rf"^#+ {re.escape(title)}$", OF_SEATS, re.M) else README
    marks = re.search(rf"^(#+) {re.escape(title)}$", text, re.M)
    assert marks, title
    rest = text[marks.end() :]
    end = re.search(rf"^#{{2,{len(marks[1])}}} ", rest, re.M)
    return rest[: end.start()] if end else rest


@pytest.mark.parametrize(
    ("title", "columns"),
    [
        ("`veins.csv`", VEIN_COLUMNS),
        (
            "`sections.csv`, `ridges.csv` and `label_ostia.csv`",
            SECTION_COLUMNS + RIDGE_COLUMNS + LABEL_OSTIUM_COLUMNS,
        ),
        ("`fits.csv`", (*FIT_COLUMNS, "distance_NAME_mm")),
        ("`leaks.csv` and `clock.csv`", LEAK_COLUMNS + CLOCK_COLUMNS),
        ("`growth.csv`", (*GROWTH_COLUMNS, "distance_NAME_mm")),
        ("`plans.csv`", PLAN_COLUMNS),
        ("`expected.csv`", EXPECTED_COLUMNS),
        ("`crossings.csv`", (*CROSSING_COLUMNS, "misalignment_VEIN_deg")),
    ],
)
def test_every_column_is_told_and_no_other(title, columns):
    told = re.findall(r"`(\w+)`", "".join(re.findall(r"^\| (`[^|]*)\|", part(title), re.M)))
    assert set(told) == set(columns)


def test_every_setting_is_told_with_its_default():
    rows = [line.split(" | ") for line in part("Settings").splitlines() if "| `" in line]
    told = {row[0].strip("| `"): (row[1], row[2], row[3]) for row in rows}
    expected = {
        f"{group}.{name}": (
            value if isinstance(value, str) else f"{value:g}",
            about["unit"],
            about["meaning"],
        )
        for group, name, value, about in describe(Settings())
    }
    assert told == expected


def options(*command):
    """The options of a command, by the parser."""
    parser = build_parser()
    for word in command:
        (commands,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
        parser = commands.choices[word]
    names = {name for a in parser._actions for name in a.option_strings if name.startswith("--")}
    return names - {"--help"}


@pytest.mark.parametrize(
    ("title", "command"),
    [
        ("Options", ["assess"]),
        ("Pictures of a finished case", ["picture"]),
        ("Many cases", ["cohort", "run"]),
        ("Invented cohorts", ["cohort", "draw"]),
        ("Shapes of a cohort", ["cohort", "shapes"]),
        ("Summary of a cohort", ["cohort", "summary"]),
        ("Prediction and observation", ["agree"]),
        ("Calibration", ["calibrate"]),
        ("Practice", ["practice"]),
    ],
)
def test_every_option_is_told(title, command):
    (table,) = re.findall(r"^\| option \|.*?\n\n", part(title), re.M | re.S)
    told = re.findall(r"^\| (`[^|]*(?:\\\|[^|]*)*)\|", table, re.M)
    assert set(re.findall(r"`(--[a-z-]+)", "".join(told))) == options(*command)


def test_balloon_file_is_one():
    text, section = re.findall(r"```toml\n(.*?)```", part("Balloons"), re.S)
    assert balloon_from_mapping(tomllib.loads(text)).equatorial_mm == 28.0
    table = balloon_from_mapping({"name": "table", **tomllib.loads(section)})
    assert (table.equatorial_mm, table.axial_mm) == (28.0, 30.0)


@pytest.mark.slow
def test_six_lines_of_python(tmp_path):
    (code,) = re.findall(r"```python\n(.*?)```", part("From Python"), re.S)
    assert len([line for line in code.splitlines() if line]) == 6
    (sample,) = re.findall(r'"(sample_meshes/[^"]+)"', code)
    code = code.replace(sample, str(ROOT / sample))
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "28 mm seated" in done.stdout
    assert re.search(r"\d+ files written", done.stdout)
    assert (tmp_path / "out" / "report.html").exists()


@pytest.mark.slow
def test_first_command_runs_the_job_and_names_what_it_makes(tmp_path):
    (command,) = re.findall(r"^pip install \. && veinfit (assess .*)$", README, re.M)
    words = [str(ROOT / w) if w.startswith("sample_meshes/") else w for w in command.split()]
    done = subprocess.run(
        [sys.executable, "-m", "veinfit", *words],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    out = tmp_path / words[words.index("--out") + 1]
    made = {p.relative_to(out).as_posix() for p in out.rglob("*.*")}
    named = set(
        re.findall(r"`((?:[\w-]+/)?[\w-]+\.(?:csv|json|html|npz|pdf|png))`", part("Run it"))
    )
    assert named <= made
    assert {name for name in made if "/" not in name} <= named


def test_links_lead_somewhere():
    for document in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / document).read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert (ROOT / target).exists(), f"{document}: {target}"
