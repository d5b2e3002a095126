"""What the READMEs say is so: columns, settings, options, links, commands and lines of Python."""

from __future__ import annotations

import argparse
import json
import re
import shlex
import subprocess
import sys
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest

import veinfit
from veinfit.cli import build_parser
from veinfit.commands import exits
from veinfit.errors import InputError
from veinfit.io.columns import columns_page, schema_text, with_columns
from veinfit.io.inputs.corrections import read_corrections
from veinfit.result.input_mark import InputMark
from veinfit.seating.balloon_file import FIELDS, balloon_from_mapping
from veinfit.settings import Settings
from veinfit.settings.table import settings_page

ROOT = Path(__file__).parents[1]
DOCUMENTS = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for path in sorted({*ROOT.glob("*.md"), *ROOT.glob("[a-z]*/**/*.md")})
    if "out" not in path.relative_to(ROOT).parts and "build" not in path.relative_to(ROOT).parts
}
"""Every page of the project, by its path."""

README = DOCUMENTS["README.md"]


def part(title: str) -> str:
    """The text below a heading that one page alone has, up to the next of its rank."""
    found = [
        (text, marks)
        for text in DOCUMENTS.values()
        if (marks := re.search(rf"^(#+) {re.escape(title)}$", text, re.M))
    ]
    assert len(found) == 1, title
    text, marks = found[0]
    rest = text[marks.end() :]
    end = re.search(rf"^#{{2,{len(marks[1])}}} ", rest, re.M)
    return rest[: end.start()] if end else rest


def test_every_column_is_told_as_it_is():
    """``python -m veinfit.io.columns`` makes page and schema anew."""
    assert DOCUMENTS["veinfit/io/COLUMNS.md"] == columns_page()
    schema = (ROOT / "veinfit" / "io" / "case.schema.json").read_text(encoding="utf-8")
    assert schema == schema_text(with_columns(json.loads(schema)))


def test_every_table_is_told_among_the_output():
    tables = set(re.findall(r"^## `(\w+\.csv)`", DOCUMENTS["veinfit/io/COLUMNS.md"], re.M))
    rows = re.findall(r"^\| `(\w+\.csv)` \|", part("Output"), re.M)
    assert "attempts.csv" in tables
    assert sorted(rows) == sorted(tables)


def test_every_setting_is_told_as_it_is():
    """``python -m veinfit.settings > veinfit/settings/README.md`` makes the page anew."""
    assert DOCUMENTS["veinfit/settings/README.md"] == settings_page()
    rows = settings_page().count("\n| `")
    assert rows == sum(len(fields(group.default_factory)) for group in fields(Settings))


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


def test_every_key_of_a_balloon_file_is_told_and_whether_it_is_needed():
    rows = re.findall(r"^\| (`.+?`) \| (.+) \|$", part("Balloons"), re.M)
    told = {}
    for keys, words in rows:
        first, *more = re.findall(r"`([a-z_.]+)`", keys)
        table = "".join(first.rpartition(".")[:2])
        told |= {first: words, **{table + name: words for name in more}}
    known = {f"{table}.{key}".strip(".") for table, keys in FIELDS.items() for key in keys}
    assert set(told) == known
    least = {"name": "x", "equatorial_diameter_mm": 28.0}
    assert balloon_from_mapping(least).profile == "sphere"
    for key in least:
        assert told[key].startswith("needed")
        with pytest.raises(InputError, match=key):
            balloon_from_mapping({k: v for k, v in least.items() if k != key})
    for key in known - set(least):
        assert told[key].startswith(("optional", "needed for a table"))


def test_corrections_file_is_one(tmp_path):
    told = re.findall(r"```toml\n(.*?)```", part("Input"), re.S)
    (text,) = (t for t in told if "[[correction]]" in t)
    (mark,) = (t for t in told if "[made_on]" in t)
    text += mark.replace("6f1d...", "6f1d" * 16)
    (tmp_path / "c.toml").write_text(text, encoding="utf-8")
    assert read_corrections(tmp_path / "c.toml").made_on == InputMark("6f1d" * 16, "lps", "mm")
    assert [c.vein for c in read_corrections(tmp_path / "c.toml")] == [
        "LSPV", "RIPV", "extra-1", "RMPV-2", "LIPV",
    ]  # fmt: skip


@pytest.mark.slow
def test_six_lines_of_python(tmp_path):
    code, _ = re.findall(r"```python\n(.*?)```", part("From Python"), re.S)
    assert len([line for line in code.splitlines() if line]) == 6
    (sample,) = re.findall(r'"(sample_meshes/[^"]+)"', code)
    (tmp_path / "six.py").write_text(code.replace(sample, str(ROOT / sample)))
    command = [sys.executable, str(ROOT / "tests" / "few_tries.py"), "six.py"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 0, done.stderr
    assert "28 mm seated" in done.stdout
    assert re.search(r"\d+ files written", done.stdout)
    assert (tmp_path / "out" / "report.html").exists()


@pytest.mark.slow
def test_first_command_runs_the_job_and_names_what_it_makes(by_command):
    assert by_command.code == 0, by_command.err
    made = {p.relative_to(by_command.folder).as_posix() for p in by_command.folder.rglob("*.*")}
    named = set(
        re.findall(r"`((?:[\w-]+/)?[\w-]+\.(?:csv|json|html|npz|pdf|png))`", part("Run it"))
    )
    assert named <= made
    assert {name for name in made if "/" not in name} <= named


def anchor(heading: str) -> str:
    """How a heading is linked to: as hosts of repositories make it."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def test_every_exit_code_is_told():
    text = (ROOT / "pipelines" / "README.md").read_text(encoding="utf-8")
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", text, re.M)}
    assert told == {value for name, value in vars(exits).items() if name.startswith("EXIT_")}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_lead_somewhere(name):
    for target, _, heading in re.findall(r"\]\(([^)#]*)(#([^)]+))?\)", DOCUMENTS[name]):
        if target.startswith("http"):
            continue
        path = ((ROOT / name).parent / target).resolve() if target else ROOT / name
        assert path.exists(), target
        if heading:
            page = path.read_text(encoding="utf-8")
            assert heading in {anchor(h) for h in re.findall(r"^#+ (.*)$", page, re.M)}, heading


def test_every_script_that_makes_a_figure_is_there():
    pages = "\n".join(DOCUMENTS.values())
    scripts = set(re.findall(r"python ((?:tests|pipelines|sample_meshes)/[\w/.-]+\.py)", pages))
    modules = set(re.findall(r"python -m ((?:tests|veinfit)[\w.]*)", pages))
    assert len(scripts) >= 6 and len(modules) >= 3
    program = Path(veinfit.__file__).parent.parent
    for name in modules:
        # Not asked of the import system: runners of tests put modules into it that have no origin.
        path = (program if name.startswith("veinfit") else ROOT) / name.replace(".", "/")
        assert path.with_suffix(".py").exists() or (path / "__main__.py").exists(), name
    assert all((ROOT / script).exists() for script in scripts)


def test_the_first_page_is_short():
    assert len(README.encode()) <= 8000


def commands_told():
    """Every command line that a page shows, with the page."""
    for name, text in DOCUMENTS.items():
        for block in re.findall(r"^```\n(.*?)^```", text, re.M | re.S):
            for line in block.replace("\\\n", " ").splitlines():
                if line.startswith(("veinfit ", "pip install . && veinfit ")):
                    yield pytest.param(line.partition("veinfit ")[2], id=f"{name}: {line[:50]}")


@pytest.mark.parametrize("line", list(commands_told()))
def test_commands_are_understood(line):
    if "..." in line:
        pytest.skip("stands for any command")
    build_parser().parse_args(shlex.split(line))


def test_every_command_has_its_page():
    parser = build_parser()
    (group,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    names = set()
    for word, command in group.choices.items():
        inner = [a for a in command._actions if isinstance(a, argparse._SubParsersAction)]
        names |= {f"{word} {w}" for a in inner for w in a.choices} if inner else {word}
    table = DOCUMENTS["pipelines/README.md"].split("\n## ")[0]
    told = "".join(re.findall(r"^\| (`[^|]*)\|", table, re.M))
    assert set(re.findall(r"`([^`]+)`", told)) == names


def test_every_option_of_a_command_is_told():
    def options(command, word):
        for action in command._actions:
            if isinstance(action, argparse._SubParsersAction):
                for inner, parser in action.choices.items():
                    yield from options(parser, f"{word} {inner}".strip())
            yield from ((word, text) for text in action.option_strings if text.startswith("--"))

    told = DOCUMENTS["pipelines/README.md"] + DOCUMENTS["veinfit/desk/README.md"]
    rows = "".join(re.findall(r"^\| (`--[^|]*(?:\\\|[^|]*)*)\|", told, re.M))
    named = set(re.findall(r"--[a-z-]+", rows))
    asked = set(options(build_parser(), "")) - {("", "--version")}
    assert {text for _, text in asked} - {"--help"} <= named


def test_the_six_lines_of_what_is_not_known():
    lines = [line for line in part("What is not known").splitlines() if line]
    assert len(lines) == 6 and all(line.startswith("- ") for line in lines)


def test_three_users_have_three_commands_each():
    blocks = re.findall(r"^```\n(.*?)^```", part("Three users"), re.M | re.S)
    assert [len(block.splitlines()) for block in blocks] == [3, 3, 3]
