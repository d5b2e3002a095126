"""The image that labels were drawn on, and planes through it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from veinfit.labels.upright import SHEAR_LIMIT_DEG, shear_deg
from veinfit.notes import Note
from veinfit.vectors import FloatArray, apply_affine

CONTRAST_CT = (-200.0, 600.0)
"""Darkest and brightest Hounsfield unit of a contrast CT (common practice, no source)."""

FAT_BELOW = -20.0
"""Fat and lung lie below this in a CT; grey values of magnetic resonance are not negative (common
practice, no source)."""

SHOWN_PERCENT = (1.0, 99.5)
"""Of the values of an image in another unit: these are darkest and brightest."""

LOOKED_AT = 200_000
"""Values of an image that are looked at to tell what it is."""


@dataclass(frozen=True, slots=True, eq=False)
class ImageVolume:
    """Grey values on a grid.

    Attributes
    ----------
    values : (I, J, K) array
        For CT in Hounsfield units.
    affine : (4, 4) array
        Index to LPS mm; of a tilted gantry with axes that are not perpendicular.
    notes : tuple of Note
        What the reader had to remark.
    sources : tuple of Path
        The slices of a DICOM series, which tell patient and study.
    """

    values: npt.NDArray[Any]
    affine: FloatArray
    notes: tuple[Note, ...] = ()
    sources: tuple[Path, ...] = ()


def tilt_notes(affine: FloatArray) -> tuple[Note, ...]:
    """Say that an image was taken with a tilted gantry, where it was.

    Parameters
    ----------
    affine : (4, 4) array
        Voxel index to LPS mm.

    Returns
    -------
    tuple of Note
        One, or none.
    """
    shear = shear_deg(affine)
    if shear <= SHEAR_LIMIT_DEG:
        return ()
    text = (
        f"the slices of the image are shifted against each other, as a gantry tilted by "
        f"{shear:.3g}° leaves them: its planes are interpolated from where the slices lie"
    )
    return (Note("input", text),)


def display_window(image: ImageVolume) -> tuple[float, float]:
    """Return what is shown darkest and brightest.

    An image that holds fat or lung is a CT, and is shown as contrast CT is; any other, as one of
    magnetic resonance, from its 1st to its 99.5th percentile.

    Parameters
    ----------
    image : ImageVolume

    Returns
    -------
    low, high : float
        In the units of the image.
    """
    values = image.values.reshape(-1)
    some = values[:: max(1, len(values) // LOOKED_AT)]
    if float(np.percentile(some, SHOWN_PERCENT[0])) < FAT_BELOW:
        return CONTRAST_CT
    low, high = (float(v) for v in np.percentile(some, SHOWN_PERCENT))
    return low, max(high, low + 1.0)


def sample_plane(
    image: ImageVolume,
    centre: FloatArray,
    right: FloatArray,
    up: FloatArray,
    half_mm: float,
    n: int,
) -> FloatArray:
    """Return the image in a square of a plane, linearly interpolated.

    Parameters
    ----------
    image : ImageVolume
    centre, right, up : (3,) array
        Middle of the square, LPS mm, and unit vectors along its sides.
    half_mm : float
        Half of a side.
    n : int
        Points a side.

    Returns
    -------
    (n, n) array
        The first row lies farthest along ``up``; nan outside the image.
    """
    steps = np.linspace(-half_mm, half_mm, n)
    points = centre + steps[None, :, None] * right + steps[::-1, None, None] * up
    index = apply_affine(np.asarray(np.linalg.inv(image.affine)), points.reshape(-1, 3))
    found = ndimage.map_coordinates(
        image.values, index.T, output=np.float64, order=1, mode="nearest", prefilter=False
    )
    outside = ((index < -0.5) | (index > np.array(image.values.shape) - 0.5)).any(axis=1)
    found[outside] = np.nan
    return np.asarray(found.reshape(n, n))
