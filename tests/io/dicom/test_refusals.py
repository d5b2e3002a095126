"""What is wrong with DICOM files ends in one line, exit code 2, and nothing written."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("highdicom")

import dicom_made as made
from pydicom.encaps import encapsulate
from pydicom.uid import JPEG2000Lossless, RLELossless

from veinfit.cli import main
from veinfit.io.dicom.labels import read_segments
from veinfit.io.inputs.images import read_image

EDGE = 2.0
AFFINE = np.array([[EDGE, 0, 0, -40], [0, EDGE, 0, -40], [0, 0, EDGE, -40], [0, 0, 0, 1.0]])
SHAPE = (40, 40, 40)
BALL = np.linalg.norm(np.indices(SHAPE).transpose(1, 2, 3, 0) - 20, axis=-1) < 13.0


def kept(path, ds):
    path.parent.mkdir(exist_ok=True)
    return made.save(ds, path)


class Case:
    """Labels and image of one invented study, to be spoiled."""

    def __init__(self, folder):
        self.folder = folder
        self.slices = made.series(AFFINE, np.where(BALL, 400, 40))
        self.labels = made.segmentation(self.slices, {"LA": BALL}, "FRACTIONAL")

    def saved(self):
        for k, ds in enumerate(self.slices):
            kept(self.folder / "ct" / f"{k}.dcm", ds)
        return kept(self.folder / "in" / "seg.dcm", self.labels)


def truncated_labels(case):
    path = case.saved()
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def truncated_slice(case):
    case.saved()
    path = case.folder / "ct" / "7.dcm"
    path.write_bytes(path.read_bytes()[:-900])


def wrong_class(case):
    case.labels = case.slices[3]
    case.saved()


def mixed_frames(case):
    case.slices[4].FrameOfReferenceUID = "1.2.3.4"
    case.saved()


def other_frame(case):
    for ds in case.slices:
        ds.FrameOfReferenceUID = "1.2.3.4"
    case.saved()


def missing_slice(case):
    del case.slices[20]
    case.saved()


def missing_frame(case):
    hole = BALL.copy()
    hole[:, :, 20] = False
    case.labels = made.segmentation(case.slices, {"LA": hole}, "FRACTIONAL")
    case.saved()


def slice_twice(case):
    case.slices[5].ImagePositionPatient = case.slices[6].ImagePositionPatient
    case.saved()


def frame_twice(case):
    frames = case.labels.PerFrameFunctionalGroupsSequence
    place = frames[3].PlanePositionSequence[0].ImagePositionPatient
    frames[4].PlanePositionSequence[0].ImagePositionPatient = place
    case.saved()


def packed_without_sense(case):
    ds = case.slices[9]
    ds.file_meta.TransferSyntaxUID = JPEG2000Lossless
    ds.PixelData = encapsulate([b"\xff\x4f\xff\x51" + bytes(96)])
    case.saved()


WRONG = [
    (truncated_labels, "seg.dcm"), (truncated_slice, "7.dcm"), (wrong_class, "CT Image Storage"),
    (mixed_frames, "2 frames of reference"), (other_frame, "different frames of reference"),
    (missing_slice, "some are missing"), (missing_frame, "in 1 of the"),
    (slice_twice, "two slices at one place"), (frame_twice, "has 2 frames"),
    (packed_without_sense, "9.dcm cannot be read as DICOM"),
]  # fmt: skip


@pytest.mark.parametrize(("spoil", "says"), WRONG, ids=lambda value: getattr(value, "__name__", ""))
def test_one_line_and_nothing_written(spoil, says, tmp_path, capfd):
    spoil(Case(tmp_path))
    given = sorted(path.name for path in tmp_path.rglob("*"))
    arguments = [
        "assess", str(tmp_path / "in" / "seg.dcm"), "--image", str(tmp_path / "ct"),
        "--out", str(tmp_path / "out"), "--dicom", str(tmp_path / "dicom"), "--quiet",
    ]  # fmt: skip
    assert main(arguments) == 2
    out, err = capfd.readouterr()
    assert out == "" and len(err.splitlines()) == 1 and says in err
    assert sorted(path.name for path in tmp_path.rglob("*")) == given
    assert not [value for value in made.IDENTITY.values() if len(value) > 3 and value in err]


def test_packed_slices_and_frames_are_read(tmp_path):
    case = Case(tmp_path)
    plain = read_segments(case.saved()).segments[0].shares
    values = read_image(tmp_path / "ct").values
    for ds in case.slices:
        ds.compress(RLELossless)
    case.labels = made.segmentation(
        case.slices, {"LA": BALL}, "FRACTIONAL", transfer_syntax_uid=RLELossless
    )
    assert np.array_equal(read_segments(case.saved()).segments[0].shares, plain)
    assert np.array_equal(read_image(tmp_path / "ct").values, values)
