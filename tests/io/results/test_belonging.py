"""One folder, one command: what another one wrote is neither replaced nor mixed with."""

from __future__ import annotations

from pathlib import Path

import pytest

from veinfit.cli import main
from veinfit.cohort.batch.run_file import RUN_FILE
from veinfit.cohort.drawing import RECIPE
from veinfit.cohort.summary.page import PAGE as SUMMARY_PAGE
from veinfit.commands import changes, practice
from veinfit.commands.cohort import shapes
from veinfit.desk.store.options import OPTIONS_FILE
from veinfit.errors import InputError
from veinfit.io.results.belonging import MARKS, check_belongs
from veinfit.io.results.output import staged_output
from veinfit.validation.agreement.page import FILES as AGREEMENT

COMMANDS = {
    "assess": ["assess", "{input}"],
    "cohort draw": ["cohort", "draw", "--cases", "1"],
    "cohort run": ["cohort", "run", "{input}"],
    "cohort summary": ["cohort", "summary", "{input}"],
    "cohort shapes": ["cohort", "shapes", "{input}"],
    "agree": ["agree", "{input}", "--predictions", "{input}"],
    "changes": ["changes", "{input}", "{input}"],
    "practice": ["practice", "{input}"],
}
"""Each command that writes a folder, without ``--out``."""


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*.*")}


def test_marks_are_files_that_the_commands_write():
    assert MARKS["cohort draw"] == RECIPE
    assert MARKS["cohort run"] == RUN_FILE
    assert MARKS["cohort summary"] == SUMMARY_PAGE
    assert MARKS["cohort shapes"] == shapes.VALUES
    assert MARKS["agree"] in AGREEMENT
    assert MARKS["changes"] == changes.PAGE
    assert MARKS["practice"] == practice.TABLE
    assert MARKS["desk"] == OPTIONS_FILE
    assert MARKS.keys() == {*COMMANDS, "desk"}


@pytest.mark.parametrize("owner", MARKS)
@pytest.mark.parametrize("command", COMMANDS)
def test_no_command_writes_into_what_another_wrote(tmp_path, capfd, command, owner):
    out = tmp_path / "out"
    out.mkdir()
    (out / MARKS[owner]).write_text("{}")
    (out / "veins.csv").write_text("theirs")
    before = content(out)
    if command == owner:
        check_belongs(out, command)
        return
    # An input that is not there ends in exit code 2 as well: the folder is asked about first,
    # or else there is one.
    mesh = tmp_path / "atrium.stl"
    mesh.write_text("solid\nendsolid\n")
    words = [word.format(input=mesh) for word in COMMANDS[command]]
    assert main([*words, "--out", str(out), "--quiet"]) == 2
    whose = "a case of the desk" if owner == "desk" else f"what {owner} wrote"
    assert capfd.readouterr().err == (
        f"veinfit: error: output {out} holds {whose} ({MARKS[owner]}); pass another --out\n"
    )
    assert content(out) == before


def test_a_folder_that_assess_wrote_and_a_desk_opened_is_assessed_again(tmp_path):
    for name in ("case.json", "asked.toml", "run.json"):
        (tmp_path / name).write_text("{}")
    check_belongs(tmp_path, "assess")
    for command in COMMANDS.keys() - {"assess"}:
        with pytest.raises(InputError, match="holds what assess wrote"):
            check_belongs(tmp_path, command)


def test_a_folder_of_files_that_nobody_marked_is_free(tmp_path):
    for name in ("veins.csv", "notes.txt", "cases.csv"):
        (tmp_path / name).write_text("mine")
    for command in (*COMMANDS, ""):
        check_belongs(tmp_path, command)
        check_belongs(tmp_path / "none", command)


def test_results_that_a_killed_run_moved_aside_count(tmp_path):
    aside = tmp_path / ".veinfit-host-1-x" / "old"
    aside.mkdir(parents=True)
    (aside / "case.json").write_text("{}")
    with pytest.raises(InputError, match="holds what assess wrote"):
        check_belongs(tmp_path, "practice")


def test_results_that_came_meanwhile_are_left_alone(tmp_path):
    out = tmp_path / "out"
    told = pytest.raises(InputError, match="holds what assess wrote")
    with told, staged_output(out, command="practice") as stage:
        (stage / "veins.csv").write_text("mine")
        out.mkdir()
        (out / "case.json").write_text("{}")
        (out / "veins.csv").write_text("theirs")
    assert content(out) == {"case.json": b"{}", "veins.csv": b"theirs"}
