"""Files of invented atria for tests that run the whole job."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import nibabel
import numpy as np
import pyvista

from veinfit.frames import RAS_TO_LPS
from veinfit.surface import Surface
from veinfit.synthetic import SyntheticAtrium, build, draw_shape

COARSE_EDGE_MM = 1.6
"""Coarser than a usual mesh, for speed: these tests are about the job, not its accuracy."""


@lru_cache
def atrium(variant: str = "four", seed: int = 0) -> SyntheticAtrium:
    """An invented atrium; the same object for every test of a process."""
    return build(draw_shape(seed, variant))


@lru_cache
def open_surface(variant: str = "four", seed: int = 0) -> Surface:
    """Its wall, open at the veins and at the mitral side, LPS mm."""
    return atrium(variant, seed).open_surface(COARSE_EDGE_MM)


def save_mesh(surface: Surface, path: Path, scale: float = 1.0) -> Path:
    """Write a surface as it is, its coordinates times ``scale``."""
    pyvista.PolyData.from_regular_faces(surface.points * scale, surface.faces).save(path)
    return path


def save_volume(values: np.ndarray, path: Path, edge_mm: float = 1.0) -> Path:
    """Write a label volume as NIfTI whose index axes point to L, P and S."""
    affine = np.eye(4)
    affine[:3, :3] = edge_mm * RAS_TO_LPS
    nibabel.save(nibabel.Nifti1Image(values.astype(np.uint8), affine), path)
    return path


def ball(values: np.ndarray, radius_voxels: float, value: int = 1) -> np.ndarray:
    """Set a ball in the middle of a volume."""
    middle = (np.array(values.shape) - 1) / 2.0
    index = np.stack(np.indices(values.shape), axis=-1)
    values[np.linalg.norm(index - middle, axis=-1) <= radius_voxels] = value
    return values
