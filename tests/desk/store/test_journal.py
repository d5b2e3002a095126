"""The journal: whole, in order, and telling of what was altered."""

from __future__ import annotations

import hashlib
import itertools
import json
import threading

import pytest

from veinfit.desk.store.journal import JOURNAL, append, read_journal


def test_entries_come_back_in_order_with_all_they_hold(tmp_path):
    append(tmp_path, "case made", "Reader <b>1</b>")
    append(tmp_path, "signed\nnow", "ä", result="x" * 64, n=3)
    first, second = read_journal(tmp_path).entries
    assert (first["who"], first["after"]) == ("Reader <b>1</b>", "")
    assert (second["what"], second["who"], second["n"]) == ("signed\nnow", "ä", 3)
    # One line an entry, whatever is in it.
    assert (tmp_path / JOURNAL).read_bytes().count(b"\n") == 2


def test_each_names_the_line_before_it(tmp_path):
    for k in range(3):
        append(tmp_path, f"{k}")
    lines = (tmp_path / JOURNAL).read_bytes().splitlines()
    for before, line in itertools.pairwise(lines):
        assert json.loads(line)["after"] == hashlib.sha256(before).hexdigest()[:32]


@pytest.mark.parametrize("change", ["alter", "take out"])
def test_what_was_altered_shows(tmp_path, change):
    for k in range(4):
        append(tmp_path, f"entry {k}")
    path = tmp_path / JOURNAL
    lines = path.read_bytes().splitlines(keepends=True)
    if change == "alter":
        lines[1] = lines[1].replace(b"entry 1", b"entry 9")
        expected = (3,)
    else:
        del lines[1]
        expected = (2,)
    path.write_bytes(b"".join(lines))
    assert read_journal(tmp_path).altered == expected


@pytest.mark.parametrize("cut", [2, 20, 60])
def test_a_torn_line_costs_that_entry_alone(tmp_path, cut):
    append(tmp_path, "kept")
    append(tmp_path, "torn")
    path = tmp_path / JOURNAL
    path.write_bytes(path.read_bytes()[:-cut])
    append(tmp_path, "after it")
    read = read_journal(tmp_path)
    assert [e["what"] for e in read.entries] == ["kept", "after it"]
    assert (read.torn, read.altered) == (1, ())


def test_many_at_once_lose_none(tmp_path):
    def write(k: int) -> None:
        for n in range(10):
            append(tmp_path, f"{k}-{n}")

    threads = [threading.Thread(target=write, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    read = read_journal(tmp_path)
    assert sorted(e["what"] for e in read.entries) == sorted(
        f"{k}-{n}" for k in range(4) for n in range(10)
    )
    assert read.altered == ()
