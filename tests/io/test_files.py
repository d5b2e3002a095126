"""Kinds of input and hashes; nothing of a library reaches the terminal."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import warnings
from pathlib import Path

import pytest

from veinfit.errors import InputError
from veinfit.io import hash_file, input_kind
from veinfit.io.files import check_file, first_line
from veinfit.io.quiet import captured_stderr, captured_vtk, captured_warnings


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("a.stl", "mesh"),
        ("A.VTP", "mesh"),
        ("a.nii", "volume"),
        ("a.nii.gz", "volume"),
        ("scan.1.NII.GZ", "volume"),
        ("a.nhdr", "volume"),
    ],
)
def test_kind_by_extension(name, kind):
    assert input_kind(Path(name)) == kind


@pytest.mark.parametrize("name", ["a.gz", "a.dcx", "a", ".stl.bak"])
def test_unknown_kind_lists_both(name):
    with pytest.raises(InputError, match=r"veinfit reads \.stl.*\.vtp, \.nii, .*\.mhd"):
        input_kind(Path(name))


def test_hash_of_a_known_text(tmp_path):
    # SHA-256 of "abc": FIPS 180-2, appendix B.1.
    (tmp_path / "abc").write_bytes(b"abc")
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hash_file(tmp_path / "abc") == digest
    with pytest.raises(InputError, match="gone cannot be read"):
        hash_file(tmp_path / "gone")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads all")
def test_file_without_permission(tmp_path):
    path = tmp_path / "a.stl"
    path.write_bytes(b"x")
    path.chmod(0)
    with pytest.raises(InputError, match="cannot be read: Permission denied"):
        check_file(path, "mesh")


def test_words_of_a_library_are_one_printable_line():
    assert first_line("\n  first\x1b[31m bad.\nsecond") == "first?[31m bad"
    assert first_line(MemoryError()) == "MemoryError"
    assert len(first_line("x" * 5000)) == 200


def test_streams_are_given_back(capfd):
    with captured_stderr() as lines:
        os.write(2, b"from C\n")
    os.write(2, b"after\n")
    assert lines == ["from C"]
    assert capfd.readouterr().err == "after\n"


def test_streams_are_given_back_after_an_error(capfd):
    with pytest.raises(ZeroDivisionError), captured_vtk():
        raise ZeroDivisionError
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "after\n"


def test_vtk_errors_are_handed_over(capfd):
    from vtkmodules.vtkIOLegacy import vtkDataSetReader

    with captured_vtk() as errors:
        reader = vtkDataSetReader()
        reader.SetFileName("/nowhere/a.vtk")
        reader.Update()
    assert errors
    assert "/nowhere/a.vtk" in errors[0]
    assert capfd.readouterr() == ("", "")


def test_warnings_and_logs_are_silenced_only_inside(caplog):
    with captured_warnings():
        warnings.warn("hidden", stacklevel=1)
        logging.getLogger("nibabel.global").warning("hidden")
    assert not caplog.records
    with pytest.warns(UserWarning, match="seen"):
        warnings.warn("seen", stacklevel=1)
    logging.getLogger("other").warning("seen")
    assert [r.message for r in caplog.records] == ["seen"]


def test_the_readers_bring_no_library_until_used():
    code = (
        "import sys, veinfit.io, veinfit.io.files; "
        "print([m for m in ('vtkmodules', 'SimpleITK', 'nibabel', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
