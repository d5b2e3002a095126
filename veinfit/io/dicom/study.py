"""The patient and study under which results are written, and its de-identification."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from veinfit.io.dicom.common import read_dataset

IDENTITY = (
    "PatientName", "PatientID", "IssuerOfPatientID", "PatientBirthDate", "PatientSex",
    "StudyInstanceUID", "StudyID", "StudyDate", "StudyTime", "AccessionNumber",
    "ReferringPhysicianName", "StudyDescription",
)  # fmt: skip
"""What the patient and study modules carry over (PS3.3 C.7.1.1, C.7.2.1)."""

OPTIONAL = ("IssuerOfPatientID", "StudyDescription")
"""Written only where the source has them (type 3)."""

CAUTION = "predicted from geometry; not for diagnosis on its own"
DUMMY = {"DA": "19000101", "TM": "000000", "DT": "19000101000000"}


@dataclass(frozen=True, slots=True)
class Study:
    """Where new series go.

    Attributes
    ----------
    values : dict
        Of ``IDENTITY``; empty texts where nothing is known.
    frame_of_reference : str
    source : data set or None
        The object that the results come from; None where it must not be named.
    deidentified : bool
    version, created : str
        Of the program; when the case was assessed, UTC, ISO 8601.
    """

    values: dict[str, Any]
    frame_of_reference: str
    source: Any
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


def study_of(source: Path | None, *, deidentify: bool, version: str, created: str) -> Study:
    """Return the study of a source file, or a new one where there is none or none may show.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    from pydicom.uid import generate_uid

    ds = None if source is None else read_dataset(source, "DICOM source", stop_before_pixels=True)
    values: dict[str, Any] = {name: "" for name in IDENTITY if name not in OPTIONAL}
    if ds is not None and not deidentify:
        values |= {n: ds.get(n) for n in IDENTITY if ds.get(n) is not None}
    frame = ""
    if ds is not None and not deidentify:
        frame = str(ds.get("FrameOfReferenceUID", ""))
        for item in ds.get("ReferencedFrameOfReferenceSequence", []):
            frame = frame or str(item.get("FrameOfReferenceUID", ""))
        for item in ds.get("StructureSetROISequence", []):
            frame = frame or str(item.get("ReferencedFrameOfReferenceUID", ""))
    values["StudyInstanceUID"] = values.get("StudyInstanceUID") or str(generate_uid())
    return Study(
        values,
        frame or str(generate_uid()),
        None if deidentify else ds,
        deidentify,
        version,
        created,
    )


def finish(ds: Any, study: Study, description: str) -> Any:
    """Give an object patient, study, device and derivation, and take away what may not show."""
    from pydicom.dataset import Dataset

    for name, value in study.values.items():
        setattr(ds, name, value)
    ds.SeriesDescription = f"veinfit: {description}; predicted"[:64]
    ds.Manufacturer, ds.ManufacturerModelName = "veinfit", "veinfit"
    ds.SoftwareVersions, ds.DeviceSerialNumber = study.version, "0"
    device = Dataset()
    device.Manufacturer, device.ManufacturerModelName = "veinfit", "veinfit"
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
