"""Invented DICOM series, segmentations and structure sets to read."""

from __future__ import annotations

import highdicom
import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code
from pydicom.uid import (
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRLittleEndian,
    RTStructureSetStorage,
    generate_uid,
)

IDENTITY = {
    "PatientName": "Larkmoor^Invented", "PatientID": "LM-0042", "PatientBirthDate": "19511224",
    "PatientSex": "F", "StudyID": "ST-77", "StudyDate": "20231105", "StudyTime": "093011",
    "AccessionNumber": "AC-9001", "ReferringPhysicianName": "Referrer^Invented",
}  # fmt: skip
"""Nobody's."""


def _new(kind: str) -> Dataset:
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = kind
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = generate_uid()
    for name, value in IDENTITY.items():
        setattr(ds, name, value)
    return ds


def series(affine: np.ndarray, values: np.ndarray) -> list[Dataset]:
    """A CT series of values (columns, rows, slices) with index to LPS mm, (column, row, slice)."""
    study, of, frame = generate_uid(), generate_uid(), generate_uid()
    edges = np.linalg.norm(affine[:3, :3], axis=0)
    found = []
    for k in range(values.shape[2]):
        ds = _new(CTImageStorage)
        ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = study, of, frame
        ds.Modality, ds.SeriesNumber, ds.InstanceNumber = "CT", 2, k + 1
        ds.Manufacturer = ds.PositionReferenceIndicator = ""
        ds.Rows, ds.Columns = values.shape[1], values.shape[0]
        ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
        ds.BitsAllocated = ds.BitsStored = 16
        ds.HighBit, ds.PixelRepresentation = 15, 1
        ds.PixelSpacing = [float(edges[1]), float(edges[0])]
        ds.ImageOrientationPatient = [*(affine[:3, 0] / edges[0]), *(affine[:3, 1] / edges[1])]
        ds.ImagePositionPatient = [float(v) for v in affine[:3] @ (0, 0, k, 1)]
        ds.SliceThickness = float(edges[2])
        ds.RescaleSlope, ds.RescaleIntercept = 1, 0
        ds.PixelData = np.ascontiguousarray(values[:, :, k].T).astype(np.int16).tobytes()
        found.append(ds)
    return found


SHARED = {"turned": "PlaneOrientationSequence", "spaced": "PixelMeasuresSequence",
          "meant": "PixelValueTransformationSequence"}  # fmt: skip


def enhanced(affine: np.ndarray, values: np.ndarray, order=None, each=()) -> Dataset:
    """The frames of ``series`` as one enhanced multi-frame image (PS3.3 A.38, C.7.6.16).

    Groups stand once for all frames, those of ``each`` with the frame. Pixels are stored 1,000
    above what they mean.
    """
    slices = series(affine, values)
    first = slices[0]
    ds = _new(EnhancedCTImageStorage)
    for name in ("StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID", "Modality",
                 "Rows", "Columns", "SamplesPerPixel", "PhotometricInterpretation",
                 "BitsAllocated", "BitsStored", "HighBit"):  # fmt: skip
        setattr(ds, name, first.get(name))
    ds.PixelRepresentation, ds.NumberOfFrames = 0, len(slices)
    groups = {"turned": Dataset(), "spaced": Dataset(), "meant": Dataset()}
    groups["turned"].ImageOrientationPatient = first.ImageOrientationPatient
    groups["spaced"].PixelSpacing = first.PixelSpacing
    groups["spaced"].SliceThickness = first.SliceThickness
    groups["meant"].RescaleSlope, groups["meant"].RescaleIntercept = 1, -1000
    groups["meant"].RescaleType = "HU"
    shared = Dataset()
    for name in set(groups) - set(each):
        setattr(shared, SHARED[name], [groups[name]])
    ds.SharedFunctionalGroupsSequence = [shared]
    frames, pixels = [], []
    for k in range(len(slices)) if order is None else order:
        frame, place, content = Dataset(), Dataset(), Dataset()
        place.ImagePositionPatient = slices[k].ImagePositionPatient
        content.StackID, content.InStackPositionNumber = "1", int(k) + 1
        content.DimensionIndexValues = [1, int(k) + 1]
        frame.PlanePositionSequence, frame.FrameContentSequence = [place], [content]
        for name in each:
            setattr(frame, SHARED[name], [groups[name]])
        frames.append(frame)
        pixels.append(np.ascontiguousarray(values[:, :, k].T + 1000).astype(np.uint16).tobytes())
    ds.PerFrameFunctionalGroupsSequence = frames
    ds.PixelData = b"".join(pixels)
    return ds


LABELS = {
    "LA": ("82471001", "SCT"), "upper left": ("43863001", "SCT"), "gullet": ("32849002", "SCT"),
}  # fmt: skip


def segmentation(source, masks: dict[str, np.ndarray], kind: str, **options):
    """Masks or shares (columns, rows, slices) by name, coded where ``LABELS`` has the name."""
    pixels = np.stack([m.transpose(2, 1, 0) for m in masks.values()], axis=-1)
    algorithm = highdicom.AlgorithmIdentificationSequence(
        name="invented", version="1", family=codes.DCM.ArtificialIntelligence
    )
    told = [
        highdicom.seg.SegmentDescription(
            k + 1,
            name,
            codes.SCT.AnatomicalStructure,
            Code(*LABELS.get(name, (f"X{k}", "99LARKMOOR")), name),
            highdicom.seg.SegmentAlgorithmTypeValues.AUTOMATIC,
            algorithm_identification=algorithm,
        )
        for k, name in enumerate(masks)
    ]
    return highdicom.seg.Segmentation(
        source, pixels, kind, told, generate_uid(), 3, generate_uid(), 1,
        "Larkmoor (invented)", "invented", "1", "1", **options,
    )  # fmt: skip


def structure_set(regions: dict[str, list[np.ndarray]], frame: str | None = None) -> Dataset:
    """Closed contours (N, 3), LPS mm, by the name of their region."""
    ds = _new(RTStructureSetStorage)
    ds.Modality, ds.StructureSetLabel = "RTSTRUCT", "invented"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(), generate_uid()
    frame = frame or generate_uid()
    ds.StructureSetROISequence, ds.ROIContourSequence, ds.RTROIObservationsSequence = [], [], []
    for number, (name, contours) in enumerate(regions.items(), 1):
        roi, drawn, seen = Dataset(), Dataset(), Dataset()
        roi.ROINumber, roi.ROIName, roi.ReferencedFrameOfReferenceUID = number, name, frame
        drawn.ReferencedROINumber, drawn.ContourSequence = number, []
        for points in contours:
            item = Dataset()
            item.ContourGeometricType = "CLOSED_PLANAR"
            item.NumberOfContourPoints = len(points)
            item.ContourData = [f"{v:.3f}" for v in np.asarray(points).ravel()]
            drawn.ContourSequence.append(item)
        seen.ReferencedROINumber, seen.ObservationNumber = number, number
        ds.StructureSetROISequence.append(roi)
        ds.ROIContourSequence.append(drawn)
        ds.RTROIObservationsSequence.append(seen)
    return ds


def save(ds: Dataset, path):
    ds.save_as(path, enforce_file_format=True)
    return path
