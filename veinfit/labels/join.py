"""Several label volumes, each on its own grid, as one volume on one grid."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from veinfit.errors import InputError
from veinfit.labels.model import BODY_NAME, SEPTUM_NAME, LabelVolume, is_label_name, plain_number
from veinfit.labels.upright import SHEAR_LIMIT_DEG, shear_deg, upright_affine
from veinfit.notes import Note
from veinfit.vectors import BoolArray, FloatArray, IntArray, apply_affine
from veinfit.vein_names import is_vein_name

HALF = 0.5
"""A point is inside a mask where the linear interpolation of it reaches this: unbiased."""

SAME_POINT_VOXELS = 0.02
"""Points of two grids this close are the same point: far above the rounding of headers."""

SAME_GRID_MM = 0.5
"""Two grids of one shape that lie farther apart than this were not drawn on one image."""

FARTHEST_PART_MM = 20.0
"""No part of an atrium lies farther from its body than this."""

FARTHEST_NEIGHBOUR_MM = 200.0
"""No structure beside the heart lies farther from the atrium."""

FINER = 0.75
"""A grid with voxels below this part of the input's loses detail on the input's grid."""

TOLD_OVERLAP_ML = 0.05
"""Overlaps of an atrium's part with a neighbour below this are the edges of two drawings."""

SLAB_POINTS = 1 << 21
"""Points interpolated in one go."""


@dataclass(frozen=True, slots=True, eq=False)
class LabelPart:
    """One label as a mask, or as the share of each voxel that is probably in it.

    Attributes
    ----------
    name : str
        Of a label or a structure; of a value that no map names, an empty text.
    value : int
        That its voxels get.
    inside : (I, J, K) array
        Masks or shares, cropped.
    low : (3,) array
        Index of the crop's first voxel in the volume that it was cut from.
    shape : (3,) array
        Of that volume: where it ends, nothing is known.
    affine : (4, 4) array
        Index of a voxel of that volume to its centre, LPS mm.
    level : float
        From which share on a point is inside.
    """

    name: str
    value: int
    inside: npt.NDArray[Any]
    low: IntArray
    shape: IntArray
    affine: FloatArray
    level: float = HALF

    @property
    def edges_mm(self) -> FloatArray:
        """Lengths (3,) of a voxel's edges, mm."""
        return np.asarray(np.linalg.norm(self.affine[:3, :3], axis=0))


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Where voxels lie: how many along each axis (3,), and index to centre, LPS mm."""

    shape: IntArray
    affine: FloatArray


def crop_part(
    name: str,
    value: int,
    inside: npt.NDArray[Any],
    affine: FloatArray,
    level: float = HALF,
) -> LabelPart:
    """Return a part of a volume (I, J, K), cropped to where it is not zero.

    Parameters
    ----------
    name : str
        What the part is, such as ``left_atrium``.
    value : int
        By which it stands in the joined volume.
    inside : (I, J, K) array
        How far each voxel belongs to it.
    affine : (4, 4) array
        Voxel index to LPS mm.
    level : float
        From this value on a voxel is inside.

    Returns
    -------
    LabelPart

    Raises
    ------
    ValueError
        It is zero, or below the level, everywhere.
    """
    if not (inside >= level).any():
        raise ValueError(f"{name} is empty")
    full = np.array(inside.shape)
    box = ndimage.find_objects((inside != 0).astype(np.uint8))[0]
    low = np.array([s.start for s in box])
    return LabelPart(name, value, inside[box], low, full, np.asarray(affine, float), level)


def join_parts(parts: Sequence[LabelPart], grid: Grid) -> LabelVolume:
    """Put parts, each on its own grid, onto one.

    Parameters
    ----------
    parts : sequence of LabelPart
        ``left_atrium`` among them. Where two meet, a single vein stands before
        veins in one, these before the appendage, the body, the septum, and neighbours.
    grid : Grid
        Of the result, which is extended as far as parts reach beyond it.

    Returns
    -------
    LabelVolume
        On the points of ``grid``, cropped to the parts. Its ``cut`` are the voxels
        that lie at the border of the volume that they come from. Its notes say what
        was resampled and what overlapped.

    Raises
    ------
    InputError
        A part lies too far from the atrium, or would make the grid too large.
    """
    placed = [_placed(part, grid) for part in parts]
    low = np.min([at.low for at in placed], axis=0) - 1
    high = np.max([at.low + at.mask.shape for at in placed], axis=0) + 1
    edges = np.linalg.norm(grid.affine[:3, :3], axis=0)
    _check_apart(placed, edges)
    shape = tuple(int(n) for n in high - low)
    top = max(part.value for part in parts)
    values = np.zeros(shape, dtype=np.min_scalar_type(top))
    rank = np.zeros(shape, dtype=np.uint8)
    ranks = [_rank(part.name) for part in parts]
    lost: dict[str, int] = {}
    for k in sorted(range(len(parts)), key=lambda k: -ranks[k]):
        at = placed[k]
        box = tuple(
            slice(int(a), int(a) + n) for a, n in zip(at.low - low, at.mask.shape, strict=True)
        )
        free = at.mask & (rank[box] == 0)
        if ranks[k] == RANK_OF_NEIGHBOURS:
            lost[parts[k].name] = int(np.count_nonzero(at.mask & (rank[box] > ranks[k])))
        values[box][free] = parts[k].value
        rank[box][free] = ranks[k]
    affine = grid.affine.copy()
    affine[:3, 3] = apply_affine(grid.affine, low)
    lumen = rank > RANK_OF_SEPTUM
    open_ends = np.zeros(shape, dtype=bool)
    for at in placed:
        ends = [
            slice(int(a) - 1, int(a) + n + 1)
            for a, n in zip(at.low - low, at.mask.shape, strict=True)
        ]
        open_ends[tuple(ends)] |= _open_ends(at.beyond, lumen[tuple(ends)])
    cut = lumen & ndimage.binary_dilation(open_ends)
    voxel_ml = float(np.prod(edges)) / 1000.0
    notes = [*_grid_notes(parts, grid), *_overlap_notes(lost, voxel_ml)]
    return LabelVolume(values, affine, tuple(notes), cut)


RANK_OF_NEIGHBOURS = 1
RANK_OF_SEPTUM = 2


def _open_ends(beyond: BoolArray, lumen: BoolArray) -> BoolArray:
    """Return where a label ends with its volume and no other goes on.

    An end that another label covers by half goes on in it: what is not covered is the wall,
    which narrows from one voxel to the next.
    """
    if not beyond.any():
        return beyond
    parts, count = ndimage.label(beyond, np.ones((3, 3, 3)))
    covered = ndimage.mean(lumen, parts, np.arange(1, count + 1))
    found = np.concatenate([[False], np.asarray(covered) < HALF])[parts] & ~lumen
    return np.asarray(found)


def _rank(name: str) -> int:
    """Return how firmly a label holds a voxel that several claim; 1 is the least."""
    if is_vein_name(name):
        return 6
    known = {"pulmonary_veins": 5, "appendage": 4, BODY_NAME: 3, SEPTUM_NAME: RANK_OF_SEPTUM}
    return known.get(name, RANK_OF_NEIGHBOURS)


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A part on the common grid: first index (3,), mask, and voxels unseen beside it.

    ``beyond``, a voxel wider all around, are those next to the mask that the part's own volume
    does not show.
    """

    name: str
    low: IntArray
    mask: BoolArray
    beyond: BoolArray


def _placed(part: LabelPart, grid: Grid) -> _Placed:
    """Put a part onto the points of a grid by linear interpolation."""
    if _same_points(part.affine, grid.affine):
        # Only shifted by whole voxels: nothing to interpolate.
        shift = np.rint(np.linalg.inv(grid.affine) @ part.affine)[:3, 3].astype(np.int64)
        mask = np.asarray(part.inside >= part.level)
        seen = np.ones(tuple(n + 2 for n in mask.shape), dtype=bool)
        for axis in range(3):
            ends = np.moveaxis(seen, axis, 0)
            ends[0] &= part.low[axis] > 0
            ends[-1] &= part.low[axis] + mask.shape[axis] < part.shape[axis]
        return _Placed(part.name, part.low + shift, mask, _beyond(mask, seen))
    to_part = np.linalg.inv(part.affine) @ grid.affine
    reach = [(-1.0, float(n)) for n in part.inside.shape]
    corners: FloatArray = np.array([*product(*reach)])
    to_grid: FloatArray = np.asarray(np.linalg.inv(to_part), dtype=np.float64)
    at = apply_affine(to_grid, corners + part.low)
    low = np.floor(at.min(axis=0)).astype(np.int64)
    shape = np.ceil(at.max(axis=0)).astype(np.int64) + 1 - low
    _check_points(shape, part.name)
    mask = np.zeros(tuple(shape), dtype=bool)
    seen = np.zeros(tuple(shape), dtype=bool)
    # Beyond the border of its volume the outermost value goes on for half a voxel.
    first, last = part.low == 0, part.low + part.inside.shape == part.shape
    shares = part.inside.astype(np.float32)
    for axis in range(3):
        for touches, width in ((first[axis], (1, 0)), (last[axis], (0, 1))):
            pads = [(0, 0)] * 3
            pads[axis] = width
            shares = np.pad(shares, pads, mode="edge" if touches else "constant")
    step = max(1, SLAB_POINTS // int(shape[1] * shape[2]))
    for start in range(0, int(shape[0]), step):
        stop = min(start + step, int(shape[0]))
        index = np.indices((stop - start, *shape[1:])).reshape(3, -1).T + low
        index[:, 0] += start
        there = apply_affine(to_part, index)
        slab = (stop - start, *(int(n) for n in shape[1:]))
        found = ndimage.map_coordinates(
            shares, (there - part.low + 1.0).T, order=1, mode="constant", prefilter=False
        ).reshape(slab)
        known = ((there >= -0.5) & (there <= part.shape - 0.5)).all(axis=1).reshape(slab)
        # A rounding error must not decide at a point that the two grids share.
        mask[start:stop] = known & (found >= part.level - 1e-5)
        seen[start:stop] = known
    return _Placed(part.name, low, mask, _beyond(mask, np.pad(seen, 1, mode="edge")))


def _beyond(mask: BoolArray, seen: BoolArray) -> BoolArray:
    """Return the voxels next to a mask that its volume does not show; both one voxel wider."""
    return np.asarray(ndimage.binary_dilation(np.pad(mask, 1)) & ~seen)


def _check_points(shape: IntArray, name: str) -> None:
    if float(np.prod(shape.astype(float))) > float(1 << 29):
        raise InputError(
            f"the label volume of {name or 'an unnamed label'} spans {' × '.join(map(str, shape))} "
            "voxels of the input's grid, more than an atrium takes; crop it to the heart"
        )


def _same_points(one: FloatArray, other: FloatArray) -> bool:
    """Tell whether two grids have the same axes, in order, and share their points."""
    between = np.linalg.inv(other) @ one
    turned = np.abs(between[:3, :3] - np.eye(3)).max()
    shift = between[:3, 3]
    # A thousandth of a voxel a voxel adds up to a voxel over a thousand.
    return bool(turned < 1e-5 and np.abs(shift - np.rint(shift)).max() < SAME_POINT_VOXELS)


def _share_points(one: FloatArray, other: FloatArray) -> bool:
    """Tell whether two grids share their points, with axes in any order and direction."""
    between = np.linalg.inv(other) @ one
    linear, shift = between[:3, :3], between[:3, 3]
    off = max(np.abs(linear - np.rint(linear)).max() * 1000.0, np.abs(shift - np.rint(shift)).max())
    return bool(off < SAME_POINT_VOXELS and abs(abs(np.linalg.det(np.rint(linear))) - 1.0) < 1e-9)


def _check_apart(placed: Iterable[_Placed], edges: FloatArray) -> None:
    """Refuse parts that no heart has so far apart."""
    placed = list(placed)
    body = [at for at in placed if at.name == BODY_NAME]
    low = np.min([at.low for at in body], axis=0)
    high = np.max([at.low + at.mask.shape for at in body], axis=0)
    for at in placed:
        before = (low - at.low - at.mask.shape) * edges
        behind = (at.low - high) * edges
        apart = float(np.linalg.norm(np.maximum(np.maximum(before, behind), 0.0)))
        of_atrium = is_label_name(at.name)
        most = FARTHEST_PART_MM if of_atrium else FARTHEST_NEIGHBOUR_MM
        if at.name and apart > most:
            raise InputError(
                f"the label volume of {at.name} lies {apart:.0f} mm from that of {BODY_NAME} in "
                "the patient's coordinates; give volumes of one image, in one frame"
            )


def _grid_notes(parts: Sequence[LabelPart], grid: Grid) -> list[Note]:
    """Say which parts were resampled, and from what."""
    notes = []
    edges = np.linalg.norm(grid.affine[:3, :3], axis=0)
    told: list[tuple[FloatArray, IntArray, list[str]]] = []
    for part in parts:
        name = part.name or f"label {part.value}"
        for affine, shape, names in told:
            if np.array_equal(affine, part.affine) and np.array_equal(shape, part.shape):
                names.append(name)
                break
        else:
            told.append((part.affine, part.shape, [name]))
    for affine, shape, names in told:
        upright = upright_affine(affine)[:3, :3] - grid.affine[:3, :3]
        if shear_deg(affine) > SHEAR_LIMIT_DEG and np.abs(upright).max() < 1e-5:
            continue  # The grid was made for them, and a note of its own says so.
        of = ", ".join(dict.fromkeys(names))
        own = np.linalg.norm(affine[:3, :3], axis=0)
        listed = " × ".join(map(plain_number, own))
        if np.array_equal(shape, grid.shape):
            corners = np.array(np.meshgrid(*[(0.0, n - 1.0) for n in shape])).reshape(3, -1).T
            gaps = apply_affine(affine, corners) - apply_affine(grid.affine, corners)
            most = float(np.linalg.norm(gaps, axis=1).max())
            if most > SAME_GRID_MM and not _share_points(affine, grid.affine):
                text = (
                    f"the volume of {of} has as many voxels as the input but lies up to "
                    f"{most:.3g} mm from it: both were taken as written"
                )
                notes.append(Note("input", text, severity="caution"))
        if _share_points(affine, grid.affine):
            continue
        text = (
            f"the volume of {of} lies on another grid, of {listed} mm: it was resampled onto "
            f"the input's, of {' × '.join(map(plain_number, edges))} mm, by linear interpolation"
        )
        notes.append(Note("input", text))
        if float(np.prod(own)) < FINER**3 * float(np.prod(edges)):
            text = (
                f"the volume of {of} is finer than the input: give the finest volume first to "
                "keep its detail"
            )
            notes.append(Note("input", text, severity="caution"))
    return notes


def _overlap_notes(lost: dict[str, int], voxel_ml: float) -> list[Note]:
    return [
        Note(
            "input",
            f"{name} overlaps the parts of the atrium by {count * voxel_ml:.2g} mL, which were "
            "counted to the atrium",
            name,
            severity="caution",
        )
        for name, count in lost.items()
        if name and count * voxel_ml >= TOLD_OVERLAP_ML
    ]
