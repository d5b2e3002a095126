"""Measures as TID 1500, and the ostia as a Segmentation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from veinfit.anatomy.model import Anatomy, Appendage, Ostium, Vein
from veinfit.io.dicom import codes as known
from veinfit.io.dicom.study import Study, finish
from veinfit.result.values import Row
from veinfit.vectors import FloatArray, perpendicular_basis
from veinfit.vein_names import APPENDAGE

DISC_VOXEL_MM = 0.8
"""Edge of the voxels in which ostia are drawn as discs."""

DISC_HALF_MM = 0.8
"""Half of a disc's thickness: enough that no direction leaves holes in it."""


def measurement_report(
    veins: Sequence[Vein],
    vein_rows: Sequence[Row],
    fit_rows: Sequence[Row],
    discs: Any,
    study: Study,
) -> Any:
    """Return the measures as a Comprehensive 3D SR by TID 1500.

    A group a vein with its ostial contour as spatial coordinates, and a group a fit.

    Parameters
    ----------
    veins : sequence of Vein
    vein_rows, fit_rows : sequence of Row
        As in ``veins.csv`` and ``fits.csv``: the numbers are these.
    discs : data set
        The Segmentation of the ostia, named as evidence.
    study : Study
    """
    from highdicom import sr
    from pydicom.sr.codedict import codes
    from pydicom.uid import generate_uid

    device = sr.ObserverContext(
        codes.DCM.Device,
        sr.DeviceObserverIdentifyingAttributes(
            uid=str(generate_uid()),
            name="veinfit",
            manufacturer_name="veinfit",
            model_name=f"veinfit {study.version}",
        ),
    )
    contours = {vein.name: vein for vein in veins}
    groups: list[Any] = []
    for row in vein_rows:
        vein = contours.get(str(row["vein"]))
        if vein is None:
            continue
        points = _plane_points(vein)
        groups.append(
            sr.PlanarROIMeasurementsAndQualitativeEvaluations(
                tracking_identifier=_tracking(f"{vein.name} ostium"),
                referenced_region=sr.ImageRegion3D(
                    sr.GraphicTypeValues3D.POLYGON, points, study.frame_of_reference
                ),
                finding_type=_code(known.OSTIUM),
                finding_sites=[_site(vein.name)],
                measurements=_measured(row, known.VEIN_MEASURES),
                qualitative_evaluations=_answers(row, known.VEIN_ANSWERS),
            )
        )
    for row in fit_rows:
        groups.append(
            sr.MeasurementsAndQualitativeEvaluations(
                tracking_identifier=_tracking(f"{row['vein']} {row['balloon']} {row['approach']}"),
                finding_type=_code(known.SEAT),
                finding_sites=[_site(str(row["vein"]))],
                measurements=_measured(row, known.FIT_MEASURES),
                qualitative_evaluations=[*_answers(row, known.FIT_ANSWERS), *_outcome(row)],
            )
        )
    report = sr.MeasurementReport(
        observation_context=sr.ObservationContext(observer_device_context=device),
        procedure_reported=_code(known.IMAGING),
        imaging_measurements=groups,
        title=codes.DCM.ImagingMeasurementReport,
    )
    evidence = [discs, *study.sources]
    ds = sr.Comprehensive3DSR(
        evidence, report[0], str(generate_uid()), 900, str(generate_uid()), 1, "veinfit",
        is_complete=True, is_final=False, is_verified=False,
    )  # fmt: skip
    ds.ContentDate, ds.ContentTime = study.date, study.time
    return finish(ds, study, "measurements")


def ostia_segmentation(anatomy: Anatomy, study: Study) -> Any:
    """Return the ostia of veins and appendage as discs, a segment each."""
    import highdicom
    from pydicom.sr.codedict import codes
    from pydicom.uid import generate_uid

    ostia: dict[str, Ostium | Appendage] = {vein.name: vein.ostium for vein in anatomy.veins}
    if anatomy.appendage is not None:
        ostia[APPENDAGE] = anatomy.appendage
    places = np.concatenate([ostium.contour.points for ostium in ostia.values()])
    low = places.min(axis=0) - 3.0
    count = np.ceil((places.max(axis=0) + 3.0 - low) / DISC_VOXEL_MM).astype(int)
    masks = np.zeros((*count[::-1], len(ostia)), dtype=np.uint8)
    index = np.indices(tuple(count[::-1])).reshape(3, -1).T[:, ::-1]
    world = low + DISC_VOXEL_MM * index
    for k, ostium in enumerate(ostia.values()):
        masks[..., k] = _in_disc(world, ostium).reshape(masks.shape[:3])
    affine = np.eye(4)
    # Slices, rows, columns.
    affine[:3, :3] = np.fliplr(np.eye(3)) * DISC_VOXEL_MM
    affine[:3, 3] = low
    volume = highdicom.Volume(
        masks,
        affine,
        "PATIENT",
        study.frame_of_reference,
        channels={"SegmentNumber": range(1, len(ostia) + 1)},
    )
    algorithm = highdicom.AlgorithmIdentificationSequence(
        name="veinfit", version=study.version, family=_code(known.GEOMETRY)
    )
    told = [
        highdicom.seg.SegmentDescription(
            k + 1,
            f"{name} ostium",
            codes.SCT.AnatomicalStructure,
            _code(known.OSTIUM),
            highdicom.seg.SegmentAlgorithmTypeValues.AUTOMATIC,
            algorithm_identification=algorithm,
            anatomic_regions=[_code(known.site_of(name))],
        )
        for k, name in enumerate(ostia)
    ]
    ds = highdicom.seg.Segmentation(
        [_stand_in(study)], volume, "BINARY", told, str(generate_uid()), 904, str(generate_uid()),
        1, "veinfit", "veinfit", study.version, "0", content_label="OSTIA",
    )  # fmt: skip
    for name in ("ReferencedSeriesSequence", "SourceImageSequence"):
        if name in ds:
            delattr(ds, name)
    for frame in ds.PerFrameFunctionalGroupsSequence:
        frame.pop("DerivationImageSequence", None)
    shared = ds.SharedFunctionalGroupsSequence[0]
    shared.pop("DerivationImageSequence", None)
    ds.ContentDate, ds.ContentTime = study.date, study.time
    return finish(ds, study, "ostia")


def _in_disc(points: FloatArray, ostium: Ostium | Appendage) -> Any:
    """Tell which points (N, 3) lie in the ostial plane's disc within its contour."""
    from matplotlib.path import Path as Outline

    first, second = perpendicular_basis(ostium.normal)
    away = points - ostium.centre
    close = np.abs(away @ ostium.normal) <= DISC_HALF_MM
    rim = ostium.contour.points - ostium.centre
    outline = Outline(np.column_stack([rim @ first, rim @ second]))
    found = np.zeros(len(points), dtype=bool)
    found[close] = outline.contains_points(
        np.column_stack([away[close] @ first, away[close] @ second])
    )
    return found


def _plane_points(vein: Vein) -> FloatArray:
    """Return the ostial contour, closed, within the ostial plane to the last digit."""
    ostium = vein.ostium
    away = ostium.contour.points - ostium.centre
    flat = ostium.contour.points - np.outer(away @ ostium.normal, ostium.normal)
    return np.concatenate([flat, flat[:1]])


def _stand_in(study: Study) -> Any:
    """Return what the library asks of a source image: patient, study and frame of reference."""
    from pydicom.dataset import Dataset
    from pydicom.uid import CTImageStorage, generate_uid

    ds = Dataset()
    for name, value in study.values.items():
        setattr(ds, name, value)
    ds.SOPClassUID, ds.SOPInstanceUID = CTImageStorage, generate_uid()
    ds.SeriesInstanceUID, ds.FrameOfReferenceUID = generate_uid(), study.frame_of_reference
    ds.Modality, ds.Rows, ds.Columns = "CT", 8, 8
    ds.PixelSpacing, ds.SliceThickness = [1.0, 1.0], 1.0
    ds.ImagePositionPatient, ds.ImageOrientationPatient = [0.0, 0, 0], [1.0, 0, 0, 0, 1, 0]
    return ds


def _code(triple: known.Triple) -> Any:
    from highdicom.sr import CodedConcept

    return CodedConcept(*triple)


def _site(vein: str) -> Any:
    from highdicom.sr import FindingSite

    return FindingSite(_code(known.site_of(vein)))


def _tracking(name: str) -> Any:
    from highdicom.sr import TrackingIdentifier
    from pydicom.uid import generate_uid

    return TrackingIdentifier(str(generate_uid()), name)


def _measured(row: Row, wanted: Mapping[str, tuple[known.Triple, known.Triple]]) -> list[Any]:
    """Return what a row has of the wanted columns; what is empty is left out."""
    from highdicom.sr import Measurement

    found = []
    for column, (concept, unit) in wanted.items():
        value = row.get(column)
        if isinstance(value, int | float) and not isinstance(value, bool):
            found.append(Measurement(_code(concept), float(value), _code(unit)))
    return found


def _answers(row: Row, wanted: Mapping[str, known.Triple]) -> list[Any]:
    """Return what a row says yes or no to."""
    from highdicom.sr import QualitativeEvaluation

    return [
        QualitativeEvaluation(_code(concept), _code(known.YES_NO[value]))
        for column, concept in wanted.items()
        if isinstance(value := row.get(column), bool)
    ]


def _outcome(row: Row) -> list[Any]:
    from highdicom.sr import QualitativeEvaluation

    outcome = known.OUTCOMES.get(str(row.get("outcome")))
    if outcome is None:
        return []
    return [QualitativeEvaluation(_code(known.OUTCOME), _code(outcome))]
