"""The stages one by one: a user of the library is told what a case tells."""

from __future__ import annotations

import handmade
import nibabel
import numpy as np
import pytest

from veinfit.anatomy.lumen_input import LumenInput
from veinfit.case import stages
from veinfit.case.reading import CaseInput
from veinfit.errors import InputError
from veinfit.notes import Note

FROM_READER = Note("input", "value 9 touches the lumen and no label names it", "9", "caution")


@pytest.fixture
def wall():
    return handmade.box()


@pytest.fixture
def found(monkeypatch):
    """The anatomy as made by hand, whatever the input."""
    made = handmade.anatomy()
    monkeypatch.setattr(stages, "find_anatomy", lambda *_, **__: made)
    return made


@pytest.fixture
def read(wall, monkeypatch):
    """Have every file hold the same wall, with a note of its reader and a septum as given."""

    def use(septum=None):
        case = CaseInput(LumenInput(wall), {}, (FROM_READER,), septum_points=septum)
        monkeypatch.setattr(stages, "read_case", lambda *_, **__: case)

    return use


def test_notes_of_the_reader_and_of_the_septum_are_told(found, read):
    read()
    anatomy = stages.find_veins("atrium.nii.gz")
    assert set(found.notes) | {FROM_READER} < set(anatomy.notes)
    (about,) = (note for note in anatomy.notes if note.subject == "septal_crossing")
    assert about.severity == "caution" and "estimated from the anatomy" in about.text
    assert anatomy.septum.estimated


def test_a_file_and_a_surface_in_memory_give_one_anatomy(found, read, wall):
    read()
    by_file, in_memory = stages.find_veins("atrium.ply"), stages.find_veins(wall)
    assert in_memory.septum.estimated
    assert np.array_equal(in_memory.septum.point, by_file.septum.point)
    assert set(by_file.notes) - set(in_memory.notes) == {FROM_READER}
    by_lumen = stages.find_veins(LumenInput(wall))
    assert by_lumen.notes == in_memory.notes


@pytest.mark.parametrize("septum", [None, np.full((5, 3), 90.0)])
def test_a_volume_read_first_and_a_file_give_one_anatomy(found, read, septum):
    """Remarks of the reader and the labelled septum go with the surface."""
    read(septum)
    by_file = stages.find_veins("atrium.nii.gz")
    in_two_steps = stages.find_veins(stages.read_volume("atrium.nii.gz"))
    assert FROM_READER in in_two_steps.notes
    assert in_two_steps.notes == by_file.notes


def test_a_volume_says_that_its_reader_was_in_doubt(tmp_path):
    """A part that is broken off, of 8³ voxels of 1 mm³."""
    values = np.zeros((60, 60, 60), np.uint8)
    values[5:45, 5:45, 5:45] = 1
    values[50:58, 50:58, 50:58] = 1
    nibabel.save(nibabel.Nifti1Image(values, np.eye(4)), tmp_path / "v.nii.gz")
    lumen = stages.read_volume(tmp_path / "v.nii.gz")
    (caution,) = (note for note in lumen.notes if note.severity == "caution")
    assert "0.51 mL" in caution.text
    assert repr(lumen).endswith("; 1 caution)")


def test_a_labelled_septum_that_is_none_costs_no_veins(found, read):
    read(septum=np.full((5, 3), 90.0))
    anatomy = stages.find_veins("atrium.nii.gz")
    assert anatomy.septum is None and anatomy.veins == found.veins
    (about,) = (note for note in anatomy.notes if note.subject == "septal_crossing")
    assert about.severity == "caution" and "mm from the wall of the left atrium" in about.text


@pytest.mark.parametrize("in_memory", [True, False])
def test_a_crossing_that_cannot_be_estimated_costs_no_veins(
    found, read, wall, monkeypatch, in_memory
):
    def open_there(_):
        raise InputError("the septal crossing point cannot be estimated; mark it")

    monkeypatch.setattr("veinfit.case.reading.estimated_crossing", open_there)
    read()
    anatomy = stages.find_veins(wall if in_memory else "atrium.ply")
    assert anatomy.septum is None and anatomy.veins == found.veins
    assert anatomy.notes[-1].text == "the septal crossing point cannot be estimated; mark it"
