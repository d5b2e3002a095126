"""The image that labels were drawn on, and planes through it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from veinfit.frames import FloatArray, apply_affine


@dataclass(frozen=True, slots=True, eq=False)
class ImageVolume:
    """Values on a grid (I, J, K), for CT in Hounsfield units, and index to LPS mm (4, 4)."""

    values: npt.NDArray[Any]
    affine: FloatArray


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
