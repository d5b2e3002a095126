"""Labels in several files: every way to name them, and every way to be wrong."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest
from voxels import ball, grid

from veinfit.errors import InputError
from veinfit.io.inputs.gathering import read_labels
from veinfit.io.inputs.label_map import read_label_map
from veinfit.labels.lumen import lumen_input
from veinfit.settings import SurfaceSettings
from veinfit.surface.mesh import enclosed_volume

ON = grid((1.0, 1.0, 1.0), 64.0, np.random.default_rng(1))
BODY, VEIN, PIPE = (
    ON.sample(ball(22.0)), ON.sample(ball(7.0, (23.0, 0, 0))), ON.sample(ball(6.0, (0, 25.0, 0))),
)  # fmt: skip
RAS = np.diag([-1.0, -1.0, 1.0, 1.0]) @ ON.affine


def save(path, values):
    nibabel.save(nibabel.Nifti1Image(values, RAS), path)
    return path


@pytest.fixture
def folder(tmp_path):
    save(tmp_path / "la.nii.gz", BODY.astype(np.uint8))
    save(tmp_path / "veins.nii.gz", VEIN.astype(np.uint8))
    save(tmp_path / "pipe.nii.gz", PIPE.astype(np.uint8) * 5)
    save(tmp_path / "all.nii.gz", (BODY + 2 * (VEIN & ~BODY)).astype(np.uint8))
    save(tmp_path / "probable.nii.gz", BODY * np.float32(0.8) + VEIN * np.float32(0.1))
    return tmp_path


def read(folder, text, first="la.nii.gz", also=()):
    path = folder / "map.toml"
    path.write_text(text)
    return read_labels(folder / first, read_label_map(path), [folder / name for name in also])


def counted(volume, label_map):
    both = {**label_map.labels, **label_map.structures}
    return {n: int(np.isin(volume.values, vs).sum()) for n, vs in both.items()}


WHOLE = {
    "left_atrium": int((BODY & ~VEIN).sum()),
    "pulmonary_veins": int(VEIN.sum()),
    "oesophagus": int((PIPE & ~BODY & ~VEIN).sum()),
}

FILES = """
[labels]
left_atrium = "la.nii.gz"
pulmonary_veins = { file = "veins.nii.gz" }
[structures]
oesophagus = { file = "pipe.nii.gz", value = 5 }
"""


def test_a_file_for_each_entry(folder):
    volume, label_map = read(folder, FILES)
    assert counted(volume, label_map) == WHOLE
    assert not label_map.parts
    # What the surface of all encloses is what the voxels of the union hold, to the voxel's edge.
    surface = lumen_input(volume, label_map, SurfaceSettings()).surface
    assert enclosed_volume(surface) == pytest.approx((BODY | VEIN).sum(), rel=0.005)


def test_numbers_of_the_input_beside_files(folder):
    text = '[labels]\nleft_atrium = 1\npulmonary_veins = "veins.nii.gz"\n'
    text += '[structures]\noesophagus = { file = "pipe.nii.gz" }\n'
    assert counted(*read(folder, text)) == WHOLE


def test_further_volumes_are_read_by_the_same_numbers(folder):
    save(folder / "two.nii.gz", VEIN.astype(np.uint8) * 2)
    text = "[labels]\nleft_atrium = 1\npulmonary_veins = 2\n[structures]\noesophagus = 5\n"
    volume, label_map = read(folder, text, also=["two.nii.gz", "pipe.nii.gz"])
    assert counted(volume, label_map) == WHOLE
    assert label_map.labels == {"left_atrium": (1,), "pulmonary_veins": (2,)}


def test_what_touches_the_lumen_and_has_no_name_is_still_told(folder):
    text = "[labels]\nleft_atrium = 1\n"
    found = lumen_input(*read(folder, text, also=["pipe.nii.gz"]), SurfaceSettings())
    assert any("label 5, which the label map does not name, touches" in n.text for n in found.notes)


def test_a_probability_counts_from_its_level_on(folder):
    low = "[labels]\nleft_atrium = { at_least = 0.05 }\n"
    high = "[labels]\nleft_atrium = { at_least = 0.5 }\n"
    assert counted(*read(folder, low, "probable.nii.gz"))["left_atrium"] == (BODY | VEIN).sum()
    volume, label_map = read(folder, high, "probable.nii.gz")
    assert counted(volume, label_map)["left_atrium"] == BODY.sum()
    assert "left_atrium is where its probability is 0.5 or more" in volume.notes[-1].text


def test_the_same_veins_in_one_file_and_in_two(folder):
    text = "[labels]\nleft_atrium = 1\npulmonary_veins = 2\n"
    one = lumen_input(*read(folder, text, "all.nii.gz"), SurfaceSettings())
    two = lumen_input(*read(folder, FILES), SurfaceSettings())
    assert enclosed_volume(one.surface) == pytest.approx(enclosed_volume(two.surface), rel=1e-4)
    assert one.surface.points.mean(axis=0) == pytest.approx(
        two.surface.points.mean(axis=0), abs=0.01
    )


@pytest.mark.parametrize(
    ("text", "also", "said"),
    [
        ('[labels]\nleft_atrium = 1\nLSPV = "gone.nii.gz"\n', [], "gone.nii.gz does not exist"),
        ("[labels]\nleft_atrium = 1\n", ["veins.nii.gz"], "both hold the value 1; name the file"),
        ('[labels]\nleft_atrium = 1\nLSPV = "all.nii.gz"\n', [], "add value ="),
        (
            '[labels]\nleft_atrium = 1\nLSPV = { file = "all.nii.gz", value = 9 }\n', [],
            "LSPV = 9, but volume",
        ),
        ('[labels]\nleft_atrium = { at_least = 3 }\n', [], "goes to 1 only"),
        ("[labels]\nleft_atrium = 1\nLSPV = 4\n", ["pipe.nii.gz"], "holds a voxel of LSPV"),
        ('[labels]\nleft_atrium = { segment = "LA" }\n', [], "asks for a DICOM segment"),
        ('[labels]\nleft_atrium = { file = "veins.nii.gz" }\n', [], "no entry is taken from"),
        ('[labels]\nleft_atrium = 1\nLSPV = "probable.nii.gz"\n', [], "{ at_least = 0.5 }"),
        ("[labels]\nleft_atrium = {}\n", [], "is an empty table"),
        ('[labels]\nleft_atrium = { fiel = "a" }\n', [], "did you mean 'file'?"),
        ("[labels]\nleft_atrium = { file = 3 }\n", [], "must be the name of a file"),
        ("[labels]\nleft_atrium = { at_least = -1 }\n", [], "must be a number above 0"),
        ("[labels]\nleft_atrium = { at_least = 0.5, value = 2 }\n", [], "give one"),
        ("[labels]\nleft_atrium = { segment = 4 }\n", [], "must be a text"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_in_a_line(folder, text, also, said):
    with pytest.raises(InputError) as caught:
        read(folder, text, also=also)
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_several_volumes_need_a_map(folder):
    with pytest.raises(InputError, match="need a label map"):
        read_labels(folder / "la.nii.gz", None, [folder / "veins.nii.gz"])
