"""The patient and study under which results are written, and its de-identification."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from veinfit.errors import InputError
from veinfit.io.dicom.common import read_dataset
from veinfit.io.dicom.enhanced import is_multi_frame

IDENTITY = (
    "PatientName", "PatientID", "IssuerOfPatientID", "PatientBirthDate", "PatientSex",
    "StudyInstanceUID", "StudyID", "StudyDate", "StudyTime", "AccessionNumber",
    "ReferringPhysicianName", "StudyDescription",
)  # fmt: skip
"""What the patient and study modules carry over (PS3.3 C.7.1.1, C.7.2.1)."""

OPTIONAL = ("IssuerOfPatientID", "StudyDescription")
"""Written only where the source has them (type 3)."""

LABELS = ("SEG", "RTSTRUCT", "")
"""Modalities of what holds no image."""

CAUTION = "predicted from geometry; not for diagnosis on its own"
MANUFACTURER = "veinfit"
"""By which a file is known again as written here."""

DUMMY = {"DA": "19000101", "TM": "000000", "DT": "19000101000000"}


@dataclass(frozen=True, slots=True)
class Study:
    """Where new series go.

    Attributes
    ----------
    values : dict
        Of ``IDENTITY``; empty texts where nothing is known.
    frame_of_reference : str
    sources : tuple of data set
        The objects that the results come from; none where they must not be named.
    modality : str
        Of the image among them, such as CT; empty where there is none.
    deidentified : bool
    version, created : str
        Of the program; when the case was assessed, UTC, ISO 8601.
    """

    values: dict[str, Any]
    frame_of_reference: str
    sources: tuple[Any, ...]
    modality: str
    deidentified: bool
    version: str
    created: str

    @property
    def date(self) -> str:
        """The day of the results, as DICOM writes it."""
        return self.created[:10].replace("-", "")

    @property
    def time(self) -> str:
        """Their time of the day, as DICOM writes it."""
        return self.created[11:19].replace(":", "")


def study_of(sources: Sequence[Path], *, deidentify: bool, version: str, created: str) -> Study:
    """Return the study of the first source, or a new one where there is none or none may show.

    Raises
    ------
    InputError
        A file cannot be read.
    """
    from pydicom.uid import generate_uid

    read = [read_dataset(path, "DICOM source", stop_before_pixels=True) for path in sources]
    ds = read[0] if read else None
    values: dict[str, Any] = {name: "" for name in IDENTITY if name not in OPTIONAL}
    if ds is not None and not deidentify:
        values |= {n: ds.get(n) for n in IDENTITY if ds.get(n) is not None}
    frame = "" if deidentify else next((f for source in read if (f := _frame_of(source))), "")
    values["StudyInstanceUID"] = values.get("StudyInstanceUID") or str(generate_uid())
    return Study(
        values,
        frame or str(generate_uid()),
        () if deidentify else tuple(read),
        next((m for o in read if (m := str(o.get("Modality", ""))) not in LABELS), ""),
        deidentify,
        version,
        created,
    )


def check_together(labels: Path, image: Path) -> None:
    """Refuse labels and a slice of an image that are not of one patient and one space.

    Parameters
    ----------
    labels : Path
        One DICOM file of the labels.
    image : Path
        One slice of the image, or an enhanced multi-frame file.

    Raises
    ------
    InputError
        They are not, or cannot be read.
    """
    one, other = (read_dataset(p, "DICOM source", stop_before_pixels=True) for p in (labels, image))
    frames = {_frame_of(one), _frame_of(other)} - {""}
    patients = {str(ds.get("PatientID") or "") for ds in (one, other)} - {""}
    for held, what in ((frames, "lie in different frames of reference"),
                       (patients, "are of different patients")):  # fmt: skip
        if len(held) > 1:
            # Of a series its folder was named.
            shown = image if is_multi_frame(other) else image.parent
            raise InputError(
                f"labels {labels} and image {shown} {what}; give the image that the labels "
                "were drawn on"
            )


def _frame_of(ds: Any) -> str:
    found = [ds.get("FrameOfReferenceUID")]
    for item in ds.get("ReferencedFrameOfReferenceSequence", []):
        found.append(item.get("FrameOfReferenceUID"))
    for item in ds.get("StructureSetROISequence", []):
        found.append(item.get("ReferencedFrameOfReferenceUID"))
    return next((str(uid) for uid in found if uid), "")


def finish(ds: Any, study: Study, description: str) -> Any:
    """Give an object patient, study, device and derivation, and take away what may not show."""
    from pydicom.dataset import Dataset

    for name, value in study.values.items():
        setattr(ds, name, value)
    ds.SeriesDescription = f"veinfit: {description}; predicted"[:64]
    ds.Manufacturer, ds.ManufacturerModelName = MANUFACTURER, MANUFACTURER
    ds.SoftwareVersions, ds.DeviceSerialNumber = study.version, "0"
    device = Dataset()
    device.Manufacturer, device.ManufacturerModelName = MANUFACTURER, MANUFACTURER
    device.SoftwareVersions = study.version
    device.ContributionDescription = CAUTION
    device.PurposeOfReferenceCodeSequence = [
        code_item(("109102", "DCM", "Processing Equipment")),
    ]
    ds.ContributingEquipmentSequence = [device]
    ds.SeriesDate, ds.SeriesTime = study.date, study.time
    if study.deidentified:
        ds.PatientIdentityRemoved = "YES"
        ds.DeidentificationMethod = "basic profile, PS3.15 annex E"
        ds.DeidentificationMethodCodeSequence = [
            code_item(("113100", "DCM", "Basic Application Confidentiality Profile"))
        ]
        ds.walk(_without_dates)
    return ds


def _without_dates(ds: Any, element: Any) -> None:
    if element.VR in DUMMY and element.value:
        element.value = DUMMY[element.VR]


def code_item(triple: tuple[str, str, str]) -> Any:
    """Return an item of a code sequence."""
    from pydicom.dataset import Dataset

    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = triple
    return item
