"""Label volumes whose slices are shifted against each other, put onto perpendicular axes."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
from scipy import ndimage

from veinfit.labels.model import LabelVolume, plain_number
from veinfit.notes import Note
from veinfit.vectors import BoolArray, FloatArray, IntArray, apply_affine, unit

SHEAR_LIMIT_DEG = 0.5
"""Grid axes may be this far from perpendicular: far above rounding, far below a gantry tilt."""

SLAB_POINTS = 1 << 21
"""Points interpolated in one go."""


def shear_deg(affine: FloatArray) -> float:
    """Return how far the axes of a grid are from perpendicular, in degrees, at most 90.

    Parameters
    ----------
    affine : (4, 4) array

    Returns
    -------
    float
    """
    axes = affine[:3, :3] / np.linalg.norm(affine[:3, :3], axis=0)
    cosines = [abs(float(axes[:, a] @ axes[:, b])) for a, b in combinations(range(3), 2)]
    return 90.0 - float(np.degrees(np.arccos(min(1.0, max(cosines)))))


def upright_affine(affine: FloatArray) -> FloatArray:
    """Return the grid of perpendicular axes with the same slices, and the same voxels in them.

    Slices are what the two axes nearest to perpendicular span. The third axis becomes their
    normal, as long as slices are apart; the first voxel stays.

    Parameters
    ----------
    affine : (4, 4) array
        Voxel index to LPS mm.

    Returns
    -------
    (4, 4) array
    """
    edges = np.linalg.norm(affine[:3, :3], axis=0)
    axes = affine[:3, :3] / edges

    def likelihood(pair: tuple[int, int]) -> tuple[float, float, int]:
        # Of two equally perpendicular pairs, slices are what lies farther apart, or comes last.
        a, b = pair
        return -round(abs(float(axes[:, a] @ axes[:, b])), 3), float(edges[3 - a - b]), 3 - a - b

    first, second = max(combinations(range(3), 2), key=likelihood)
    third = 3 - first - second
    along = axes[:, first]
    across = unit(axes[:, second] - (axes[:, second] @ along) * along)
    normal = np.cross(along, across)
    found = affine.copy()
    found[:3, second] = across * (across @ affine[:3, second])
    found[:3, third] = normal * (normal @ affine[:3, third])
    return found


def upright_volume(volume: LabelVolume) -> LabelVolume:
    """Return a volume on perpendicular axes: itself, where its axes are perpendicular.

    The share of each label is interpolated linearly between voxels. A point is labelled where the
    shares of all labels reach one half, with the label of the greatest share.

    Parameters
    ----------
    volume : LabelVolume

    Returns
    -------
    LabelVolume
        With a note, where it was resampled.
    """
    shear = shear_deg(volume.affine)
    if shear <= SHEAR_LIMIT_DEG:
        return volume
    affine = upright_affine(volume.affine)
    box = ndimage.find_objects((volume.values != 0).astype(np.uint8))
    note = upright_note(volume.affine)
    if not box:
        return LabelVolume(volume.values, affine, (*volume.notes, note))
    low = np.array([part.start for part in box[0]])
    held = volume.values[box[0]]
    to_upright = np.linalg.inv(affine) @ volume.affine
    corners = apply_affine(
        np.asarray(to_upright), np.array([*product(*[(-1.0, float(n)) for n in held.shape])]) + low
    )
    start = np.floor(corners.min(axis=0)).astype(np.int64)
    shape = np.ceil(corners.max(axis=0)).astype(np.int64) + 1 - start
    back = np.asarray(np.linalg.inv(to_upright))
    values = np.zeros(tuple(shape), dtype=volume.values.dtype)
    known = np.zeros(tuple(shape), dtype=bool)
    step = max(1, SLAB_POINTS // int(shape[1] * shape[2]))
    padded = _padded(held, low, volume.values.shape)
    for first in range(0, int(shape[0]), step):
        count = min(step, int(shape[0]) - first)
        index = np.indices((count, *shape[1:])).reshape(3, -1).T + start + (first, 0, 0)
        there = apply_affine(back, index)
        here = (count, *shape[1:])
        values[first : first + count] = _labels_at(padded, there - low + 1.0).reshape(here)
        inside = (there >= -0.5) & (there <= np.array(volume.values.shape) - 0.5)
        known[first : first + count] = inside.all(axis=1).reshape(here)
    values[~known] = 0
    placed = affine.copy()
    placed[:3, 3] = apply_affine(affine, start)
    return LabelVolume(values, placed, (*volume.notes, note), _at_border(values, known))


def upright_note(affine: FloatArray) -> Note:
    """Say that labels of a sheared grid were put onto another.

    Parameters
    ----------
    affine : (4, 4) array
        Of the sheared grid.

    Returns
    -------
    Note
    """
    edges = np.linalg.norm(upright_affine(affine)[:3, :3], axis=0)
    text = (
        f"the slices of the labels are shifted against each other, as a gantry tilted by "
        f"{shear_deg(affine):.3g}° leaves them: they were resampled by linear interpolation onto "
        f"perpendicular axes, voxels of {' × '.join(map(plain_number, edges))} mm"
    )
    return Note("input", text)


def _padded(held: np.ndarray, low: IntArray, full: tuple[int, ...]) -> np.ndarray:
    """Pad by a voxel: nothing, or at the border of the volume what is there."""
    for axis, count in enumerate(full):
        ends = (low[axis] == 0, low[axis] + held.shape[axis] == count)
        for touches, width in zip(ends, ((1, 0), (0, 1)), strict=True):
            pads = [(0, 0)] * 3
            pads[axis] = width
            held = np.pad(held, pads, mode="edge" if touches else "constant")
    return held


def _labels_at(values: np.ndarray, index: FloatArray) -> np.ndarray:
    """Return the labels (N,) at indices (N, 3) by the shares of the voxels around."""
    floor = np.floor(index).astype(np.int64)
    part = index - floor
    found = np.zeros((len(index), 8), dtype=values.dtype)
    share = np.zeros((len(index), 8), dtype=np.float32)
    top = np.array(values.shape) - 1
    for k, corner in enumerate(product((0, 1), repeat=3)):
        at = floor + corner
        inside = ((at >= 0) & (at <= top)).all(axis=1)
        found[inside, k] = values[tuple(at[inside].T)]
        share[:, k] = np.prod(np.where(corner, part, 1.0 - part), axis=1)
    mixed = (found.max(axis=1) > 0) & (found.min(axis=1) < found.max(axis=1))
    labels = found[:, 0].copy()
    found, share = found[mixed], share[mixed]
    own = ((found[:, :, None] == found[:, None, :]) * share[:, None, :]).sum(axis=2)
    own[found == 0] = 0.0
    best = found[np.arange(len(found)), own.argmax(axis=1)]
    # A rounding error must not decide at a point half way between two voxels.
    labels[mixed] = np.where((share * (found > 0)).sum(axis=1) >= 0.5 - 1e-5, best, 0)
    return labels


def _at_border(values: np.ndarray, known: BoolArray) -> BoolArray:
    """Return the labelled voxels beside ones of which the volume tells nothing."""
    beyond = np.pad(~known, 1, mode="constant", constant_values=True)
    return np.asarray((values > 0) & ndimage.binary_dilation(beyond)[1:-1, 1:-1, 1:-1])
