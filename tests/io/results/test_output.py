"""Results appear in one step, or not at all."""

from __future__ import annotations

import stat
import sys
from pathlib import Path

import pytest

from veinfit.errors import InputError
from veinfit.io.results.output import check_output, staged_output


def tree(folder: Path) -> dict[str, str]:
    """Every file below a folder with its content, hidden ones too."""
    return {str(p.relative_to(folder)): p.read_text() for p in folder.rglob("*") if p.is_file()}


def test_new_folder_with_missing_parents_appears_whole(tmp_path):
    out = tmp_path / "a" / "b" / "case"
    with staged_output(out) as stage:
        (stage / "pictures").mkdir()
        (stage / "pictures" / "one.png").write_text("1")
        (stage / "veins.csv").write_text("v")
        assert not out.exists()
    assert tree(tmp_path) == {"a/b/case/pictures/one.png": "1", "a/b/case/veins.csv": "v"}
    reference = tmp_path / "plain"
    reference.mkdir()
    assert stat.S_IMODE(out.stat().st_mode) == stat.S_IMODE(reference.stat().st_mode)


@pytest.mark.parametrize("failure", [ValueError("stop"), KeyboardInterrupt()])
def test_failure_leaves_nothing_behind(tmp_path, failure):
    def failing_run():
        with staged_output(tmp_path / "a" / "case") as stage:
            (stage / "veins.csv").write_text("v")
            raise failure

    with pytest.raises(type(failure)):
        failing_run()
    assert list(tmp_path.iterdir()) == []


def test_existing_folder_keeps_foreign_files_and_loses_stale_ones(tmp_path):
    out = tmp_path / "case"
    (out / "pictures").mkdir(parents=True)
    (out / "veins.csv").write_text("old")
    (out / "pictures" / "gone.png").write_text("old")
    (out / "remarks.txt").write_text("mine")
    (tmp_path / "outside.txt").write_text("mine")
    earlier = ["veins.csv", "pictures/gone.png", "../outside.txt", str(tmp_path / "outside.txt")]
    with staged_output(out, supersedes=earlier) as stage:
        (stage / "veins.csv").write_text("new")
    assert tree(tmp_path) == {
        "case/veins.csv": "new",
        "case/remarks.txt": "mine",
        "outside.txt": "mine",
    }


def test_failing_swap_restores_the_earlier_run(tmp_path):
    out = tmp_path / "case"
    (out / "zebra.csv" / "inner").mkdir(parents=True)
    (out / "apple.csv").write_text("old")
    with pytest.raises(InputError, match=r"zebra\.csv is a folder"), staged_output(out) as stage:
        (stage / "apple.csv").write_text("new")
        (stage / "zebra.csv").write_text("new")
    assert tree(out) == {"apple.csv": "old"}


def test_output_that_cannot_be(tmp_path):
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(InputError, match="is not a folder"):
        check_output(file)
    with pytest.raises(InputError, match=f"cannot be made: {file} is not a folder"):
        check_output(file / "deeper" / "case")
    check_output(tmp_path / "new" / "case")
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.skipif(sys.platform != "linux", reason="/proc is where root may not write")
def test_refusal_of_the_system_is_worded():
    # /proc takes no new folders, even from root.
    with pytest.raises(InputError, match=r"/proc/.* cannot be written: .*; pass another --out"):
        check_output(Path("/proc/case"))
