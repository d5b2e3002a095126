"""Reads the image that labels were drawn on: a volume file, or a folder with a DICOM series."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from veinfit.errors import InputError
from veinfit.io.dicom.common import need_dicom
from veinfit.io.files import VOLUME_SUFFIXES, check_file, first_line, known_suffix
from veinfit.io.quiet import captured_warnings
from veinfit.io.volume_formats.checks import check_bytes, check_grid
from veinfit.io.volumes import read_numbers
from veinfit.labels.image import ImageVolume

STEP_SHARE = 0.02
"""Distances of slices may differ by this share."""

TILT_SHARE = 0.01
"""Slices may be shifted against their normal by this share of their distance."""


def read_image(path: Path) -> ImageVolume:
    """Read an image.

    Parameters
    ----------
    path : Path
        NIfTI, NRRD, MHA or MHD, or a folder with the slices of one DICOM series.

    Raises
    ------
    InputError
        It cannot be read, or is no volume with perpendicular axes; of a series, slices are
        missing, stand twice, are tilted, or belong to several series.
    """
    path = Path(path)
    if path.is_dir():
        return _series(path)
    known_suffix(path, VOLUME_SUFFIXES, "image")
    check_file(path, "image")
    values, affine, _ = read_numbers(path, _as_stored)
    return ImageVolume(values, affine)


def _as_stored(
    stored: npt.NDArray[Any], path: Path, slope: float = 1.0, intercept: float = 0.0
) -> npt.NDArray[Any]:
    if stored.dtype.kind not in "iuf":
        raise InputError(f"image {path} holds {stored.dtype}; export grey values as numbers")
    return stored.astype(np.float32) * np.float32(slope) + np.float32(intercept)


def _series(folder: Path) -> ImageVolume:
    need_dicom(f"image {folder} is a folder; a DICOM series, which")
    import pydicom

    found = []
    for path in sorted(folder.iterdir()):
        if not path.is_file():
            continue
        try:
            with captured_warnings():
                ds = pydicom.dcmread(path)
                if "ImagePositionPatient" in ds and "PixelData" in ds:
                    found.append((ds, ds.pixel_array))
        except pydicom.errors.InvalidDicomError:
            continue  # A folder may hold a text beside its slices.
        except Exception as error:  # What a damaged file makes the library raise is open.
            raise InputError(
                f"image {path} cannot be read as DICOM: {first_line(error)}; export it again"
            ) from error
    if len(found) < 2:
        raise InputError(f"image {folder} holds {len(found)} DICOM slices; name a series' folder")
    slices = [ds for ds, _ in found]
    series = {str(ds.SeriesInstanceUID) for ds in slices}
    if len(series) > 1:
        raise InputError(f"image {folder} holds {len(series)} series; give a folder with one")
    try:
        return _stacked(folder, slices, [pixels for _, pixels in found])
    except (AttributeError, TypeError, ValueError) as error:
        raise InputError(
            f"image {folder} holds slices that do not fit together: {first_line(error)}; export "
            "the series again"
        ) from error


def _stacked(folder: Path, slices: list[Any], pixels: list[npt.NDArray[Any]]) -> ImageVolume:
    turned = np.array([[float(v) for v in ds.ImageOrientationPatient] for ds in slices])
    if np.abs(turned - turned[0]).max() > 1e-3 or len({p.shape for p in pixels}) > 1:
        raise InputError(f"image {folder} holds slices of several orientations or sizes; give one")
    along_row, along_column = turned[0, :3], turned[0, 3:]
    normal = np.cross(along_row, along_column)
    places = np.array([[float(v) for v in ds.ImagePositionPatient] for ds in slices])
    order = np.argsort(places @ normal)
    steps = np.diff(places[order], axis=0)
    gaps = steps @ normal
    step = float(np.median(gaps))
    if gaps.min() < 0.01:
        raise InputError(f"image {folder} has two slices at one place; export it with each once")
    if np.abs(gaps - step).max() > STEP_SHARE * step:
        raise InputError(
            f"image {folder} has slices {gaps.min():.3g} to {gaps.max():.3g} mm apart: some are "
            "missing, or the series is uneven; export it whole"
        )
    if np.abs(steps - gaps[:, None] * normal).max() > TILT_SHARE * step:
        raise InputError(
            f"image {folder} has slices that are shifted against each other (a tilted gantry); "
            "resample it onto perpendicular axes"
        )
    rows, columns = (float(v) for v in slices[0].PixelSpacing)
    affine = np.eye(4)
    affine[:3, 0], affine[:3, 1] = along_row * columns, along_column * rows
    affine[:3, 2], affine[:3, 3] = normal * step, places[order[0]]
    check_grid(affine, folder)
    check_bytes((*pixels[0].shape, len(pixels)), 4, folder)
    values = np.stack(
        [
            pixels[k].T.astype(np.float32) * float(slices[k].get("RescaleSlope", 1))
            + float(slices[k].get("RescaleIntercept", 0))
            for k in order
        ],
        axis=-1,
    )
    return ImageVolume(values.astype(np.float32), affine)
