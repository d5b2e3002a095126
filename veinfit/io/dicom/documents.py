"""Results as DICOM objects that wrap a file: the report, the surface, the pictures."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.anatomy.wall_parts import wall_parts
from veinfit.io.dicom.codes import MODEL_TITLES, site_of
from veinfit.io.dicom.study import Study, code_item, finish
from veinfit.surface import Surface
from veinfit.surface.mesh import select_faces

PDF = "1.2.840.10008.5.1.4.1.1.104.1"
STL = "1.2.840.10008.5.1.4.1.1.104.3"
WHOLE = "whole"


def encapsulated_pdf(content: bytes, study: Study) -> Any:
    """Return a report as Encapsulated PDF (PS3.3 A.45.1)."""
    ds = _document(PDF, "DOC", content, "application/pdf", "Predicted seating", study)
    ds.ConversionType = "WSD"
    ds.ConceptNameCodeSequence = [code_item(("18748-4", "LN", "Diagnostic imaging report"))]
    return finish(ds, study, "report")


def encapsulated_walls(anatomy: Anatomy, study: Study) -> dict[str, Any]:
    """Return the wall as Encapsulated STL, LPS mm (PS3.3 A.85.1), whole and part by part.

    STL holds no labels. So each part is an object of its own, in the series and the model
    group of the whole: the atrium's body, each vein past its ostium, the appendage.

    Returns
    -------
    dict
        ``whole``, ``body``, and the names of veins and appendage.
    """
    from pydicom.uid import generate_uid

    names, part_of_face = wall_parts(anatomy)
    shared = str(generate_uid()), str(generate_uid())
    found = {WHOLE: _stl(anatomy.wall, WHOLE, "the left atrium with its veins", 1, shared, study)}
    for k, name in enumerate(names):
        value, scheme, meaning = site_of(name)
        part = select_faces(anatomy.wall, part_of_face == k)[0]
        if len(part.faces):
            label = f"{name}, {meaning} ({scheme} {value})"
            found[name] = _stl(part, name, label, 2 + k, shared, study)
    return found


def _stl(
    surface: Surface, name: str, label: str, number: int, shared: tuple[str, str], study: Study
) -> Any:
    title = f"Left atrial wall: {name}"
    ds = _document(STL, "M3D", stl_bytes(surface), "model/stl", title, study)
    ds.SeriesInstanceUID, ds.ModelGroupUID = shared
    ds.InstanceNumber, ds.ContentDescription = number, label[:64]
    # Of type 2: empty where the image is unknown.
    title_code = MODEL_TITLES.get(study.modality)
    ds.ConceptNameCodeSequence = [] if title_code is None else [code_item(title_code)]
    ds.MeasurementUnitsCodeSequence = [code_item(("mm", "UCUM", "millimeter"))]
    ds.ModelModification, ds.ModelMirroring = "YES", "NO"
    ds.FrameOfReferenceUID, ds.PositionReferenceIndicator = study.frame_of_reference, ""
    return finish(ds, study, "surface")


def stl_bytes(surface: Surface) -> bytes:
    """Return a surface as binary STL: 80 bytes, a count, 50 bytes a triangle."""
    corners = surface.points[surface.faces].astype("<f4")
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1, keepdims=True)
    rows = np.zeros(len(corners), dtype=[("v", "<f4", (4, 3)), ("a", "<u2")])
    rows["v"][:, 0] = np.divide(cross, length, out=np.zeros_like(cross), where=length > 0)
    rows["v"][:, 1:] = corners
    header = b"LPS mm".ljust(80)
    return header + len(rows).to_bytes(4, "little") + rows.tobytes()


def secondary_capture(
    picture: Path, study: Study, series: str, number: int, description: str
) -> Any:
    """Return a picture as Secondary Capture (PS3.3 A.8.1)."""
    import highdicom
    from PIL import Image
    from pydicom.uid import generate_uid

    with Image.open(io.BytesIO(picture.read_bytes())) as opened:
        pixels = np.asarray(opened.convert("RGB"))
    ds = highdicom.sc.SCImage(
        pixels, "RGB", 8, "PATIENT", study.values["StudyInstanceUID"], series, 902,
        str(generate_uid()), number, "veinfit", patient_orientation=("L", "F"),
    )  # fmt: skip
    # A drawing in perspective has no direction of its own.
    ds.PatientOrientation = ""
    ds.ImageType = ["DERIVED", "SECONDARY"]
    # No paired part of the body, so that no laterality is asked for (PS3.3 C.7.3.1).
    ds.BodyPartExamined = "HEART"
    # Pictures name veins, never a patient.
    ds.BurnedInAnnotation = "NO"
    ds.ContentDate, ds.ContentTime = study.date, study.time
    ds.DerivationDescription = f"{description}, drawn from the predicted seat"[:1024]
    return finish(ds, study, "pictures")


def _document(kind: str, modality: str, content: bytes, mime: str, title: str, study: Study) -> Any:
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian, generate_uid

    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SOPClassUID, ds.SOPInstanceUID = kind, generate_uid()
    ds.file_meta.MediaStorageSOPClassUID = kind
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.Modality, ds.SeriesInstanceUID = modality, generate_uid()
    ds.SeriesNumber, ds.InstanceNumber = 901 if modality == "DOC" else 903, 1
    ds.ContentDate, ds.ContentTime, ds.AcquisitionDateTime = study.date, study.time, ""
    # A report may bear the name that was given to the case; a surface bears nothing.
    ds.BurnedInAnnotation = "YES" if kind == PDF and not study.deidentified else "NO"
    ds.DocumentTitle, ds.MIMETypeOfEncapsulatedDocument = title, mime
    ds.EncapsulatedDocument = content + b"\0" * (len(content) % 2)
    ds.EncapsulatedDocumentLength = len(content)
    return ds
