"""Numbers of any type as unsigned whole numbers of the smallest, or as shares."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from veinfit.errors import InputError
from veinfit.labels.model import LabelArray

Numbers = Callable[..., npt.NDArray[Any]]
"""Makes values of stored numbers (I, J, K), the path for messages, slope and intercept."""

SLAB_VALUES = 1 << 22
"""Values checked and converted in one go, so that no temporary array is as large as the volume."""


def whole_numbers(
    stored: np.ndarray[Any, Any], path: Path, slope: float = 1.0, intercept: float = 0.0
) -> LabelArray:
    """Return values as unsigned integers of the smallest type that holds them.

    Works slab by slab: the file's own type is the largest array in memory. What is of that type
    already is returned as it is.
    """
    if stored.dtype.kind not in "biuf":
        raise InputError(f"volume {path} holds {stored.dtype}; export labels as whole numbers")
    slabs = _slabs(stored)
    scaled = (slope, intercept) != (1.0, 0.0)

    def true_values(slab: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        return slab * slope + intercept if scaled else slab

    highest = 0
    for box in slabs:
        slab = true_values(stored[box])
        if slab.dtype.kind == "f":
            whole = np.isfinite(slab) & (slab == np.rint(slab))
            if not whole.all():
                example = slab[~whole][0]
                raise InputError(
                    f"volume {path} holds values that are not whole numbers ({example:.4g}); it "
                    "looks like an image or a probability, give the label volume, or a label map "
                    "with the least probability that counts: { at_least = 0.5 }"
                )
        if slab.dtype.kind not in "bu" and slab.min() < 0:
            raise InputError(
                f"volume {path} holds negative values ({slab.min():g}); it looks like an image, "
                "give the label volume (0 is background)"
            )
        highest = max(highest, int(slab.max()))
    if highest > np.iinfo(np.uint32).max:
        raise InputError(
            f"volume {path} holds the value {highest}; labels go to {2**32 - 1}; export them with "
            "smaller ones"
        )
    if highest == 0:
        raise InputError(
            f"volume {path} is zero everywhere: it has no labels; export the segmentation again"
        )
    smallest = np.min_scalar_type(highest)
    if stored.dtype == smallest and not scaled and not isinstance(stored, np.memmap):
        return stored
    order: Any = "F" if stored.flags.f_contiguous else "C"
    values = np.empty(stored.shape, dtype=smallest, order=order)
    for box in slabs:
        values[box] = true_values(stored[box])
    return values


def shares(
    stored: npt.NDArray[Any], path: Path, slope: float = 1.0, intercept: float = 0.0
) -> npt.NDArray[np.float32]:
    """Return values as probabilities, in the file's own scale; refuse what are none."""
    if stored.dtype.kind not in "biuf":
        raise InputError(f"volume {path} holds {stored.dtype}; export probabilities as numbers")
    values = stored.astype(np.float32) * np.float32(slope) + np.float32(intercept)
    if not np.isfinite(values).all():
        raise InputError(f"volume {path} holds values that are not finite; export it again")
    if values.min() < 0:
        raise InputError(
            f"volume {path} holds negative values ({values.min():g}), and no probability is "
            "negative; export probabilities, not the raw output of a network"
        )
    return values


def _slabs(stored: np.ndarray[Any, Any]) -> list[tuple[slice, ...]]:
    """Cut an array along the axis that is slowest in memory."""
    axis = int(np.argmax(np.abs(stored.strides)))
    step = max(1, SLAB_VALUES * stored.shape[axis] // stored.size)
    return [
        (slice(None),) * axis + (slice(k, k + step),) for k in range(0, stored.shape[axis], step)
    ]
