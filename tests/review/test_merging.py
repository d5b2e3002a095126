"""Bringing two sets of corrections together: no outside source, the table of a three-way merge."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from veinfit.anatomy.corrections.apply import Correction
from veinfit.errors import InputError
from veinfit.io.results.corrections_text import corrections_text
from veinfit.result.input_mark import InputMark
from veinfit.review.corrections_file import CorrectionsFile
from veinfit.review.merging import combined, differences, merge


def entry(vein: str, **values: object) -> dict[str, object]:
    return {"vein": vein, **values, "who": "reader 1", "why": "seen"}


A, B, C = entry("RSPV", shift_mm=1.0), entry("RSPV", shift_mm=2.0), entry("RSPV", drop=True)


@pytest.mark.parametrize(
    ("base", "mine", "theirs", "wanted", "clash"),
    [
        ([], [], [A], [A], False),
        ([], [A], [], [A], False),
        ([], [A], [A], [A], False),
        ([A], [A], [B], [B], False),
        ([A], [B], [A], [B], False),
        ([A], [], [A], [], False),
        ([A], [A], [], [], False),
        ([A], [B], [C], [B], True),
        ([A], [B], [], [B], True),
        ([A], [], [B], [], True),
        ([], [A], [B], [A], True),
    ],
)
def test_what_one_side_changed_is_taken_and_what_both_changed_is_a_clash(
    base, mine, theirs, wanted, clash
):
    both = merge(base, mine, theirs)
    assert list(both.entries) == wanted
    assert [c.vein for c in both.clashes] == (["RSPV"] if clash else [])


def test_veins_of_both_sides_come_together():
    other = entry("LIPV", drop=True)
    added = entry("RSPV", add_at_mm=[1.0, 2.0, 3.0])
    both = merge([], [A, added], [other])
    assert not both.clashes
    assert sorted(map(str, both.entries)) == sorted(map(str, [A, added, other]))


def test_two_entries_of_one_vein_become_one_that_says_both():
    named = {"vein": "LSPV", "rename": "LCPV", "who": "reader 1", "why": "one trunk"}
    moved = {"vein": "LSPV", "shift_mm": 2.0, "who": "reader 2", "why": "too deep"}
    (one,) = combined([named, moved])
    assert (one["rename"], one["shift_mm"]) == ("LCPV", 2.0)
    assert (one["who"], one["why"]) == ("reader 1; reader 2", "one trunk; too deep")


def test_differences_are_told_vein_by_vein():
    kept = entry("LIPV", drop=True)
    told = differences([A, kept, entry("RIPV", drop=True)], [B, kept, entry("LSPV", drop=True)])
    assert told == ("RIPV: taken out", "RSPV: changed", "LSPV: new", "as before: LIPV")


def test_what_a_review_began_with_is_its_own_where_there_is_no_file(tmp_path):
    """A case assessed with corrections; another writes the first file, without them."""
    start = (Correction("LIPV", "reader 1", "a bulge", drop=True),)
    file = CorrectionsFile(tmp_path / "corrections.toml", start, InputMark("0" * 64, "lps", "mm"))
    mine = file.read()
    assert [entry["vein"] for entry in mine.entries] == ["LIPV"]
    file.path.write_text(corrections_text((Correction("RSPV", "reader 2", "seen", shift_mm=1.0),)))
    both = merge(file.entries_of(mine.version), mine.entries, file.read().entries)
    assert [entry["vein"] for entry in both.entries] == ["RSPV", "LIPV"] and not both.clashes


@pytest.mark.parametrize("why", [errno.ENOSPC, errno.EROFS])
def test_a_file_that_cannot_be_written_is_as_it_was_and_says_how_to_go_on(
    tmp_path, monkeypatch, why
):
    path = tmp_path / "corrections.toml"
    file = CorrectionsFile(path, (), InputMark("0" * 64, "lps", "mm"))
    file.write((Correction("LIPV", "reader 1", "a bulge", drop=True),), "# before")
    before = path.read_bytes()

    def full(self, content):
        raise OSError(why, os.strerror(why))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(InputError, match=f"{os.strerror(why)}; .* save again$") as told:
        file.write((Correction("LIPV", "reader 1", "it is one", rename="RMPV"),), "# after")
    # A page has no options of a command.
    assert "--" not in str(told.value)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == [path.name]
