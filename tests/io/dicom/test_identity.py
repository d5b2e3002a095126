"""Whose images they were: in DICOM that is asked for, and nowhere else."""

from __future__ import annotations

import base64
import re
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("highdicom")

import dicom_made as made
import pydicom
from PIL import Image
from scipy import ndimage

from veinfit import case
from veinfit.case import assess
from veinfit.cli import main
from veinfit.vectors import apply_affine

SETTINGS = """
[margin]
samples = 0
[seating]
crossing_map = false
growth_in_place = false
"""

TOLD = {
    "InstitutionName": "Larkmoor Ward 12 (invented)",
    "InstitutionAddress": "Larkmoor Lane 3 (invented)",
    "StationName": "SCANNER-LARK-9",
    "DeviceSerialNumber": "SERIAL-55121",
    "OperatorsName": "Operator^Invented",
    "PerformingPhysicianName": "Performer^Invented",
    "PatientAddress": "Invented Street 8",
    "PatientComments": "comment-on-the-invented",
    "StudyDescription": "study-of-the-invented",
    "SeriesDescription": "series-of-the-invented",
    "ProtocolName": "protocol-of-the-invented",
    "AcquisitionDate": "20231106",
    "ContentDate": "20231107",
    "SeriesDate": "20231108",
    "AcquisitionTime": "101112.131415",
    "InstanceCreationDate": "20231109",
    "InstanceCreationTime": "121314",
}
"""Further identifying attributes (PS3.15 E.1.1), of nobody."""

NOT_TELLING = {"Image Position Patient", "Referenced Segment Number", "invented"}
"""Names of dimensions, in every segmentation; and a plain word."""


def identifying(datasets) -> set[str]:
    """Every text of some data sets that tells whose they are: unique identifiers, dates, names."""
    found: set[str] = set()

    def add(ds) -> None:
        for element in ds:
            if element.VR == "SQ":
                # Codes and their meanings, and the program that wrote it, are nobody's.
                if not element.keyword.endswith(("CodeSequence", "EquipmentSequence")):
                    for item in element.value:
                        add(item)
            elif element.VR in {"UI", "PN", "DA", "TM", "SH", "LO", "LT", "ST", "UT", "AE"}:
                values = element.value if element.VM > 1 else [element.value]
                found.update(str(value) for value in values)

    for ds in datasets:
        add(ds)
    # Nor are UIDs of the standard itself.
    return {
        text for text in found
        if len(text) > 5 and not text.startswith("1.2.840.10008.") and text not in NOT_TELLING
    }  # fmt: skip


def plain(path: Path) -> bytes:
    """A file's bytes, and what is packed in them."""
    content = path.read_bytes()
    if path.suffix == ".npz":
        with zipfile.ZipFile(path) as packed:
            content += b"".join(packed.read(name) for name in packed.namelist())
    # Pages of a PDF are packed, some of them as text.
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", content, re.DOTALL):
        for unpacked in (lambda data: data, base64.a85decode):
            try:
                content += zlib.decompress(unpacked(stream.strip().removesuffix(b"~>")))
            except (ValueError, zlib.error):
                continue
    return content


def holds(content: bytes, text: str) -> bool:
    """Tell whether a file holds a text; digits alone count where they begin a number.

    Among the millions of digits of a case any six stand somewhere in the middle of one.
    """
    if text.isdigit():
        return re.search(rb"(?<![\d.])" + text.encode(), content) is not None
    return text.encode() in content


def drawn_case(folder):
    """An atrium of a ball and two veins, as a series and its segmentation, under a name."""
    shape, edge = (110, 80, 80), 1.0
    affine = np.diag([edge, edge, edge, 1.0])
    affine[:3, 3] = (-55.0, -40.0, -40.0)
    points = apply_affine(affine, np.indices(shape).reshape(3, -1).T)
    inside = np.linalg.norm(points, axis=1) < 25.0
    for side, up in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        axis = np.array([0.85 * side, 0.25 * -up, 0.45 * up])
        axis /= np.linalg.norm(axis)
        along = points @ axis
        beside = np.linalg.norm(points - np.outer(along, axis), axis=1)
        inside |= (beside < 7.5) & (along > 0) & (along < 44.0)
    mask = inside.reshape(shape)
    grey = np.where(mask, 400.0, 40.0)
    grey[ndimage.distance_transform_edt(~mask) > 20] = -800.0
    series = made.series(affine, grey)
    labels = made.segmentation(series, {"LA": mask}, "BINARY")
    for ds in (*series, labels):
        for name, value in TOLD.items():
            setattr(ds, name, value)
        ds.add_new(0x00091001, "LO", "private-text-of-the-invented")
    ct = folder / "Larkmoor^Invented LM-0042"
    ct.mkdir()
    for k, ds in enumerate(series):
        made.save(ds, ct / f"LM-0042-{k}.dcm")
    path = made.save(labels, folder / "LM-0042-labels.dcm")
    return path, ct, [*series, labels]


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    return drawn_case(tmp_path_factory.mktemp("drawn"))


@pytest.fixture(scope="module")
def assess_once():
    """Assess the case for the first test that asks: for all the same, whatever they write."""
    done = []

    def once(*given, **options):
        return done[0] if done else done.append(assess(*given, **options)) or done[0]

    return once


@pytest.mark.slow
@pytest.mark.parametrize("asked", [(), ("--deidentify",)], ids=["identified", "deidentified"])
def test_no_output_tells_whose_they_are_unless_asked(
    asked, drawn, assess_once, tmp_path, monkeypatch
):
    path, ct, datasets = drawn
    monkeypatch.setattr(case, "assess", assess_once)
    (tmp_path / "few.toml").write_text(SETTINGS)
    out, dicom = tmp_path / "out", tmp_path / "dicom"
    code = main([
        "assess", str(path), "--image", str(ct), "--out", str(out), "--dicom", str(dicom),
        "--settings", str(tmp_path / "few.toml"), "--balloon", "28", "--quiet", *asked,
    ])  # fmt: skip
    assert code in (0, 3)
    texts = identifying(datasets) | {"LM-0042"}
    assert len(texts) > 100 and {"Larkmoor^Invented", "20231105", TOLD["StationName"]} <= texts

    def telling(folder):
        files = [file for file in folder.rglob("*") if file.is_file()]
        assert files
        return {
            (file.name, text)
            for file in files
            for content in [plain(file)]
            for text in texts
            if holds(content, text)
        }

    assert telling(out) == set()
    assert any(file.name.endswith("-image.png") for file in out.rglob("*"))
    if asked:
        assert telling(dicom) == set()
    else:
        assert {"Larkmoor^Invented", "LM-0042"} <= {text for _, text in telling(dicom)}
    for file in dicom.iterdir():
        ds = pydicom.dcmread(file)
        assert (ds.PatientName == "") == bool(asked)
    for file in out.rglob("*.png"):
        with Image.open(file) as picture:
            # Nothing beside the pixels; the pixels hold what the program drew.
            assert not set(picture.info) - {"dpi", "Software", "gamma", "srgb", "transparency"}
