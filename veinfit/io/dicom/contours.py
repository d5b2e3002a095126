"""Reads RT Structure Sets [1]_ whose contours lie in parallel planes.

References
----------
.. [1] DICOM PS3.3, C.8.8.5 (Structure Set) and C.8.8.6 (ROI Contour)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
from veinfit.io.dicom.filling import pixels_inside, shares_inside
from veinfit.io.dicom.pixel_tracing import Manner, PixelTracing, find_tracing, turned
from veinfit.io.files import first_line
from veinfit.io.quiet import captured_warnings
from veinfit.labels.model import plain_number
from veinfit.notes import Note
from veinfit.vectors import FloatArray, IntArray, unit

PIXEL_MM_RANGE = (0.4, 1.0)
"""Contours that follow no pixels are filled on squares as wide as the planes are apart, within
these bounds, each by the part of it that is inside: even voxels are what surfaces are best drawn
from."""

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
    is a hole. Voxels are as thick as the planes are apart. Where contours were traced along the
    pixels of a mask, these are the voxels, and the mask is had back; else they are in the plane
    as wide as thick, but 0.4 to 1 mm. A note says which.

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
        # A pixel by itself is a point where centres are joined: it counts beside others.
        if any(len(contour) > 2 for contour in contours):
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
    drawn = {n: [contour @ axes for contour in cs] for n, cs in found.items()}
    heights = {n: [float(c[:, 2].mean()) for c in cs] for n, cs in drawn.items()}
    first, step, count = _planes([h for hs in heights.values() for h in hs], path)
    flat = {n: [c[:, :2] for c in cs] for n, cs in drawn.items()}
    tracing = _tracing(flat)
    if tracing is not None:
        axes[:, :2] = turned(axes[:, :2], tracing.turn_rad)
    low, pixel, shape = _grid(flat, tracing, step, path)
    affine = np.eye(4)
    affine[:3, :3] = axes * (*pixel, step)
    affine[:3, 3] = axes @ (*low, first)
    segments, traced = [], []
    for number, contours in flat.items():
        label = str(named[number].get("ROIName", "")) if number in named else ""
        known = tracing is not None and tracing.fits(contours)
        traced.append(known)
        # A voxel above and below the outermost contours is empty: each stands for its slice.
        shares = np.zeros((*shape, count), dtype=np.float32)
        rows = np.rint((np.array(heights[number]) - first) / step).astype(int)
        for row in range(rows.min(), rows.max() + 1):
            here = [contours[k] for k in np.flatnonzero(rows == row)]
            if not here:
                raise InputError(
                    f"volume {path}: {label or number} has no contour in a plane amid others; "
                    "add it there, or export without the gap"
                )
            _check_once(here, path, label or str(number))
            if tracing is not None:
                here = [turned(contour, tracing.turn_rad) for contour in here]
            corners = [(contour - low) / pixel for contour in here]
            shares[:, :, row] = (
                pixels_inside(corners, shape, with_line=tracing.manner == "centres")
                if tracing is not None and known
                else shares_inside(corners, shape)
            )
        segments.append(Segment(number, label, codes.get(number, ()), shares))
    note = _note(tracing, [s.name or str(s.number) for s in segments], traced, (*pixel, step))
    return Segments(tuple(segments), affine, next(iter(frames), ""), (False, False, False), (note,))


def _tracing(flat: Mapping[int, Sequence[FloatArray]]) -> PixelTracing | None:
    """Return the pixels of all regions, or of the one with most corners: the atrium's body."""
    together = [contour for contours in flat.values() for contour in contours]
    largest = max(flat.values(), key=lambda contours: sum(map(len, contours)))
    return find_tracing(together) or find_tracing(largest)


def _grid(
    flat: Mapping[int, Sequence[FloatArray]],
    tracing: PixelTracing | None,
    step: float,
    path: Path,
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return the centre of the first pixel (2,), mm, a pixel's edges (2,), and how many (2,)."""
    corners = np.concatenate([contour for contours in flat.values() for contour in contours])
    if tracing is None:
        pixel = np.full(2, np.clip(step, *PIXEL_MM_RANGE))
        low = corners.min(axis=0) - 1.5 * pixel
    else:
        corners, pixel = turned(corners, tracing.turn_rad), tracing.pixel_mm
        before = np.floor((corners.min(axis=0) - tracing.centre_mm) / pixel) - 1
        low = tracing.centre_mm + before * pixel
    shape = np.ceil((corners.max(axis=0) - low) / pixel).astype(np.int64) + 2
    if (shape * pixel > LARGEST_SIDE_MM).any():
        raise InputError(
            f"volume {path} has contours {max(shape * pixel):.0f} mm across; leave out those "
            "that are not beside the heart"
        )
    return low, pixel, shape


MANNERS: Mapping[Manner, str] = {
    "midway": "run midway between the centres of pixels inside and outside",
    "level": "run between the centres of pixels inside and outside, at a level of smooth values",
    "borders": "run along the borders of pixels",
    "centres": "join the centres of the outermost pixels, which are inside too",
}


def _note(
    tracing: PixelTracing | None,
    names: Sequence[str],
    traced: Sequence[bool],
    edges_mm: Sequence[float],
) -> Note:
    """Say how contours were filled."""
    size = " × ".join(map(plain_number, edges_mm))
    if tracing is None:
        text = (
            f"the contours follow no pixels: they were filled as drawn on voxels of {size} mm, of "
            "which those count that are inside by half"
        )
        return Note("input", text)
    text = f"the contours {MANNERS[tracing.manner]}: they were filled with these, of {size} mm"
    drawn = [name for name, known in zip(names, traced, strict=True) if not known]
    if drawn:
        text += f"; those of {', '.join(drawn)} follow no pixels and were filled as drawn"
    return Note("input", text)


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
            f"volume {path} has contours in {len(levels)} planes; export them with one in "
            "every slice of the atrium"
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
