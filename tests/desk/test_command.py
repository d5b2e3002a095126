"""``veinfit desk`` as it is typed: its address, a second one, its end."""

from __future__ import annotations

import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest


def desk(folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "veinfit", "desk", str(folder), "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # As at a terminal: where the tests run in the background, interrupts are ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )


def test_a_folder_that_is_not_there_is_told(tmp_path, capsys):
    from veinfit.cli import main

    assert main(["desk", str(tmp_path / "none")]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert main(["desk", str(tmp_path), "--workers", "0"]) == 2
    (tmp_path / "atrium.ply").write_text("no folder")
    capsys.readouterr()
    assert main(["desk", str(tmp_path / "atrium.ply")]) == 2
    assert "atrium.ply is not a folder; name the folder" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="interrupts as POSIX does")
def test_it_serves_until_it_is_interrupted(tmp_path):
    first, second = desk(tmp_path), None
    try:
        assert first.stdout is not None
        address = first.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        with urllib.request.urlopen(address) as answer:
            assert b"not a medical device" in answer.read()
        second = desk(tmp_path)
        assert second.stdout is not None
        assert second.stdout.readline().startswith("http://127.0.0.1:")
        told = second.stdout.readline() + second.stdout.readline()
        assert "Another desk is at work" in told and f"process {first.pid} " in told
        for one in (second, first):
            one.send_signal(signal.SIGINT)
            assert one.wait(30) == 0
            assert one.stderr is not None and one.stderr.read() == ""
    finally:
        for one in (first, second):
            if one is not None:
                one.kill()
                one.communicate()
    # What is left behind is what the desk can do without.
    assert {p.name for p in tmp_path.iterdir()} == {".desk"}
