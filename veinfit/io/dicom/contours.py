"""Reads RT Structure Sets [1]_ whose contours lie in parallel planes.

References
----------
.. [1] DICOM PS3.3, C.8.8.5 (Structure Set) and C.8.8.6 (ROI Contour)
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from veinfit.errors import InputError
from veinfit.io.dicom.common import (
    CONTOUR_SET,
    Segment,
    Segments,
    class_of,
    coded,
    read_dataset,
)
from veinfit.io.files import first_line
from veinfit.io.quiet import captured_warnings
from veinfit.vectors import FloatArray, unit

PIXEL_MM = (0.4, 1.0)
"""Contours are filled on squares as wide as the planes are apart, within these bounds, each by the
part of it that is inside: even voxels are what surfaces are best drawn from."""

SUBSAMPLES = 3
"""Lines a pixel along which the inside is told: shares to about a tenth of a pixel."""

PLANE_TOLERANCE_MM = 0.05
"""Points of a contour lie this close to one plane: far above the rounding of text."""

GAP_SHARE = 0.05
"""Distances of planes may differ by this share of the least."""

LARGEST_SIDE_MM = 400.0
"""No heart with what lies beside it is wider."""

USED_KINDS = ("CLOSED_PLANAR", "CLOSEDPLANAR_XOR")


def read_contours(path: Path, dataset: Any | None = None) -> Segments:
    """Read the regions of a structure set as shares of voxels.

    Contours of one region in one plane are taken by the even-odd rule, so that an inner one
    is a hole. Voxels are as thick as the planes are apart, and in the plane as wide, but 0.4 to
    1 mm.

    Raises
    ------
    InputError
        The file is damaged or of another class; contours lie in planes that are not parallel
        or not evenly spaced, or one stands twice; or regions lie in several frames of reference.
    """
    ds = read_dataset(path, "volume") if dataset is None else dataset
    if class_of(ds, path) != CONTOUR_SET:
        raise InputError(f"volume {path} is no DICOM RT Structure Set; give one")
    try:
        with captured_warnings():
            return _read(ds, path)
    except InputError:
        raise
    except Exception as error:  # What a damaged file makes the library raise is open.
        raise InputError(
            f"volume {path} cannot be read as a DICOM RT Structure Set: {first_line(error)}; it "
            "may be damaged, export it again"
        ) from error


def _read(ds: Any, path: Path) -> Segments:
    named = {int(item.ROINumber): item for item in ds.get("StructureSetROISequence", [])}
    codes = {
        int(item.ReferencedROINumber): tuple(
            coded(code) for code in item.get("RTROIIdentificationCodeSequence", [])
        )
        for item in ds.get("RTROIObservationsSequence", [])
    }
    found: dict[int, list[FloatArray]] = {}
    for item in ds.get("ROIContourSequence", []):
        contours = [
            np.array([float(v) for v in contour.ContourData]).reshape(-1, 3)
            for contour in item.get("ContourSequence", [])
            if str(contour.ContourGeometricType) in USED_KINDS
        ]
        contours = [contour for contour in contours if len(contour) > 2]
        if contours:
            found[int(item.ReferencedROINumber)] = contours
    if not found:
        raise InputError(f"volume {path} holds no closed contour; export the contours again")
    frames = {str(named[n].get("ReferencedFrameOfReferenceUID", "")) for n in found if n in named}
    if len(frames) > 1:
        raise InputError(
            f"volume {path} has regions in {len(frames)} frames of reference; export those of one "
            "image alone"
        )
    normal = _normal([c for contours in found.values() for c in contours], path)
    # Along the patient's axes, as images mostly are, so that the same labels give the same surface.
    along = np.array((1.0, 0.0, 0.0) if abs(normal[0]) < 0.7 else (0.0, 1.0, 0.0))
    across = unit(along - (along @ normal) * normal)
    axes = np.column_stack([across, np.cross(normal, across), normal])
    turned = {n: [contour @ axes for contour in cs] for n, cs in found.items()}
    heights = {n: [float(c[:, 2].mean()) for c in cs] for n, cs in turned.items()}
    first, step, count = _planes([h for hs in heights.values() for h in hs], path)
    flat = np.concatenate([c[:, :2] for cs in turned.values() for c in cs])
    pixel = float(np.clip(step, *PIXEL_MM))
    low = flat.min(axis=0) - 2 * pixel
    shape = np.ceil((flat.max(axis=0) + 2 * pixel - low) / pixel).astype(int)
    if (shape * pixel > LARGEST_SIDE_MM).any():
        raise InputError(
            f"volume {path} has contours {max(shape * pixel):.0f} mm across; leave out those "
            "that are not beside the heart"
        )
    affine = np.eye(4)
    affine[:3, :3] = axes * (pixel, pixel, step)
    affine[:3, 3] = axes @ (*(low + pixel / 2), first)
    segments = []
    for number, contours in turned.items():
        label = str(named[number].get("ROIName", "")) if number in named else ""
        # A voxel above and below the outermost contours is empty: each stands for its slice.
        shares = np.zeros((*shape, count), dtype=np.float32)
        rows = np.rint((np.array(heights[number]) - first) / step).astype(int)
        for row in range(rows.min(), rows.max() + 1):
            here = [(contours[k][:, :2] - low) / pixel for k in np.flatnonzero(rows == row)]
            if not here:
                raise InputError(
                    f"volume {path}: {label or number} has no contour in a plane amid others; "
                    "add it there, or export without the gap"
                )
            _check_once(here, path, label or str(number))
            shares[:, :, row] = _shares(here, shape)
        segments.append(Segment(number, label, codes.get(number, ()), shares))
    return Segments(tuple(segments), affine, next(iter(frames), ""), (False, False, False))


def _normal(contours: Sequence[FloatArray], path: Path) -> FloatArray:
    """Return the common normal (3,) of plane contours, mostly upward."""
    areas = [0.5 * np.cross(c - c[0], np.roll(c - c[0], -1, axis=0)).sum(axis=0) for c in contours]
    largest = unit(max(areas, key=lambda a: float(np.linalg.norm(a))))
    normal = unit(np.sum([a * np.sign(a @ largest) for a in areas], axis=0))
    if normal[np.argmax(np.abs(normal))] < 0:
        normal = -normal
    for contour in contours:
        if np.ptp(contour @ normal) > 2 * PLANE_TOLERANCE_MM:
            raise InputError(
                f"volume {path} has contours that do not lie in parallel planes; export them from "
                "one stack of slices"
            )
    return normal


def _planes(heights: Sequence[float], path: Path) -> tuple[float, float, int]:
    """Return the height of the first plane, their distance, and how many there are."""
    levels = np.sort(np.array(heights))
    levels = levels[np.concatenate([[True], np.diff(levels) > 2 * PLANE_TOLERANCE_MM])]
    if len(levels) < 3:
        raise InputError(
            f"volume {path} has contours in {len(levels)} planes; an atrium needs them in every "
            "slice"
        )
    gaps = np.diff(levels)
    step = float(np.median(gaps))
    if (np.abs(gaps / step - np.rint(gaps / step)) > GAP_SHARE).any() or gaps.min() < 0.9 * step:
        raise InputError(
            f"volume {path} has contours in planes {gaps.min():.3g} to {gaps.max():.3g} mm apart; "
            "export them from one stack of even slices"
        )
    count = round(float((levels[-1] - levels[0]) / step)) + 1
    return float(levels[0]), float((levels[-1] - levels[0]) / (count - 1)), count


def _check_once(contours: Sequence[FloatArray], path: Path, name: str) -> None:
    seen: set[bytes] = set()
    for contour in contours:
        key = np.round(contour[np.lexsort(contour.T)], 3).tobytes()
        if key in seen:
            raise InputError(
                f"volume {path}: {name} has one contour twice in a plane; export it again"
            )
        seen.add(key)


def _shares(contours: Sequence[FloatArray], shape: FloatArray) -> FloatArray:
    """Return which share of each pixel (I, J) is inside an odd number of contours, in pixels."""
    columns, rows = int(shape[0]), int(shape[1])
    # Along lines of constant second coordinate, lengths inside are exact.
    levels = (np.arange(rows * SUBSAMPLES) + 0.5) / SUBSAMPLES
    lines, places = [], []
    for contour in contours:
        start, end = contour, np.roll(contour, -1, axis=0)
        low = np.searchsorted(levels, np.minimum(start[:, 1], end[:, 1]))
        high = np.searchsorted(levels, np.maximum(start[:, 1], end[:, 1]))
        edge = np.repeat(np.arange(len(contour)), high - low)
        line = np.arange(len(edge)) - np.repeat(np.cumsum(high - low) - high, high - low)
        a, b = start[edge], end[edge]
        part = (levels[line] - a[:, 1]) / (b[:, 1] - a[:, 1])
        lines.append(line)
        places.append(a[:, 0] + part * (b[:, 0] - a[:, 0]))
    line, place = np.concatenate(lines), np.concatenate(places)
    order = np.lexsort((place, line))
    # A closed curve crosses a line an even number of times.
    left, right, row = place[order][::2], place[order][1::2], line[order][::2] // SUBSAMPLES
    pixel = np.arange(columns)
    covered = np.minimum(pixel + 1, right[:, None]) - np.maximum(pixel, left[:, None])
    shares = np.zeros((rows, columns))
    np.add.at(shares, row, np.clip(covered, 0.0, 1.0))
    return shares.T / SUBSAMPLES
