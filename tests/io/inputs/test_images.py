"""Images behind labels: where they lie, and how they can be wrong."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest

pytest.importorskip("pydicom")
pytest.importorskip("highdicom")

import dicom_made as made
import highdicom
import SimpleITK

from veinfit.errors import InputError
from veinfit.io.inputs.images import read_image
from veinfit.labels.image import sample_plane

# PS3.3 C.7.6.2.1.1, worked by hand: column 3, row 2, slice 1 lies at (-98.6, -281.8, 95.5).
STRAIGHT = np.array([[0.4, 0, 0, -99.8], [0, 0.5, 0, -282.8], [0, 0, 1.25, 94.25], [0, 0, 0, 1]])
OBLIQUE = np.array(
    [[0.34641016, -0.25, 0, 10], [0.2, 0.4330127, 0, 20], [0, 0, 1.25, 30], [0, 0, 0, 1]]
)
REVERSED = np.array([[0.4, 0, 0, -99.8], [0, 0.5, 0, -282.8], [0, 0, -1.25, 94.25], [0, 0, 0, 1]])
# A gantry tilted by 20 degrees, rows along (0, cos 20, sin 20), the table moved by 2.5 mm along z:
# y = -282.8 + 2 * 0.5 * 0.93969262, z = 94.25 + 2.5 + 2 * 0.5 * 0.34202014.
GANTRY = np.array(
    [[0.4, 0, 0, -99.8], [0, 0.46984631, 0, -282.8], [0, 0.17101007, 2.5, 94.25], [0, 0, 0, 1]]
)
PLACES = [
    (STRAIGHT, (-98.6, -281.8, 95.5)),
    (OBLIQUE, (10.53923048, 21.4660254, 31.25)),
    (REVERSED, (-98.6, -281.8, 93.0)),
    (GANTRY, (-98.6, -281.86030738, 97.09202014)),
]
VALUES = np.random.default_rng(1).integers(-500, 900, (14, 12, 10))


def save(folder, slices):
    for k, ds in enumerate(slices):
        made.save(ds, folder / f"{(7 * k) % 10}-{k}.dcm")
    (folder / "readme.txt").write_text("not a slice")
    return folder


def at(image, place):
    plane = sample_plane(image, np.array(place), np.eye(3)[0], np.eye(3)[1], 1e-6, 3)
    return plane[1, 1]


@pytest.mark.parametrize(("affine", "place"), PLACES)
def test_a_series_lies_where_it_was_worked_by_hand(affine, place, tmp_path):
    image = read_image(save(tmp_path, made.series(affine, VALUES)))
    assert at(image, place) == pytest.approx(VALUES[3, 2, 1], abs=0.01)
    if affine is GANTRY:
        assert ["tilted by 20°" in note.text for note in image.notes] == [True]
        return  # The other reader knows no tilt.
    assert image.notes == ()
    # Another reader, of the same slices.
    names = SimpleITK.ImageSeriesReader.GetGDCMSeriesFileNames(str(tmp_path))
    other = SimpleITK.ReadImage(names)
    there = other.TransformPhysicalPointToIndex(place)
    assert other.GetPixel(there) == VALUES[3, 2, 1]


@pytest.mark.parametrize(("affine", "place"), PLACES)
@pytest.mark.parametrize("each", [(), ("turned", "spaced", "meant")], ids=["shared", "each"])
def test_frames_of_one_file_lie_where_they_were_worked_by_hand(affine, place, each, tmp_path):
    order = np.random.default_rng(2).permutation(VALUES.shape[2])
    path = made.save(made.enhanced(affine, VALUES, order, each), tmp_path / "enhanced.dcm")
    image = read_image(path)
    assert image.sources == (path,)
    assert at(image, place) == pytest.approx(VALUES[3, 2, 1], abs=0.01)
    # Alone in its folder, it is the same.
    assert read_image(tmp_path).values == pytest.approx(image.values)
    if affine is GANTRY:
        assert ["tilted by 20°" in note.text for note in image.notes] == [True]
        return  # The other reader knows no tilt.
    # Another reader, of the same frames.
    other = highdicom.imread(path).get_volume()
    index = np.rint(np.linalg.inv(other.affine) @ (*place, 1.0)).astype(int)
    assert other.array[tuple(index[:3])] == VALUES[3, 2, 1]


def test_what_is_wrong_with_frames_is_told(tmp_path):
    path = tmp_path / "enhanced.dcm"

    def said(ds):
        return refused(made.save(ds, path))

    def frames():
        ds = made.enhanced(STRAIGHT, VALUES)
        return ds, ds.PerFrameFunctionalGroupsSequence

    ds, of = frames()
    # As heart phases lie: each place once a phase.
    of[5].PlanePositionSequence = of[4].PlanePositionSequence
    assert "two slices at one place, as a series of several heart phases has" in said(ds)
    ds, of = frames()
    del of[3].PlanePositionSequence
    assert "frame 4 has no ImagePositionPatient" in said(ds)
    ds, of = frames()
    ds.PerFrameFunctionalGroupsSequence = of[:-1]
    assert "is no stack of grey values" in said(ds)
    ds, _ = frames()
    ds.PixelData = ds.PixelData[:-500]
    assert "cannot be read as DICOM" in said(ds)
    labels = made.segmentation(made.series(STRAIGHT, VALUES), {"LA": VALUES > 0}, "BINARY")
    assert "is one DICOM file, and no image of many frames" in said(labels)


def test_a_volume_file_is_read_as_grey_values(tmp_path):
    ras = np.diag([-1.0, -1.0, 1.0, 1.0]) @ STRAIGHT
    nibabel.save(nibabel.Nifti1Image(VALUES.astype(np.int16), ras), tmp_path / "ct.nii.gz")
    image = read_image(tmp_path / "ct.nii.gz")
    # The header's numbers have seven digits: a hundred-thousandth of a mm among values of noise.
    assert at(image, PLACES[0][1]) == pytest.approx(VALUES[3, 2, 1], abs=0.1)


def refused(folder):
    with pytest.raises(InputError) as caught:
        read_image(folder)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_what_is_wrong_is_told(tmp_path):
    def said(name, slices):
        (tmp_path / name).mkdir()
        return refused(save(tmp_path / name, slices))

    def fresh():
        return made.series(STRAIGHT, VALUES)

    one = fresh()
    assert "some are missing" in said("missing", one[:4] + one[5:])
    again = fresh()
    again[3].ImagePositionPatient = again[2].ImagePositionPatient
    assert "two slices at one place" in said("twice", again)
    shifted = fresh()
    for k, ds in enumerate(shifted):
        ds.ImagePositionPatient[1] = float(ds.ImagePositionPatient[1]) + 0.3 * (k % 2)
    assert "shifted unevenly" in said("shifted", shifted)
    fallen = fresh()
    for k, ds in enumerate(fallen):
        ds.ImagePositionPatient[1] = float(ds.ImagePositionPatient[1]) + 1.5 * k
    assert "50.2 degrees from perpendicular" in said("fallen", fallen)
    apart = fresh()
    apart[4].FrameOfReferenceUID = "1.2.3"
    assert "holds 2 frames of reference" in said("apart", apart)
    wider = fresh()
    wider[4].PixelSpacing = [0.6, 0.6]
    assert "several pixel spacings" in said("wider", wider)
    assert "holds 2 series" in said("two", [*fresh()[:5], *fresh()[5:]])
    assert "holds 0 DICOM slices" in said("none", [])
    turned = fresh()
    turned[2].ImageOrientationPatient = [0, 1, 0, 1, 0, 0]
    assert "several orientations" in said("turned", turned)
    assert "does not exist" in refused(tmp_path / "gone.nii")
    one_file = made.save(fresh()[0], tmp_path / "slice")
    assert "give the folder that holds its whole series" in refused(one_file)
    cut = fresh()
    cut[1].PixelData = cut[1].PixelData[:40]
    assert "cannot be read as DICOM" in said("cut", cut)
