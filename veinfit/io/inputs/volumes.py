"""Reads a label volume: whole numbers on a grid, placed in the patient, LPS mm."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from veinfit.io.files import VOLUME_SUFFIXES, check_file, known_suffix
from veinfit.io.volume_formats.meta_image import read_meta_image
from veinfit.io.volume_formats.nrrd import read_nrrd
from veinfit.io.volume_formats.whole_numbers import Numbers, shares, whole_numbers
from veinfit.labels.model import LabelVolume
from veinfit.labels.upright import upright_volume
from veinfit.notes import Note
from veinfit.vectors import FloatArray


def read_volume(path: Path) -> LabelVolume:
    """Read a label volume from NIfTI, NRRD or MHA/MHD.

    Parameters
    ----------
    path : Path
        ``.nii``, ``.nii.gz`` (NIfTI-1 and -2), ``.nrrd``, ``.nhdr``, ``.mha`` or
        ``.mhd``, in any case.

    Returns
    -------
    LabelVolume
        In the smallest unsigned type that holds the values. Grids of any
        orientation; NIfTI's RAS [1]_ and NRRD's RAS and LAS are turned into LPS.
        Slices shifted by a tilted gantry are resampled onto perpendicular axes.

    Raises
    ------
    InputError
        The file is missing, damaged or of an unknown extension; it is not one
        3-D volume of whole numbers from 0 up; it does not state how it lies in
        the patient; its spacing is not in mm; or its axes are far from perpendicular.

    References
    ----------
    .. [1] NIfTI-1 header, nifti1.h: +x is right, +y anterior, +z superior, and
       coordinates are those of voxel centres.
    """
    return upright_volume(read_stored_volume(path))


def read_stored_volume(path: Path) -> LabelVolume:
    """Read a label volume as :func:`read_volume` does, on the grid of its file, tilted or not."""
    path = Path(path)
    suffix = known_suffix(path, VOLUME_SUFFIXES, "volume")
    check_file(path, "volume")
    with np.errstate(over="ignore", invalid="ignore"):
        # What a header makes too large, or none, is looked at when the grid is.
        values, affine, notes = _read(path, suffix)
    return LabelVolume(values, affine, tuple(notes))


def read_shares(path: Path) -> tuple[npt.NDArray[np.float32], FloatArray, list[Note]]:
    """Read a volume of probabilities: values (I, J, K), index to LPS mm (4, 4), and notes.

    Raises
    ------
    InputError
        As of :func:`read_volume`; and values that are negative or not finite.
    """
    path = Path(path)
    suffix = known_suffix(path, VOLUME_SUFFIXES, "volume")
    check_file(path, "volume")
    with np.errstate(over="ignore", invalid="ignore"):
        return _read(path, suffix, shares)


def read_numbers(path: Path, numbers: Numbers) -> tuple[npt.NDArray[Any], FloatArray, list[Note]]:
    """Read a volume whose stored numbers ``numbers`` makes values of; otherwise as above."""
    suffix = known_suffix(path, VOLUME_SUFFIXES, "volume")
    with np.errstate(over="ignore", invalid="ignore"):
        return _read(path, suffix, numbers)


def _read(
    path: Path, suffix: str, numbers: Numbers = whole_numbers
) -> tuple[npt.NDArray[Any], FloatArray, list[Note]]:
    if suffix.startswith(".nii"):
        # Imported here: a mesh needs no reader of volumes.
        from veinfit.io.volume_formats.nifti import read_nifti

        return read_nifti(path, numbers)
    read = read_nrrd if suffix in (".nrrd", ".nhdr") else read_meta_image
    return read(path, numbers)
