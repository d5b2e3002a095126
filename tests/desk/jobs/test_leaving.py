"""What leaves the desk as DICOM: under whose study."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

pytest.importorskip("highdicom")

import dicom_made as made
import handmade
import pydicom
from pydicom.uid import generate_uid

from veinfit.desk.jobs.leaving import _write_dicom
from veinfit.desk.store.options import CaseOptions

RESULT = SimpleNamespace(
    anatomy=handmade.anatomy(),
    fits=(handmade.fit(),),
    provenance=SimpleNamespace(versions={"veinfit": "0.2.0"}, created="2026-01-02T03:04:05Z"),
)


@pytest.mark.parametrize("image", ["inputs", ""], ids=["image", "labels alone"])
def test_results_lie_under_the_study_of_the_image_or_else_of_the_labels(image, tmp_path):
    inputs = tmp_path / "inputs"
    inputs.mkdir()
    mask = np.zeros((16, 16, 10), bool)
    mask[4:9, 4:9, 2:8] = True
    slices = made.series(np.eye(4), np.zeros(mask.shape))
    labels = made.segmentation(slices, {"LA": mask}, "BINARY")
    # As contours are often exported: on the image's frame of reference, in a study of their own.
    labels.StudyInstanceUID = generate_uid()
    made.save(labels, inputs / "seg.dcm")
    for k, ds in enumerate(slices):
        made.save(ds, inputs / f"{k}")
    (inputs / "note.txt").write_text("no DICOM")
    case = SimpleNamespace(path=tmp_path, options=CaseOptions(input="inputs/seg.dcm", image=image))
    _write_dicom(case, RESULT, tmp_path, tmp_path / "out", True)
    study = slices[0].StudyInstanceUID if image else labels.StudyInstanceUID
    found = [pydicom.dcmread(path) for path in (tmp_path / "out").iterdir()]
    assert {ds.StudyInstanceUID for ds in found} == {study}
    report = next(ds for ds in found if ds.SOPClassUID.name == "Comprehensive 3D SR Storage")
    # All that the results come from is named, the labels too.
    assert str(labels.SOPInstanceUID) in str(report)
    assert (str(slices[3].SOPInstanceUID) in str(report)) == bool(image)
