"""A disk that is full in earnest: a small file system that the kernel lets nobody write to."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

SIZE = "2m"
FULL = "No space left"


@pytest.fixture(scope="module")
def told(tmp_path_factory) -> dict:
    """What a desk told on such a disk, mounted for its process alone."""
    unshare = shutil.which("unshare")
    if unshare is None:
        pytest.skip("no unshare on this machine: apt install util-linux")
    place = tmp_path_factory.mktemp("disk")
    mount = f"mount -t tmpfs -o size={SIZE} tmpfs '{place}'"
    if subprocess.run([unshare, "-rm", "sh", "-c", mount], capture_output=True).returncode:
        pytest.skip("this machine lets nobody mount a file system of their own")
    here = Path(__file__).parent
    paths = [str(here), str(here.parent), *filter(None, [os.environ.get("PYTHONPATH")])]
    script = f"{mount} && exec '{sys.executable}' '{here / 'full_disk.py'}' '{place}'"
    ran = subprocess.run(
        [unshare, "-rm", "sh", "-c", script],
        capture_output=True,
        text=True,
        timeout=300,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
    )
    assert ran.returncode == 0, ran.stderr
    return dict(json.loads(ran.stdout.splitlines()[-1]))


def test_a_full_disk_is_told_and_changes_nothing(told):
    assert "too little for this file" in told["upload"]["fault"]
    for act in ("options", "sign", "reviewed", "new", "run"):
        assert FULL in told[act]["fault"] and "--" not in told[act]["fault"], (act, told[act])
    assert told["page"] == [200, 200]
    assert told["whole"] and told["torn"] == [0, 0]


def test_a_run_that_finds_the_disk_full_fails_with_its_reason(told):
    assert told["ran"][0] == "failed" and FULL in told["ran"][1]
    assert not told["results"]


def test_all_goes_on_when_there_is_room_again(told):
    assert told["again"] == {} and told["signed"] == {}
    assert told["states"] == ["to review", "signed"]
    run, done = told["journals"]
    assert run.count("assessed") == 1 and run[-1] == "assessed"
    assert done == ["case made", "looked over", "signed"]
    assert told["altered"] == [[], []]
