"""The floor: what any program has to do with a label volume, by libraries alone."""

from __future__ import annotations

from pathlib import Path

import nibabel
import numpy as np
from benchmarks.speed.clock import peak_mb, timed
from scipy import ndimage
from skimage.measure import marching_cubes


def floor(volume: Path) -> dict[str, float]:
    """Read and decompress, crop, one Euclidean distance transform, one surface; seconds each.

    ``crop_mb`` is the size of the crop, a byte a voxel, and ``peak_mb`` the greatest memory.
    """
    image = nibabel.load(volume)
    values, read_s = timed(lambda: np.asanyarray(image.dataobj))

    def crop() -> np.ndarray:
        # Slowest axis last, as the file stores it: each look at a smaller part.
        box = [slice(None)] * 3
        for axis in (2, 1, 0):
            others = tuple(k for k in range(3) if k != axis)
            held = np.flatnonzero(values[tuple(box)].any(axis=others))
            box[axis] = slice(held[0], held[-1] + 1)
        return np.pad(values[tuple(box)] > 0, 1)

    lumen, crop_s = timed(crop)
    edges = image.header.get_zooms()
    _, transform_s = timed(lambda: ndimage.distance_transform_edt(lumen, sampling=edges))
    _, surface_s = timed(lambda: marching_cubes(lumen.astype(np.float32), 0.5, spacing=edges))
    return {
        "read and decompress": read_s,
        "crop": crop_s,
        "distance transform": transform_s,
        "surface": surface_s,
        "crop_mb": lumen.nbytes / 2**20,
        "peak_mb": peak_mb(),
    }
