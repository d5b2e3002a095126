"""Reads DICOM Segmentations [1]_: binary, fractional and label maps.

References
----------
.. [1] DICOM PS3.3, A.51 (Segmentation IOD) and C.8.20
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.errors import InputError
from veinfit.io.dicom.common import (
    LABEL_MAP_SEGMENTATION,
    SEGMENTATION,
    Segment,
    Segments,
    class_of,
    coded,
    read_dataset,
)
from veinfit.io.files import first_line
from veinfit.io.quiet import captured_warnings
from veinfit.io.volume_formats.checks import check_bytes, check_grid
from veinfit.vectors import FloatArray

POSITION_DIGITS = 3
"""Frames at positions that agree to a micrometre lie at one place."""

SHIFT_TOLERANCE_MM = 0.02
"""Frames shifted by less are not; and those of a tilted gantry are, to this, by their height."""

ORIENTATION_TOLERANCE = 1e-4
"""Direction cosines that agree to this are the same."""


def read_segmentation(path: Path, dataset: Any | None = None) -> Segments:
    """Read all segments of a Segmentation.

    Frames may come in any order and be compressed; frames that are not there are empty. Those of
    a tilted gantry, each shifted by its height, are on a grid that is as tilted.

    Raises
    ------
    InputError
        The file is damaged or of another class; its frames do not fill a volume, stand
        twice, or one is missing amid a segment.
    """
    ds = read_dataset(path, "volume") if dataset is None else dataset
    if class_of(ds, path) not in (SEGMENTATION, LABEL_MAP_SEGMENTATION):
        raise InputError(f"volume {path} is no DICOM Segmentation; give one")
    import highdicom

    try:
        with captured_warnings():
            _check_frames(ds, path)
            tilted = _without_tilt(ds)
            whole = highdicom.seg.Segmentation.from_dataset(ds, copy=False)
            geometry = whole.get_volume_geometry(allow_missing_positions=True)
            if geometry is None:
                raise InputError(
                    f"volume {path} has frames that are no regular stack: of uneven distance, "
                    "turned against each other, or shifted unevenly; resample it onto "
                    "perpendicular axes"
                )
            check_bytes(geometry.spatial_shape, 4, path)
            affine, up = _in_order(geometry)
            affine = tilted @ affine
            check_grid(affine, path)
            segments = tuple(_segment(whole, int(n), up, path) for n in whole.segment_numbers)
    except InputError:
        raise
    except Exception as error:  # What a damaged file makes the library raise is open.
        raise InputError(
            f"volume {path} cannot be read as a DICOM Segmentation: {first_line(error)}; it may "
            "be damaged, export it again"
        ) from error
    return Segments(segments, affine, str(ds.get("FrameOfReferenceUID", "")), (True, True, False))


def _without_tilt(ds: Any) -> FloatArray:
    """Move the frames of a tilted gantry over one another; return the way back, LPS mm (4, 4).

    Frames that are shifted in any other manner stay as they are.
    """
    shared = ds.get("SharedFunctionalGroupsSequence", [{}])[0]
    frames = ds.PerFrameFunctionalGroupsSequence
    turned = [
        (frame.get("PlaneOrientationSequence") or shared.get("PlaneOrientationSequence"))[0]
        for frame in frames
    ]
    axes = np.array([[float(v) for v in item.ImageOrientationPatient] for item in turned])
    if "PlanePositionSequence" in shared or np.ptp(axes, axis=0).max() > ORIENTATION_TOLERANCE:
        return np.eye(4)
    planes = [frame.PlanePositionSequence[0] for frame in frames]
    places = np.array([[float(v) for v in plane.ImagePositionPatient] for plane in planes])
    normal = np.cross(axes[0, :3], axes[0, 3:])
    away = places - places[0]
    heights = away @ normal
    shifts = away - heights[:, None] * normal
    if not heights.any() or np.abs(shifts).max() <= SHIFT_TOLERANCE_MM:
        return np.eye(4)
    a_mm = heights @ shifts / (heights @ heights)
    if np.abs(shifts - heights[:, None] * a_mm).max() > SHIFT_TOLERANCE_MM:
        return np.eye(4)
    for plane, height in zip(planes, heights, strict=True):
        plane.ImagePositionPatient = [float(v) for v in places[0] + height * normal]
    back = np.eye(4)
    back[:3, :3] += np.outer(a_mm, normal)
    back[:3, 3] = -a_mm * (normal @ places[0])
    return back


def _in_order(geometry: Any) -> tuple[FloatArray, bool]:
    """Return the affine of (column, row, slice), right-handed, and whether slices keep their order.

    That is how a volume of the same image lies in other files, so that the same labels give
    the same surface, to the last triangle.
    """
    affine = np.asarray(geometry.affine, dtype=np.float64)[:, [2, 1, 0, 3]]
    if np.linalg.det(affine[:3, :3]) > 0:
        return affine, True
    affine[:3, 3] += affine[:3, 2] * (geometry.spatial_shape[0] - 1)
    affine[:3, 2] *= -1
    return affine, False


def _segment(whole: Any, number: int, up: bool, path: Path) -> Segment:
    told = whole.get_segment_description(number)
    volume = whole.get_volume(segment_numbers=[number], combine_segments=False)
    shares = np.asarray(volume.array)[:: 1 if up else -1, ..., 0].transpose(2, 1, 0)
    kinds = told.get("SegmentedPropertyTypeCodeSequence", [])
    codes = []
    for kind in kinds:
        sides = kind.get("SegmentedPropertyTypeModifierCodeSequence", [])
        codes += [coded(kind), *(f"{coded(kind)} {coded(side)}" for side in sides)]
    filled = np.flatnonzero(shares.any(axis=(0, 1)))
    spanned = int(filled[-1] - filled[0] + 1) if len(filled) else 0
    codes += [coded(region) for region in told.get("AnatomicRegionSequence", [])]
    segment = Segment(number, str(told.get("SegmentLabel", "")), tuple(codes), shares)
    if spanned > len(filled):
        raise InputError(
            f"volume {path} has no frame of segment {number} ({segment.name}) in "
            f"{spanned - len(filled)} of the {spanned} slices that it spans: frames are missing, "
            "or the segment is in two pieces; export it whole"
        )
    return segment


def _check_frames(ds: Any, path: Path) -> None:
    """Refuse frames that stand twice."""
    shared = ds.get("SharedFunctionalGroupsSequence", [{}])[0]
    places = []
    for frame in ds.get("PerFrameFunctionalGroupsSequence", []):
        plane = (frame.get("PlanePositionSequence") or shared.get("PlanePositionSequence"))[0]
        of = frame.get("SegmentIdentificationSequence") or shared.get(
            "SegmentIdentificationSequence"
        )
        number = int(of[0].ReferencedSegmentNumber) if of else 0
        place = tuple(round(float(v), POSITION_DIGITS) for v in plane.ImagePositionPatient)
        places.append((number, place))
    if not places:
        raise InputError(
            f"volume {path} holds no frame: it may be cut short; export the segmentation again"
        )
    (number, place), times = Counter(places).most_common(1)[0]
    if times > 1:
        raise InputError(
            f"volume {path} has {times} frames"
            + (f" of segment {number}" if number else "")
            + f" at {', '.join(f'{v:g}' for v in place)} mm; export it again with each slice once"
        )
