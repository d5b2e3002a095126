"""The command line: exit codes, and what it says where."""

from __future__ import annotations

import dataclasses
import io
import os
import pty
import re
import signal
import subprocess
import sys
from pathlib import Path

import atria
import few_tries
import handmade
import pytest

from veinfit import case, cli
from veinfit.case import writing
from veinfit.cli import main
from veinfit.commands.exits import EXIT_READER_GONE
from veinfit.commands.terminal import tell_warning
from veinfit.errors import InputError
from veinfit.io.results.provenance import program_versions
from veinfit.notes import Note
from veinfit.result.provenance import Provenance
from veinfit.settings import Settings

COMMAND = [sys.executable, "-m", "veinfit"]
ONE_VEIN = [sys.executable, few_tries.__file__, *COMMAND[1:]]
LOUD = {**os.environ, "PYTHONWARNINGS": "always", "PYTHONUTF8": "0", "LC_ALL": "C"}
"""An environment in which a library's warnings would be seen, and signs fail to be printed."""


@pytest.fixture(scope="module")
def mesh(tmp_path_factory) -> Path:
    return atria.save_mesh(atria.open_surface(), tmp_path_factory.mktemp("mesh") / "atrium.vtp")


@pytest.fixture(scope="module")
def least(tmp_path_factory) -> list[str]:
    """Options for runs that are not about seats at all."""
    path = tmp_path_factory.mktemp("settings") / "least.toml"
    path.write_text(few_tries.NO_MARGIN)
    return ["--settings", str(path), "--balloon", "28", "--approach", "coaxial"]


@pytest.fixture
def quick(monkeypatch):
    """Stand hand-made values in for the stages; the command around them is the real one."""
    provenance = Provenance(
        None, None, None, "lps", "mm", "coaxial", ({"name": "28 mm"},), (), program_versions(),
        "2026-02-01T10:00:00Z",
    )  # fmt: skip
    result = case.CaseResult(
        anatomy=handmade.anatomy(),
        fits=(handmade.fit(), handmade.fit("RIPV")),
        structures={},
        notes=(Note("input", "one label taken as everything"),),
        settings=Settings(),
        provenance=provenance,
    )
    asked = {}

    def assess(path, **options):
        asked.update(options, input=path)
        return asked.get("result", result)

    monkeypatch.setattr(case, "assess", assess)
    asked["default"] = result
    return asked


@pytest.mark.slow
def test_run_is_clean_on_both_streams(by_command):
    done = by_command
    assert done.code == 0
    assert re.match(r"veinfit: reading the input\n", done.err)
    for line in done.err.splitlines():
        assert re.fullmatch(
            r"veinfit: (reading the input|anatomy: \S+|pictures|report"
            r"|seating: (\S+|places of the septal crossing))",
            line,
        )
    table = done.out.split("\n\n")[0].splitlines()
    assert table[0].split()[:3] == ["vein", "ostium", "mm"]
    veins = dict.fromkeys(line.split()[0] for line in table[1:])
    assert list(veins) == ["LSPV", "LIPV", "RSPV", "RIPV"]
    for file in done.folder.rglob("*.*"):
        assert f"  {file.relative_to(done.folder)}\n" in done.out
    assert "not a medical device" in done.out


@pytest.mark.slow
def test_progress_on_a_terminal(mesh, least, tmp_path):
    leader, follower = pty.openpty()
    command = [*ONE_VEIN, "assess", str(mesh), "--out", str(tmp_path / "c"), "--no-pictures"]
    with subprocess.Popen(
        [*command, *least], stdout=subprocess.PIPE, stderr=follower, env=LOUD
    ) as process:
        os.close(follower)
        shown = b""
        try:
            while chunk := os.read(leader, 4096):
                shown += chunk
        except OSError:
            pass  # how Linux reports that the other side has closed
        os.close(leader)
        process.communicate()
    assert process.returncode == 0
    assert b"seating: LSPV" in shown
    assert b"Traceback" not in shown
    assert b"arning" not in shown


def test_interrupt_leaves_nothing(mesh, tmp_path):
    # A job started in the background of a shell ignores interrupts from the start.
    heed = (
        "import signal, sys, veinfit.cli\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "sys.exit(veinfit.cli.main())\n"
    )
    command = [sys.executable, "-c", heed, "assess", str(mesh), "--out", str(tmp_path / "a" / "c")]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        process.stderr.readline()
        process.send_signal(signal.SIGINT)
        rest = process.stderr.read()
    assert process.returncode == 130
    assert rest.splitlines()[-1] == "veinfit: interrupted"
    assert "Traceback" not in rest
    assert list(tmp_path.iterdir()) == []


def test_help_and_version_need_no_heavy_library():
    heavy = "{'numpy', 'scipy', 'vtkmodules', 'pyvista', 'trimesh', 'matplotlib', 'rich'}"
    code = (
        "import sys, veinfit.cli\n"
        "try: veinfit.cli.main(sys.argv[1:])\n"
        f"finally: assert not {heavy} & set(sys.modules), sorted(sys.modules)\n"
    )
    for arguments in (["--help"], ["assess", "--help"], ["--version"]):
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stderr) == (0, "")
        assert "veinfit" in done.stdout


@pytest.mark.parametrize(("own", "threads"), [({}, "1"), ({"OMP_NUM_THREADS": "3"}, "3")])
def test_linear_algebra_has_one_thread_unless_the_user_says_how_many(own, threads):
    code = (
        "import os; from veinfit.cli import main; main(['assess', 'none.ply', '--out', 'out']); "
        "print(os.environ['OMP_NUM_THREADS'])"
    )
    usual = {name: value for name, value in os.environ.items() if name != "OMP_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", code], env={**usual, **own}, capture_output=True, text=True
    )
    assert done.stdout.split() == [threads], done.stderr


def test_options_reach_the_job(quick, tmp_path):
    arguments = (
        "assess a.nrrd --labels l.toml --landmarks m.csv --corrections c.toml "
        "--settings s.toml --frame ras --trust-frame --unit cm "
        "--balloon 23 --balloon b.toml --case-id X --phase 40% --image-date 2026-01-31 --quiet "
        f"--no-pictures --out {tmp_path / 'c'}"
    )
    assert main(arguments.split()) == 0
    expected = {
        "input": Path("a.nrrd"),
        "labels": Path("l.toml"),
        "landmarks": Path("m.csv"),
        "corrections": Path("c.toml"),
        "settings": Path("s.toml"),
        "frame": "ras",
        "trust_frame": True,
        "unit": "cm",
        "balloons": ("23", "b.toml"),
        "approach": "transseptal",
        "case_id": "X",
        "phase": "40%",
        "image_date": "2026-01-31",
    }
    assert {name: quick[name] for name in expected} == expected
    assert not (tmp_path / "c" / "pictures").exists()


def test_standard_balloons(quick, tmp_path):
    assert main(["assess", "a.stl", "--out", str(tmp_path / "c"), "--no-pictures"]) == 0
    assert quick["balloons"] == (28.0, 31.0)


@pytest.mark.parametrize(
    "given", ["--balloon 28,31", "--balloon 28 --balloon 31", "--balloon 28;31"]
)
def test_balloons_may_be_given_in_one_option(quick, tmp_path, given):
    arguments = f"assess a.stl --frame RAS --unit MM {given} --no-pictures --quiet --out"
    assert main([*arguments.split(), str(tmp_path / "c")]) == 0
    assert quick["balloons"] == ("28", "31")
    assert (quick["frame"], quick["unit"]) == ("ras", "mm")


def test_a_balloon_file_may_have_a_comma_in_its_name(quick, tmp_path):
    (tmp_path / "a,b.toml").write_text("")
    arguments = ["assess", "a.stl", "--balloon", str(tmp_path / "a,b.toml"), "--no-pictures"]
    assert main([*arguments, "--quiet", "--out", str(tmp_path / "c")]) == 0
    assert quick["balloons"] == (str(tmp_path / "a,b.toml"),)


def test_an_option_given_twice_is_an_error(quick, tmp_path, capsys):
    arguments = "assess a.nrrd --labels one.toml --labels two.toml --out"
    with pytest.raises(SystemExit) as left:
        main([*arguments.split(), str(tmp_path / "c")])
    assert left.value.code == 2
    assert "--labels: is given twice, with one.toml and two.toml" in capsys.readouterr().err
    assert quick.get("input") is None and not (tmp_path / "c").exists()


@pytest.mark.parametrize(
    "command",
    [
        "assess a.stl --out @",
        "assess @ --out c",
        "assess a.stl --out c --settings @",
        "picture @ --vein LSPV --balloon 28 --out p.png",
        "changes @ c",
        "cohort draw --out @ --cases 1",
        "cohort run @ --out c",
    ],
)
def test_a_name_that_is_empty_is_not_the_folder_at_hand(
    command, quick, tmp_path, monkeypatch, capfd
):
    """As a variable of the shell leaves it that is not set."""
    monkeypatch.chdir(tmp_path)
    for empty in ("", " "):
        words = [empty if word == "@" else word for word in command.split()]
        try:
            code = main(words)
        except SystemExit as left:
            code = left.code
        assert code == 2
        told = capfd.readouterr().err
        assert "the name is empty; give" in told
    assert list(tmp_path.iterdir()) == []


def test_unassessed_vein_gives_exit_code_3(quick, tmp_path, capfd):
    fits = (handmade.fit(), handmade.unassessed_fit())
    quick["result"] = dataclasses.replace(quick["default"], fits=fits)
    out = tmp_path / "c"
    assert main(["assess", "a.stl", "--out", str(out), "--no-pictures"]) == 3
    assert (out / "veins.csv").exists()
    told = capfd.readouterr().out
    assert "RIPV 28 mm: not assessed: the leak path runs into a cut edge" in told


def test_quiet_still_tells_which_veins_were_not_assessed(quick, tmp_path, capfd):
    fits = (
        handmade.fit(),
        handmade.unassessed_fit("LSPV", "31 mm", 31.0),
        handmade.unassessed_fit("RIPV"),
        handmade.unassessed_fit("RIPV", "31 mm", 31.0),
    )
    quick["result"] = dataclasses.replace(quick["default"], fits=fits)
    command = ["assess", "a.stl", "--out", str(tmp_path / "c"), "--no-pictures", "--quiet"]
    assert main(command) == 3
    told = capfd.readouterr()
    assert told.out == ""
    assert told.err == "veinfit: not assessed: LSPV (31 mm), RIPV; fits.csv says why\n"


def test_summary_shows_cautions_and_verbose_every_note(quick, tmp_path, capfd):
    command = ["assess", "a.stl", "--out", str(tmp_path / "c"), "--no-pictures"]
    assert main(command) == 0
    told = capfd.readouterr().out
    assert "caution (ostium): LSPV: short stub" in told
    assert "one label taken as everything" not in told
    assert re.search(
        r"LSPV +16.0 x 16.0 +28 mm +coaxial +(?:[a-z]+ [0-9.]+ +)*leak +1.25 +inferior +-10.0", told
    )
    assert main([*command, "--verbose"]) == 0
    assert "info (input): one label taken as everything" in capfd.readouterr().out
    # Below 1 mm, where the tolerance of 0.5 mm lies, in hundredths: to tenths these are alike.
    widths = {"LSPV": 0.46, "RIPV": 0.54}
    fits = [dataclasses.replace(handmade.fit(v), leak_width_mm=w) for v, w in widths.items()]
    quick["result"] = dataclasses.replace(quick["default"], fits=tuple(fits))
    assert main(command) == 0
    told = capfd.readouterr().out
    for vein, width in widths.items():
        assert re.search(rf"^{vein} .* leak +{width} +inferior", told, re.MULTILINE)


def test_a_case_of_which_every_vein_was_dropped_says_so(quick, tmp_path, capfd):
    anatomy = dataclasses.replace(quick["default"].anatomy, veins=(), ridges=())
    quick["result"] = dataclasses.replace(quick["default"], anatomy=anatomy, fits=())
    assert main(["assess", "a.stl", "--out", str(tmp_path / "c"), "--no-pictures"]) == 0
    assert capfd.readouterr().out.startswith("No vein is left to be assessed.\n")


@pytest.mark.parametrize("loudness", [[], ["--quiet"]])
def test_a_warning_is_the_first_line_even_of_a_quiet_run(quick, tmp_path, capfd, loudness):
    doubt = Note("names", "left may be right", severity="warning")
    quick["result"] = dataclasses.replace(quick["default"], notes=(doubt,))
    out = tmp_path / "c"
    assert main(["assess", "a.stl", "--out", str(out), "--no-pictures", *loudness]) == 0
    told = capfd.readouterr()
    stream = told.err if loudness else told.out
    assert stream.startswith("WARNING: left may be right\n")
    assert stream.count("left may be right") == 1
    assert '"severity": "warning"' in (out / "case.json").read_text()


def test_a_warning_is_red_on_a_terminal(monkeypatch):
    class Screen(io.StringIO):
        def isatty(self):
            return True

    doubt = Note("names", "left may be right", severity="warning")
    for variables, line in (
        ({}, "\x1b[1;31mWARNING: left may be right\x1b[0m\n"),
        ({"NO_COLOR": "1"}, "WARNING: left may be right\n"),
    ):
        monkeypatch.delenv("NO_COLOR", raising=False)
        for name, value in variables.items():
            monkeypatch.setenv(name, value)
        screen = Screen()
        tell_warning(doubt, screen)
        assert screen.getvalue() == line


def test_note_about_the_pictures_is_shown(quick, tmp_path, capfd, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("no canvas")

    monkeypatch.setattr(writing, "draw_pictures", broken)
    assert main(["assess", "a.stl", "--out", str(tmp_path / "c")]) == 0
    told = capfd.readouterr().out
    assert "caution (pictures): no pictures could be drawn: RuntimeError: no canvas" in told


@pytest.mark.slow
@pytest.mark.skipif(
    not Path("/usr/share/glvnd").is_dir(), reason="OpenGL cannot be taken away from a process here"
)
def test_without_opengl_pictures_are_plain_and_a_line_says_so(quick, tmp_path, capfd, monkeypatch):
    """No driver is found, as on a machine that has none (libglvnd's own variable)."""
    monkeypatch.setenv("__EGL_VENDOR_LIBRARY_FILENAMES", str(tmp_path / "none.json"))
    monkeypatch.setenv("LIBGL_DRIVERS_PATH", str(tmp_path))
    monkeypatch.delenv("DISPLAY", raising=False)
    quick["result"] = dataclasses.replace(quick["default"], fits=quick["default"].fits[:1])
    assert main(["assess", "a.stl", "--out", str(tmp_path / "c")]) == 0
    told = capfd.readouterr()
    (line,) = [line for line in told.out.splitlines() if "(pictures)" in line]
    assert line.startswith("info (pictures): The graphics library could not draw (it ")
    assert "the built-in renderer drew the pictures" in line and "libegl1" in line
    assert told.err.splitlines() == ["veinfit: pictures", "veinfit: report"]
    drawn = sorted(path.name for path in (tmp_path / "c" / "pictures").iterdir())
    assert drawn == ["LSPV-28mm-coaxial.png", "overview.png"]
    assert line.removeprefix("info (pictures): ") in (tmp_path / "c" / "case.json").read_text()


def test_fault_of_the_program_is_one_line(quick, tmp_path, capfd, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("gone\nwrong")

    monkeypatch.setattr(case, "assess", broken)
    command = ["assess", "a.stl", "--out", str(tmp_path / "c")]
    assert main(command) == 1
    told = capfd.readouterr().err
    assert told == (
        "veinfit: internal error: RuntimeError: gone wrong; "
        "run again with --verbose for the details\n"
    )
    assert main([*command, "--verbose"]) == 1
    assert "Traceback" in capfd.readouterr().err
    assert not (tmp_path / "c").exists()


@pytest.mark.parametrize(
    ("fault", "code", "told"),
    [
        (InputError("a source cannot be read"), 2, "error: a source cannot be read"),
        (RuntimeError("gone"), 1, "internal error: RuntimeError: gone; run again"),
    ],
)
def test_no_case_is_left_where_its_dicom_files_cannot_be_made(
    quick, tmp_path, capfd, monkeypatch, fault, code, told
):
    def broken(*_, **__):
        raise fault

    monkeypatch.setattr("veinfit.io.dicom.writing.write_dicom", broken)
    out = tmp_path / "c"
    command = ["assess", "a.stl", "--out", str(out), "--no-pictures", "--quiet"]
    assert main([*command, "--dicom", str(tmp_path / "d")]) == code
    assert capfd.readouterr().err.startswith(f"veinfit: {told}")
    assert list(tmp_path.iterdir()) == []
    # What an earlier run has written stays.
    assert main(command) == 0
    earlier = {path: path.read_bytes() for path in out.iterdir()}
    quick["result"] = dataclasses.replace(quick["default"], notes=())
    assert main([*command, "--dicom", str(tmp_path / "d")]) == code
    assert {path: path.read_bytes() for path in out.iterdir()} == earlier


def test_dicom_files_are_made_of_what_is_about_to_be_written(quick, tmp_path):
    out = tmp_path / "c"
    command = ["assess", "a.stl", "--out", str(out), "--no-pictures", "--quiet"]
    for dicom in (out / "dicom", tmp_path / "d"):
        assert main([*command, "--dicom", str(dicom)]) == 0
        assert (dicom / "report.dcm").is_file() and (out / "case.json").is_file()
    assert not list(tmp_path.rglob(".veinfit-*"))


def test_dicom_files_have_a_folder_of_their_own(quick, tmp_path, capfd):
    """In that of the results the next case without --dicom would stand beside them."""
    out = tmp_path / "c"
    command = ["assess", "a.stl", "--out", str(out), "--no-pictures", "--quiet"]
    assert main([*command, "--dicom", str(out / ".." / "c")]) == 2
    (line,) = capfd.readouterr().err.splitlines()
    assert line.endswith("is the folder of the results; pass a folder of its own")
    assert not out.exists()


def test_dicom_files_that_were_written_before_the_case_could_not_be_are_told(
    quick, tmp_path, capfd
):
    out = tmp_path / "c"
    (out / "veins.csv").mkdir(parents=True)
    command = ["assess", "a.stl", "--out", str(out), "--no-pictures", "--quiet"]
    assert main([*command, "--dicom", str(tmp_path / "d")]) == 2
    (line,) = capfd.readouterr().err.splitlines()
    assert line.startswith(f"veinfit: error: output {out} cannot be written: ")
    assert line.endswith(f"; the DICOM files are in {tmp_path / 'd'}")
    assert (tmp_path / "d" / "report.dcm").is_file() and not (out / "case.json").exists()


def test_unwritable_output_is_found_before_the_work(quick, tmp_path):
    (tmp_path / "file").write_text("x")
    assert main(["assess", "a.stl", "--out", str(tmp_path / "file" / "c"), "--quiet"]) == 2
    assert "input" not in quick


def test_stray_output_of_libraries_is_dropped(capfd):
    with cli._terminal() as terminal:
        os.write(2, b"a compiled library's warning\n")
        print("our own line", file=terminal)
    print("afterwards", file=sys.stderr)
    assert capfd.readouterr().err == "our own line\nafterwards\n"


def test_a_reader_that_leaves_early_is_no_error():
    talk = (
        "import sys\n"
        "from veinfit.commands import changes\n"
        "changes.run = lambda arguments, terminal: print('line\\n' * 100000) or 0\n"
        "from veinfit import cli\n"
        "sys.exit(cli.main(['changes', 'a', 'b']))\n"
    )
    command = [sys.executable, "-c", talk]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.readline()
        process.stdout.close()
        told = process.stderr.read()
    assert process.returncode == EXIT_READER_GONE
    assert told == b""


def test_an_image_that_cannot_be_read_ends_before_the_work(mesh, tmp_path, capsys, monkeypatch):
    def too_early(*arguments, **options):
        raise AssertionError("the anatomy was begun")

    monkeypatch.setattr("veinfit.case.assessing.find_anatomy", too_early)
    arguments = ["assess", str(mesh), "--image", str(tmp_path / "ct.nii"), "--out"]
    assert main([*arguments, str(tmp_path / "c")]) == 2
    assert "ct.nii cannot be read: No such file" in capsys.readouterr().err
    assert not (tmp_path / "c").exists()


def test_further_label_volumes_are_handed_on(quick, tmp_path):
    arguments = ["assess", "a.nrrd", "--also", "b.nrrd", "--also", "c.nrrd", "--no-pictures"]
    assert main([*arguments, "--quiet", "--out", str(tmp_path / "c")]) == 0
    assert [path.name for path in quick["also"]] == ["b.nrrd", "c.nrrd"]


@pytest.mark.parametrize(
    "command",
    [
        "cohort run x --out c --workers 99999999",
        "practice x --out c --workers 99999999",
        "practice x --out c --chains 1073741824",
        "practice x --out c --trials 99999999999",
        "cohort draw --out c --cases 1 --workers 99999999",
    ],
)
def test_counts_that_no_machine_can_serve_are_refused(command, tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as left:
        main(command.split())
    assert left.value.code == 2
    told = capfd.readouterr().err.splitlines()[-1]
    assert re.search(r"error: --\w+: '\d+' is no whole number from \d+ to \d+; see ", told)
    assert list(tmp_path.iterdir()) == []


def test_that_neither_balloon_seals_is_said_though_no_arc_is_open_with_both(quick, tmp_path, capfd):
    """Each touches where the other leaks: without a word it would read as if one sealed."""
    fits = [dataclasses.replace(handmade.fit(), balloon=f"{mm} mm", balloon_mm=mm, sealed=False,
                                clock=tuple(dataclasses.replace(one, gap_mm=gap) for one, gap in
                                            zip(handmade.fit().clock, gaps, strict=False)))
            for mm, gaps in ((28.0, (2.0, -1.0)), (31.0, (-1.0, 2.0)))]  # fmt: skip
    quick["result"] = dataclasses.replace(quick["default"], fits=tuple(fits))
    assert main(["assess", "a.stl", "--out", str(tmp_path / "c"), "--no-pictures"]) == 0
    assert "Neither seals; no part of the circumference is open with both." in (
        capfd.readouterr().out
    )
