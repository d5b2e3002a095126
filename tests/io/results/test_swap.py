"""A run that is killed, or meets another, leaves one run's files or none, never a mixture."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from veinfit.io.results.output import staged_output
from veinfit.io.results.swap import locked

WRITE = """
import os, sys
from pathlib import Path
from veinfit.io.results import swap
from veinfit.io.results.output import staged_output

out, word, die_at, rounds = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
moves, move = [], swap._move

def counted(source, target):
    if len(moves) == die_at:
        os._exit(9)
    moves.append(target)
    move(source, target)

swap._move = counted
def earlier():
    record = out / "record.txt"
    return record.read_text().split()[1:] if record.exists() else ()
for _ in range(rounds):
    with staged_output(out, earlier, last="record.txt") as stage:
        (stage / "pictures").mkdir()
        names = ["veins.csv", "zebra.csv", f"pictures/{word}.png"]
        for name in names:
            (stage / name).write_text(word)
        (stage / "record.txt").write_text(" ".join([word, *names]))
"""


def command(out: Path, word: str, die_at: int = -1, rounds: int = 1) -> list[str]:
    return [sys.executable, "-c", WRITE, str(out), word, str(die_at), str(rounds)]


def write(out: Path, word: str, die_at: int = -1) -> int:
    return subprocess.run(command(out, word, die_at), check=False).returncode


def words(out: Path) -> dict[str, str]:
    """What each visible file says."""
    files = [p for p in out.rglob("*") if p.is_file() and ".veinfit-" not in str(p)]
    return {p.relative_to(out).as_posix(): p.read_text().split()[0] for p in files}


def whole(word: str) -> dict[str, str]:
    names = ("veins.csv", "zebra.csv", f"pictures/{word}.png", "record.txt")
    return dict.fromkeys(names, word)


# Four files of the earlier run go out, four of the new one come in.
@pytest.mark.parametrize("die_at", [0, 1, 3, 4, 5, 7])
def test_killed_while_files_are_replaced(tmp_path, die_at):
    out = tmp_path / "case"
    assert write(out, "old") == 0
    (out / "remarks.txt").write_text("mine")
    assert write(out, "new", die_at) == 9
    left = words(out)
    assert left.pop("remarks.txt") == "mine"
    assert left == whole("old") if "record.txt" in left else len(set(left.values())) <= 1
    # Whoever comes next finds the earlier run put back.
    with pytest.raises(RuntimeError), staged_output(out):
        assert words(out) == {**whole("old"), "remarks.txt": "mine"}
        raise RuntimeError
    assert write(out, "newer") == 0
    assert words(out) == {**whole("newer"), "remarks.txt": "mine"}
    assert not list(tmp_path.rglob(".veinfit-*"))


@pytest.mark.parametrize("die_at", [0, 1, 3, 4, 5, 7])
def test_killed_in_the_folder_that_the_next_run_writes_below(tmp_path, die_at):
    out = tmp_path / "case"
    assert write(out, "old") == 0
    assert write(out, "new", die_at) == 9
    assert write(out / "again", "other") == 0
    others = {f"again/{name}": word for name, word in whole("other").items()}
    assert words(out) == {**whole("old"), **others}
    assert not list(tmp_path.rglob(".veinfit-*"))


def test_killed_in_the_folder_beside_while_its_next_run_moves(tmp_path):
    """What lies half moved in the folder above is put back under that folder's own lock."""
    out = tmp_path / "case"
    assert write(out, "old") == 0
    assert write(out, "new", 5) == 9
    with locked(tmp_path):
        run = subprocess.Popen(command(out / "again", "other"))
        with pytest.raises(subprocess.TimeoutExpired):
            run.wait(3.0)
        assert list(out.glob(".veinfit-*"))
    assert run.wait() == 0
    assert words(out / "again") == whole("other")
    assert words(out)["record.txt"] == "old"


def test_killed_before_anything_was_there(tmp_path):
    out = tmp_path / "case"
    died = subprocess.run(
        [sys.executable, "-c", WRITE.replace("names = [", "os._exit(9)\n        names = ["),
         str(out), "new", "-1", "1"],
        check=False,
    )  # fmt: skip
    assert died.returncode == 9
    assert not out.exists()
    assert write(out, "next") == 0
    assert words(out) == whole("next")
    assert not list(tmp_path.rglob(".veinfit-*"))


def test_two_runs_into_one_folder(tmp_path):
    out = tmp_path / "case"
    runs = [subprocess.Popen(command(out, word, rounds=40)) for word in ("one", "two")]
    assert [run.wait() for run in runs] == [0, 0]
    left = words(out)
    assert left == whole(left["record.txt"])
    assert not list(tmp_path.rglob(".veinfit-*"))


def test_the_folder_of_a_run_that_goes_on_is_left_alone(tmp_path):
    out = tmp_path / "case"
    with staged_output(out) as stage:
        (stage / "one.txt").write_text("1")
        with staged_output(tmp_path / "other") as other:
            (other / "two.txt").write_text("2")
        assert stage.exists()
    assert words(out) == {"one.txt": "1"}
