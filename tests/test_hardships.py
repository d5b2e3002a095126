"""Circumstances that no result may depend on: streams, disks, homes, names, threads, kills."""

from __future__ import annotations

import dataclasses
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
from functools import partial
from pathlib import Path

import atria
import few_tries
import handmade
import pytest

from veinfit import case
from veinfit.cli import main
from veinfit.errors import InputError
from veinfit.io.inputs.landmarks import read_landmarks
from veinfit.io.inputs.meshes import read_mesh
from veinfit.io.results.provenance import program_versions
from veinfit.result.provenance import Provenance
from veinfit.settings import Settings

COMMAND = [sys.executable, "-m", "veinfit"]
PLAIN = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
"""An environment in which text is not UTF-8."""

LOUD = {"PYTHONWARNINGS": "always", "PYTHONUTF8": "0", "LC_ALL": "C"}
"""Variables under which a library's warnings would be seen, and signs fail to be printed."""


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Path:
    """A finished case of values made by hand."""
    provenance = Provenance(
        "Larkmoor 1", None, None, "lps", "mm", "coaxial", ({"name": "28 mm"},), (),
        program_versions(), "2026-02-01T10:00:00Z",
    )  # fmt: skip
    result = case.CaseResult(handmade.anatomy(), (handmade.fit(),), {}, (), Settings(), provenance)
    return case.write_case(result, tmp_path_factory.mktemp("case") / "c", pictures=False).folder


@pytest.fixture(scope="module")
def mesh(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("mesh")
    (folder / "least.toml").write_text(few_tries.NO_MARGIN)
    return atria.save_mesh(atria.open_surface(), folder / "atrium.stl")


def assess(mesh: Path, out: Path) -> list[str]:
    """The command of a whole job, with one balloon in one vein."""
    chosen = str(mesh.parent / "least.toml")
    command = [sys.executable, few_tries.__file__, *COMMAND[1:], "assess", str(mesh)]
    command += ["--out", str(out), "--settings", chosen, "--approach", "coaxial"]
    return [*command, "--balloon", "28", "--quiet"]


# ---- streams --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def compared(finished, tmp_path_factory) -> Path:
    """What a run writes whose streams are open."""
    out = tmp_path_factory.mktemp("open")
    command = [*COMMAND, "changes", str(finished), str(finished), "--out", str(out)]
    subprocess.run(command, check=True, capture_output=True)
    return out


@pytest.mark.parametrize("closed", [(0, 1, 2), (1,), (2,)])
@pytest.mark.slow
def test_closed_streams(finished, compared, tmp_path, closed):
    """As a service starts a program: files must not be taken for the streams."""
    command = [*COMMAND, "changes", str(finished), str(finished)]

    def close():
        for number in closed:
            os.close(number)

    done = subprocess.run([*command, "--out", str(tmp_path / "closed")], preexec_fn=close)
    assert done.returncode == 0
    for name in ("changes.csv", "changes.html"):
        assert (tmp_path / "closed" / name).read_bytes() == (compared / name).read_bytes()
    done = subprocess.run([*command[:-1], "gone"], preexec_fn=close)
    assert done.returncode == 2


# ---- names ----------------------------------------------------------------------------------


def test_names_of_folders(finished, tmp_path):
    """Several runs of one process: that its names are read is in question, not its start."""
    code = (
        "import sys, veinfit.cli\n"
        "for out in sys.argv[2:]:\n"
        "    assert veinfit.cli.main(['changes', *2 * sys.argv[1:2], '--out', out]) == 0\n"
    )
    names = ["a b  c", "cœur gauche é", "心房", "semi;colon & $HOME 'q'"]
    outs = [tmp_path / name / "out" for name in names]
    command = [sys.executable, "-c", code, str(finished), *map(str, outs)]
    done = subprocess.run(command, env=PLAIN, capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")
    assert all((out / "changes.csv").exists() for out in outs)
    assert {p.name for p in tmp_path.iterdir()} == set(names)


@pytest.mark.skipif(sys.platform != "linux", reason="names there are text")
@pytest.mark.slow
def test_a_name_that_is_no_text(finished, tmp_path):
    out = os.fsencode(tmp_path) + b"/caf\xe9"
    command = [*COMMAND, "changes", str(finished), str(finished), "--out", out]
    done = subprocess.run(command, env=PLAIN, capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")
    assert os.path.exists(out + b"/changes.csv")  # noqa: PTH110
    missing = subprocess.run([*COMMAND, "changes", out + b"x", "y"], env=PLAIN, capture_output=True)
    assert missing.returncode == 2
    assert missing.stderr.count(b"\n") == 1


def test_names_that_are_paths_stay_names(tmp_path):
    """Neither the case nor a balloon can put a file elsewhere."""
    provenance = Provenance(
        "../../case", None, None, "lps", "mm", "coaxial", ({"name": "../../balloon"},), (),
        program_versions(), "2026-02-01T10:00:00Z",
    )  # fmt: skip
    fit = dataclasses.replace(handmade.fit(), balloon="../../balloon")
    result = case.CaseResult(handmade.anatomy(), (fit,), {}, (), Settings(), provenance)
    out = tmp_path / "a" / "b" / "c"
    case.write_case(result, out, pictures=False)
    assert {p.parent for p in tmp_path.rglob("*") if p.is_file()} == {out}
    marks = tmp_path / "marks.csv"
    for name in ("../x", "/etc/x", "a/b", "x\\y", "a:b"):
        marks.write_text(f"name,x_mm,y_mm,z_mm\n{name},1,2,3\n")
        with pytest.raises(InputError, match="may hold letters"):
            read_landmarks(marks)


@pytest.mark.parametrize("role", ["input", "--out", "--settings", "--landmarks"])
def test_names_that_are_too_long(mesh, tmp_path, capfd, role):
    name = "x" * 300
    given = {"input": str(mesh), "--out": str(tmp_path / "o"), role: str(tmp_path / name)}
    given["input"] += ".stl" if role == "input" else ""
    words = [word for key, value in given.items() if key != "input" for word in (key, value)]
    assert main(["assess", given["input"], *words, "--quiet"]) == 2
    told = capfd.readouterr().err
    assert told.startswith("veinfit: error: ")
    assert "File name too long" in told
    assert told.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


# ---- files that are none --------------------------------------------------------------------


@pytest.mark.slow
def test_pipes_and_devices_are_not_read(mesh, tmp_path):
    """Neither waits for somebody to write, nor reads zeros without end."""
    pipe = tmp_path / "pipe.stl"
    os.mkfifo(pipe)
    endless = tmp_path / "endless.stl"
    endless.symlink_to("/dev/zero")
    loop = tmp_path / "loop.stl"
    loop.symlink_to(loop)
    words = {pipe: "pipe", endless: "endless", loop: "symbolic links"}
    out = ["--out", str(tmp_path / "o")]
    commands, told = [], []
    for role in ("input", "--settings", "--landmarks", "--corrections"):
        for path, word in words.items():
            given = [str(path)] if role == "input" else [str(mesh), role, str(path)]
            commands.append(["assess", *given, *out])
            told.append(word)
    # In one process, whose start takes longer than all of this.
    code = (
        "import json, sys, veinfit.cli\nprint([veinfit.cli.main(c) for c in json.load(sys.stdin)])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        input=json.dumps(commands),
        text=True,
        capture_output=True,
        timeout=120,
    )
    assert done.stdout == f"{[2] * len(commands)}\n"
    lines = [line for line in done.stderr.splitlines() if line.startswith("veinfit: error: ")]
    assert len(lines) == len(commands)
    for line, word in zip(lines, told, strict=True):
        assert word in line
    assert not (tmp_path / "o").exists()


# ---- disks and homes ------------------------------------------------------------------------


def no_large_files(most: int = 4096) -> None:
    """Let no file of this process grow further: nearly what a full disk looks like."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))


def test_a_full_disk(finished, tmp_path):
    command = [*COMMAND, "changes", str(finished), str(finished), "--out", str(tmp_path / "o")]
    done = subprocess.run(command, preexec_fn=no_large_files, capture_output=True, text=True)
    assert done.returncode == 2
    assert "cannot be written: File too large; pass another --out" in done.stderr
    assert list(tmp_path.iterdir()) == []


ON_A_SMALL_DISK = (
    'mount -t tmpfs -o size=100k tmpfs "$0" && { "$@"; told=$?; ls -A "$0"; exit $told; }'
)
"""Runs a command on a disk of 100 kB that no other process sees; then lists what is on it."""


@pytest.mark.slow
def test_a_full_disk_at_the_end_of_a_whole_job(mesh, tmp_path):
    """A disk that is full in earnest, where this machine lets a process mount its own."""
    alone = ["unshare", "-rm", "sh", "-c", ON_A_SMALL_DISK, str(tmp_path)]
    reason, limit = "No space left on device", None
    if shutil.which("unshare") is None or subprocess.run([*alone, "true"]).returncode:
        alone, reason, limit = [], "File too large", partial(no_large_files, 100_000)
    command = [*alone, *assess(mesh, tmp_path / "o")]
    done = subprocess.run(command, preexec_fn=limit, capture_output=True, text=True)
    assert done.returncode == 2
    assert f"cannot be written: {reason}; pass another --out" in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == "" and list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_home_that_cannot_be_written(mesh, tmp_path):
    """/proc takes no files, even from root; nothing is said, not even by a library that warns."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("XDG", "MPL"))}
    command = assess(mesh, tmp_path / "o")
    done = subprocess.run(command, env={**kept, **LOUD, "HOME": "/proc"}, capture_output=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
    assert (tmp_path / "o" / "pictures" / "overview.png").exists()


# ---- the same bytes -------------------------------------------------------------------------


def test_line_ends_of_another_machine(tmp_path):
    marks = "# frame: ras\nname,x_mm,y_mm,z_mm\noesophagus,1,2,3\noesophagus,1,2,9\n"
    surface = atria.open_surface()
    lines = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in surface.points]
    lines += [f"f {a} {b} {c}" for a, b, c in surface.faces + 1]
    found = []
    for name, end in (("unix", "\n"), ("dos", "\r\n"), ("old", "\r")):
        (tmp_path / f"{name}.csv").write_bytes(marks.replace("\n", end).encode())
        (tmp_path / f"{name}.toml").write_bytes(
            few_tries.FEW.replace("\n", "\n" if end == "\r" else end).encode()
        )
        (tmp_path / f"{name}.obj").write_bytes((end.join(lines) + end).encode())
        read = read_mesh(tmp_path / f"{name}.obj")
        found.append(
            (
                read_landmarks(tmp_path / f"{name}.csv")["oesophagus"].tobytes(),
                Settings.from_toml(tmp_path / f"{name}.toml"),
                read.points.tobytes(),
                read.faces.tobytes(),
            )
        )
    assert found[0] == found[1] == found[2]


def test_tables_end_lines_alike_everywhere(finished):
    for path in finished.glob("*.csv"):
        assert b"\r" not in path.read_bytes()
