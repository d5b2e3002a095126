"""Reads a DICOM series, of single slices or of many frames in a file [1]_.

References
----------
.. [1] DICOM PS3.3, C.7.6.2 (Image Plane)
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from veinfit.errors import InputError
from veinfit.io.dicom.common import need_dicom
from veinfit.io.dicom.enhanced import frame_headers, is_multi_frame
from veinfit.io.files import first_line
from veinfit.io.quiet import captured_warnings
from veinfit.io.volume_formats.checks import check_bytes, check_grid
from veinfit.labels.image import ImageVolume, tilt_notes
from veinfit.vectors import FloatArray

STEP_SHARE = 0.02
"""Distances of slices may differ by this share."""

STACK_SHARE = 0.05
"""Slices may lie off an even stack by this share of their distance."""

ROUNDING_MM = 0.02
"""Positions that are written with two digits lie this close to where they are."""

ORIENTATION_TOLERANCE = 1e-3
"""Direction cosines that agree to this are the same."""

SAME_PLACE_MM = 0.01
"""Slices closer than this lie at one place."""


def series_files(folder: Path) -> tuple[Path, ...]:
    """Return the files of a folder, in the order of their names.

    Raises
    ------
    InputError
        It cannot be opened.
    """
    try:
        return tuple(sorted(path for path in folder.iterdir() if path.is_file()))
    except OSError as error:
        raise InputError(f"image {folder} cannot be opened: {first_line(error)}") from error


def image_files(path: Path) -> tuple[Path, ...]:
    """Return the files of a DICOM image, a folder or one file; none where it is no DICOM.

    Parameters
    ----------
    path : Path

    Returns
    -------
    tuple of Path

    Raises
    ------
    InputError
        A folder cannot be opened, or the libraries for DICOM are not there.
    """
    need_dicom(f"image {path} may be DICOM, which")
    import pydicom

    found = []
    for file in series_files(path) if path.is_dir() else (path,):
        try:
            with captured_warnings():
                ds = pydicom.dcmread(file, stop_before_pixels=True)
                if is_multi_frame(ds) or "ImagePositionPatient" in ds:
                    found.append(file)
        except Exception:  # A file of another kind, whatever it is.
            continue
    return tuple(found)


def read_series(path: Path) -> ImageVolume:
    """Read one series: its slices in a folder, in any order, or an enhanced multi-frame image.

    Parameters
    ----------
    path : Path
        A folder, which may hold files of other kinds too, or a multi-frame file.

    Raises
    ------
    InputError
        The slices are damaged, no even stack, or of several series or frames of reference.
    """
    whole = path.is_dir()
    need_dicom(f"image {path} is {'a folder; a DICOM series' if whole else 'DICOM'}, which")
    files = series_files(path) if whole else (path,)
    found = [(file, *plane) for file in files for plane in _planes(file)]
    if len(found) < 2 and whole:
        raise InputError(
            f"image {path} holds {len(found)} DICOM slices, each a file of its own; name the "
            "folder of a series"
        )
    if len(found) < 2:
        raise InputError(
            f"image {path} is one DICOM file, and no image of many frames; give the folder that "
            "holds its whole series, a file for each slice"
        )
    try:
        with captured_warnings():
            return _stacked(path, *map(list, zip(*found, strict=True)))
    except InputError:
        raise
    except Exception as error:  # Values are taken apart when they are asked for.
        raise InputError(
            f"image {path} holds slices that do not fit together: {first_line(error)}; export "
            "the series again"
        ) from error


def _stacked(
    folder: Path, files: list[Path], slices: list[Any], pixels: list[npt.NDArray[Any]]
) -> ImageVolume:
    for keyword, what in (
        ("SeriesInstanceUID", "series"), ("FrameOfReferenceUID", "frames of reference"),
    ):  # fmt: skip
        held = {str(ds.get(keyword, "")) for ds in slices}
        if len(held) > 1:
            raise InputError(f"image {folder} holds {len(held)} {what}; give a folder with one")
    affine, order = _placement(folder, slices)
    return ImageVolume(
        _values(folder, slices, pixels, order),
        affine,
        tilt_notes(affine),
        tuple(dict.fromkeys(files)),
    )


def _planes(path: Path) -> list[tuple[Any, npt.NDArray[Any]]]:
    """Return a file's slices or frames, each with its header; none for a file of another kind."""
    import pydicom

    try:
        with captured_warnings():
            ds = pydicom.dcmread(path)
            many = is_multi_frame(ds)
            if "PixelData" not in ds or not (many or "ImagePositionPatient" in ds):
                return []
            headers = frame_headers(ds) if many else [ds]
            check_bytes((int(ds.Rows), int(ds.Columns), len(headers)), 4, path)
            pixels = np.asarray(ds.pixel_array)
    except pydicom.errors.InvalidDicomError:
        return []  # A folder may hold a text beside its slices.
    except InputError:
        raise
    except Exception as error:  # What a damaged file makes the library raise is open.
        raise InputError(
            f"image {path} cannot be read as DICOM: {first_line(error)}; export it again, "
            "uncompressed where it is packed"
        ) from error
    if many and pixels.ndim == 2:
        pixels = pixels[None]  # Of one frame.
    if pixels.ndim != 2 + many or (many and len(pixels) != len(headers)):
        raise InputError(
            f"image {path} is no {'stack' if many else 'slice'} of grey values, but "
            f"{' × '.join(map(str, pixels.shape))} numbers; export the series as single grey "
            "slices"
        )
    return [*zip(headers, pixels, strict=True)] if many else [(ds, pixels)]


def _placement(folder: Path, slices: list[Any]) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Return index (column, row, slice) to LPS mm (4, 4), and the order of the slices."""
    turned = np.array([[float(v) for v in ds.ImageOrientationPatient] for ds in slices])
    spacing = np.array([[float(v) for v in ds.PixelSpacing] for ds in slices])
    sizes = {(int(ds.Rows), int(ds.Columns)) for ds in slices}
    if np.ptp(turned, axis=0).max() > ORIENTATION_TOLERANCE or len(sizes) > 1:
        raise InputError(f"image {folder} holds slices of several orientations or sizes; give one")
    if np.ptp(spacing, axis=0).max() > ORIENTATION_TOLERANCE:
        raise InputError(f"image {folder} holds slices of several pixel spacings; give one")
    along_row, along_column = turned[0, :3], turned[0, 3:]
    normal = np.cross(along_row, along_column)
    places = np.array([[float(v) for v in ds.ImagePositionPatient] for ds in slices])
    order = np.argsort(places @ normal, kind="stable")
    gaps = np.diff(places[order] @ normal)
    step = float(np.median(gaps))
    if gaps.min() < SAME_PLACE_MM:
        raise InputError(
            f"image {folder} has two slices at one place, as a series of several heart phases has; "
            "export one phase, with each slice once"
        )
    if np.abs(gaps - step).max() > max(STEP_SHARE * step, ROUNDING_MM):
        raise InputError(
            f"image {folder} has slices {gaps.min():.3g} to {gaps.max():.3g} mm apart: some are "
            "missing, or the series is uneven; export it whole"
        )
    # A tilted gantry shifts each slice by its height: a sheared grid, on which values stay.
    third = (places[order[-1]] - places[order[0]]) / (len(order) - 1)
    evenly = places[order[0]] + np.arange(len(order))[:, None] * third
    if np.abs(places[order] - evenly).max() > max(STACK_SHARE * step, ROUNDING_MM):
        raise InputError(
            f"image {folder} has slices that are shifted unevenly against each other; export the "
            "series again"
        )
    affine = np.eye(4)
    affine[:3, 0], affine[:3, 1] = along_row * spacing[0, 1], along_column * spacing[0, 0]
    affine[:3, 2], affine[:3, 3] = third, places[order[0]]
    check_grid(affine, folder)
    return affine, order


def _values(
    folder: Path,
    slices: list[Any],
    pixels: list[npt.NDArray[Any]],
    order: npt.NDArray[np.intp],
) -> npt.NDArray[np.float32]:
    """Return the stack (columns, rows, slices) of what the pixels mean, for CT in HU."""
    check_bytes((*pixels[0].shape, len(pixels)), 4, folder)
    found = np.empty((*pixels[0].T.shape, len(pixels)), dtype=np.float32)
    for place, k in enumerate(order):
        slope = float(slices[k].get("RescaleSlope", 1))
        intercept = float(slices[k].get("RescaleIntercept", 0))
        found[..., place] = pixels[k].T * np.float32(slope) + np.float32(intercept)
    return found
