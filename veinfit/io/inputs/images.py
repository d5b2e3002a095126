"""Reads the image that labels were drawn on: a volume file, or a DICOM series."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from veinfit.errors import InputError
from veinfit.io.files import VOLUME_SUFFIXES, check_file, is_dicom, known_suffix
from veinfit.io.inputs.volumes import read_numbers
from veinfit.labels.image import ImageVolume, tilt_notes


def read_image(path: Path) -> ImageVolume:
    """Read an image.

    Parameters
    ----------
    path : Path
        NIfTI, NRRD, MHA or MHD, a folder with one DICOM series, or an enhanced multi-frame
        file. Slices shifted by a tilted gantry stay on their grid, whose planes are read where
        they lie.

    Returns
    -------
    ImageVolume

    Raises
    ------
    InputError
        It cannot be read; of a series, slices are missing, stand twice, are shifted unevenly, or
        belong to several series or frames of reference.
    """
    path = Path(path)
    if path.is_dir() or is_dicom(path):
        from veinfit.io.dicom.series import read_series

        if not path.is_dir():
            check_file(path, "image")
        return read_series(path)
    known_suffix(path, VOLUME_SUFFIXES, "image")
    check_file(path, "image")
    values, affine, notes = read_numbers(path, _as_stored)
    return ImageVolume(values, affine, (*notes, *tilt_notes(affine)))


def _as_stored(
    stored: npt.NDArray[Any], path: Path, slope: float = 1.0, intercept: float = 0.0
) -> npt.NDArray[Any]:
    if stored.dtype.kind not in "iuf":
        raise InputError(f"image {path} holds {stored.dtype}; export grey values as numbers")
    return stored.astype(np.float32) * np.float32(slope) + np.float32(intercept)
