"""The image of a case: of the same patient, in the same place, and known by its content."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

pytest.importorskip("highdicom")

import dicom_made as made
import handmade

from veinfit.case.image import read_case_image
from veinfit.errors import InputError
from veinfit.io.results.provenance import input_files

AROUND = np.array([[2.0, 0, 0, -30], [0, 2.0, 0, -30], [0, 0, 2.5, -30], [0, 0, 0, 1]])
GREY = np.zeros((31, 31, 25))


def saved(folder, slices):
    folder.mkdir()
    for k, ds in enumerate(slices):
        made.save(ds, folder / f"{k}")
    return folder


def labels_of(series, path, **changed):
    """A segmentation of the series, as another program would write it."""
    ds = made.segmentation(series, {"LA": np.ones(GREY.shape, bool)}, "BINARY")
    for name, value in changed.items():
        setattr(ds, name, value)
    return made.save(ds, path)


def refused(*arguments):
    with pytest.raises(InputError) as caught:
        read_case_image(*arguments)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_an_image_of_the_labels_is_taken(tmp_path):
    series = made.series(AROUND, GREY)
    folder = saved(tmp_path / "ct", series)
    image, notes = read_case_image(folder, labels_of(series, tmp_path / "seg.dcm"), handmade.box())
    assert notes == () and len(image.sources) == GREY.shape[2]


def test_an_image_of_something_else_is_refused(tmp_path):
    series = made.series(AROUND, GREY)
    folder = saved(tmp_path / "ct", series)
    other = labels_of(made.series(AROUND, GREY), tmp_path / "other.dcm")
    assert "lie in different frames of reference" in refused(folder, other, handmade.box())
    strange = labels_of(series, tmp_path / "strange.dcm", PatientID="LM-0043")
    said = refused(folder, strange, handmade.box())
    assert "are of different patients" in said and "LM-004" not in said
    far = AROUND.copy()
    far[0, 3] = 100.0
    beside = saved(tmp_path / "far", made.series(far, GREY))
    assert "shows nothing of the atrium" in refused(beside, tmp_path / "a.nii", handmade.box())


def test_an_image_that_ends_within_the_atrium_is_told(tmp_path):
    cut = AROUND.copy()
    cut[2, 3] = 0.0
    folder = saved(tmp_path / "ct", made.series(cut, GREY))
    _, (note,) = read_case_image(folder, tmp_path / "a.nii", handmade.box())
    assert "of the atrium's surface" in note.text and note.severity == "caution"


def test_a_folder_is_known_by_what_is_in_it(tmp_path):
    folder = tmp_path / "series"
    folder.mkdir()
    (folder / "Surname_1").write_bytes(b"one")
    (folder / "Surname_2").write_bytes(b"two")
    (told,) = input_files("image", folder)
    parts = sorted(hashlib.sha256(content).hexdigest() for content in (b"one", b"two"))
    assert told.sha256 == hashlib.sha256("".join(f"{p}\n" for p in parts).encode()).hexdigest()
    assert (told.role, told.format, told.bytes) == ("image", ".dcm series", 6)
    # Names say nothing.
    (folder / "Surname_1").rename(folder / "x")
    assert input_files("image", folder) == (told,)
