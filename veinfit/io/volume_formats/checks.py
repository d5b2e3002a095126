"""What a grid must be to hold an atrium."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from veinfit.errors import InputError
from veinfit.io.files import first_line
from veinfit.labels.model import FARTHEST_MM, plain_number
from veinfit.labels.upright import shear_deg
from veinfit.vectors import FloatArray

SMALLEST_GRID = 8
"""Voxels along each axis below which no atrium can be told."""

VOXEL_EDGE_MM_RANGE = (0.05, 10.0)
"""Voxel edges of cardiac CT and MRI with room on both sides; outside, the unit is not mm."""

LARGEST_SHEAR_DEG = 40.0
"""Gantries tilt by 30 degrees at most (common practice, no source); more is a damaged header."""

LARGEST_VOLUME_BYTES = 1 << 30
"""Numbers of a file that take more memory than this, as 512 × 512 × 2048 of 16 bits do, are
not read: a heart takes a small part of it."""


class DamagedVolume(Exception):
    """The content is no whole volume of its format; the message says why."""


def check_bytes(shape: Iterable[int], bytes_each: int, path: Path) -> int:
    """Return how many bytes the numbers of a volume take; refuse one too large to be read."""
    lengths = [int(n) for n in shape]
    total = bytes_each
    for n in lengths:
        total *= n  # Python's own numbers: those of the machine would run over
    if total > LARGEST_VOLUME_BYTES:
        raise InputError(
            f"volume {path} has {' × '.join(map(str, lengths))} voxels of {bytes_each} bytes, more "
            f"than the {LARGEST_VOLUME_BYTES >> 20} MiB that are read; crop it to the heart, or "
            "export labels in 8 bits"
        )
    return total


def damaged(path: Path, error: BaseException | str) -> InputError:
    """Return the error of a file that no reader could make anything of."""
    return InputError(
        f"volume {path} cannot be read: {first_line(error)}; it may be damaged, export it again"
    )


def three_axes(shape: Iterable[int], path: Path) -> tuple[int, int, int]:
    """Return the first three lengths of a shape whose further axes have one place each."""
    lengths = tuple(int(n) for n in shape)
    size = " × ".join(map(str, lengths))
    if len(lengths) < 3 or any(n != 1 for n in lengths[3:]):
        raise InputError(
            f"volume {path} has {len(lengths)} axes ({size}); one 3-D label volume is needed"
        )
    if min(lengths[:3]) < SMALLEST_GRID:
        raise InputError(
            f"volume {path} has {size} voxels; an atrium needs at least {SMALLEST_GRID} along "
            "each axis"
        )
    return lengths[0], lengths[1], lengths[2]


def check_grid(affine: FloatArray, path: Path) -> None:
    """Refuse a grid that is singular, sheared more than any gantry shears, or not in mm."""
    edges = np.linalg.norm(affine[:3, :3], axis=0)
    listed = " × ".join(map(plain_number, edges))
    if not np.isfinite(affine).all() or not np.isfinite(edges).all() or not (edges > 0).all():
        raise InputError(
            f"volume {path} has a placement that is not finite or has an axis of no length; "
            "export it again"
        )
    away = float(np.abs(affine[:3, 3]).max())
    if away > FARTHEST_MM:
        raise InputError(
            f"volume {path} lies {plain_number(away)} mm from the origin of its coordinates, which "
            "no image does; correct its affine, or export it again"
        )
    off = shear_deg(affine)
    if off > LARGEST_SHEAR_DEG:
        raise InputError(
            f"volume {path} has axes that are {off:.3g} degrees from perpendicular, more than a "
            "tilted gantry leaves; correct its affine, or export it again"
        )
    least, most = VOXEL_EDGE_MM_RANGE
    if not (edges >= least).all() or not (edges <= most).all():
        raise InputError(
            f"volume {path} has voxels of {listed} mm, but {least:g} to {most:g} mm are usual; "
            "the spacing may be in another unit: write it in mm"
        )
