"""Which voxels hold which values: counted, bounded and marked, slab by slab."""

from __future__ import annotations

import numpy as np

from veinfit.labels.model import LabelArray
from veinfit.vectors import BoolArray, IntArray

SLAB_VOXELS = 1 << 22
"""Voxels looked at in one go, so that no temporary array is as large as the volume."""
TABLE_SIZE = 1 << 20
"""Values below this are looked up in a table."""


def value_counts(values: LabelArray) -> dict[int, int]:
    """Return how many voxels hold each value but 0, in ascending order of values.

    Parameters
    ----------
    values : (I, J, K) array

    Returns
    -------
    dict of int to int
    """
    counts: dict[int, int] = {}
    for slab in slabs(values[_occupied(values)]):
        if np.iinfo(values.dtype).max < TABLE_SIZE:
            amounts = np.bincount(slab.ravel(order="K"))
            found = np.flatnonzero(amounts)
            amounts = amounts[found]
        else:
            found, amounts = np.unique(slab, return_counts=True)
        for value, amount in zip(found.tolist(), amounts.tolist(), strict=True):
            counts[value] = counts.get(value, 0) + amount
    counts.pop(0, None)
    return dict(sorted(counts.items()))


def crop_to_values(
    values: LabelArray, wanted: list[int] | tuple[int, ...]
) -> tuple[LabelArray, IntArray]:
    """Return the part of a volume that bounds the wanted values, and its first index (3,)."""
    axis = _slowest_axis(values)
    low, high = np.array(values.shape), np.zeros(3, dtype=np.int64)
    occupied = _occupied(values)
    first = np.array([part.start for part in occupied])
    start = 0
    for slab in slabs(values[occupied]):
        member = members(slab, wanted)
        for k in range(3):
            used = np.flatnonzero(member.any(axis=tuple(a for a in range(3) if a != k)))
            if len(used):
                shift = first[k] + (start if k == axis else 0)
                low[k] = min(low[k], used[0] + shift)
                high[k] = max(high[k], used[-1] + shift + 1)
        start += slab.shape[axis]
    low = np.minimum(low, high)
    box = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    return values[box], low


def _occupied(values: LabelArray) -> tuple[slice, slice, slice]:
    """Return the box that bounds all voxels but 0: a scan without its empty margins is small."""
    box = [slice(0, n) for n in values.shape]
    for axis in np.argsort(np.abs(values.strides))[::-1]:
        others = tuple(k for k in range(3) if k != axis)
        held = np.flatnonzero(values[tuple(box)].any(axis=others))
        box[axis] = slice(int(held[0]), int(held[-1]) + 1) if len(held) else slice(0, 0)
    return box[0], box[1], box[2]


def _slowest_axis(values: LabelArray) -> int:
    return int(np.argmax(np.abs(values.strides)))


def slabs(values: LabelArray) -> list[LabelArray]:
    """Cut a volume into views along the axis that is slowest in memory."""
    axis = _slowest_axis(values)
    thickness = max(1, SLAB_VOXELS * values.shape[axis] // max(values.size, 1))
    return [
        values[(slice(None),) * axis + (slice(k, k + thickness),)]
        for k in range(0, values.shape[axis], thickness)
    ]


def members(values: LabelArray, wanted: list[int] | tuple[int, ...]) -> BoolArray:
    """Tell which voxels hold one of the wanted values."""
    top = np.iinfo(values.dtype).max
    wanted = [v for v in wanted if v <= top]
    if top >= TABLE_SIZE:
        member = np.zeros(values.shape, dtype=bool)
        for value in wanted:
            member |= values == value
        return member
    table = np.zeros(top + 1, dtype=bool)
    table[wanted] = True
    return np.asarray(table[values])
