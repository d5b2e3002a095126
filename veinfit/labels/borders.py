"""Where labels meet: a vein's and the atrium's, ones that no map names, the image's border."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from scipy import ndimage

from veinfit.frames import side_words
from veinfit.labels.model import LabelArray, LabelBorder, LabelVolume
from veinfit.notes import Note, Severity
from veinfit.vectors import BoolArray, FloatArray, IntArray, unit

LEAST_BORDER_MM2 = 7.0
"""A border smaller than the section of a vein of 3 mm is a touch and no border."""

TOLD_TOUCH_MM2 = 10.0
"""Unnamed voxels that touch the lumen over less are specks."""


CUT_AREA_MM2 = 20.0
"""Contact of the lumen with the border of the volume from which a part may be cut off: a vein
of 5 mm."""


def label_borders(
    values: LabelArray,
    low: IntArray,
    lumen: BoolArray,
    veins: Mapping[str, tuple[int, ...]],
    volume: LabelVolume,
) -> dict[str, LabelBorder]:
    """Return where each vein's label meets the atrium's; borders between two veins are none.

    Parameters
    ----------
    values, lumen : (I, J, K) arrays
        A part of the volume that begins at index ``low`` (3,), and which of it is lumen.
    veins : mapping of str to tuple of int
        The values of each single vein.
    volume : LabelVolume
    """
    every = np.isin(values, [v for own in veins.values() for v in own])
    rest = lumen & ~every
    found = {}
    for name, own in veins.items():
        mask = _largest(lumen & np.isin(values, own))
        faces, vectors = _faces_between(rest, mask, low, volume)
        total = vectors.sum(axis=0) if len(vectors) else np.zeros(3)
        area = float(np.linalg.norm(total))
        if area < LEAST_BORDER_MM2:
            continue
        normal = unit(total)
        # Signed: the two sides of a speck cancel.
        weight = vectors @ normal
        found[name] = LabelBorder(weight @ faces / weight.sum(), normal, area)
    return found


def _largest(mask: BoolArray) -> BoolArray:
    part, count = ndimage.label(mask)
    if count < 2:
        return mask
    return np.asarray(part == 1 + int(np.argmax(np.bincount(part.ravel())[1:])))


def _across(shape: tuple[int, ...]) -> Iterator[tuple[int, tuple[slice, ...], tuple[slice, ...]]]:
    """Yield each axis with the slices of all voxels before and after a face across it."""
    for axis in range(len(shape)):
        whole = [slice(None)] * len(shape)
        before, after = list(whole), list(whole)
        before[axis], after[axis] = slice(None, -1), slice(1, None)
        yield axis, tuple(before), tuple(after)


def _faces_between(
    behind: BoolArray, ahead: BoolArray, low: IntArray, volume: LabelVolume
) -> tuple[FloatArray, FloatArray]:
    """Return the middles (N, 3), mm, of faces between two masks, and their area vectors, mm²."""
    linear = volume.affine[:3, :3]
    area_vectors = (abs(np.linalg.det(linear)) * np.linalg.inv(linear)).copy()
    middles, vectors = [np.zeros((0, 3))], [np.zeros((0, 3))]
    for axis, before, after in _across(behind.shape):
        for mask, sign in (
            (behind[before] & ahead[after], 1.0),
            (ahead[before] & behind[after], -1.0),
        ):
            index = np.argwhere(mask) + low + 0.5 * np.eye(3)[axis]
            middles.append(volume.world_points(index))
            vectors.append(np.tile(sign * area_vectors[axis], (len(index), 1)))
    return np.concatenate(middles), np.concatenate(vectors)


def unnamed_notes(
    lumen: BoolArray, low: IntArray, known: Sequence[int], volume: LabelVolume
) -> list[Note]:
    """Return a caution for every value that no label names and that touches the lumen.

    Parameters
    ----------
    lumen : (I, J, K) bool array
        Which voxels of a part of the volume that begins at index ``low`` (3,) are lumen.
    known : sequence of int
        Values that the label map names, parts of the atrium and neighbours.
    volume : LabelVolume
    """
    less = np.minimum(low, 1)
    more = np.minimum(np.array(volume.values.shape) - low - lumen.shape, 1)
    box = [
        slice(int(k - b), int(k + n + a))
        for k, b, n, a in zip(low, less, lumen.shape, more, strict=True)
    ]
    values = volume.values[tuple(box)]
    lumen = np.pad(lumen, np.stack([less, more], axis=1))
    unnamed = (values > 0) & ~np.isin(values, known)
    areas: dict[int, float] = {}
    face_mm2 = 1000.0 * volume.voxel_ml / volume.edges_mm
    for axis, before, after in _across(values.shape):
        for one, other in ((before, after), (after, before)):
            touching = values[one][unnamed[one] & lumen[other]]
            for value, count in zip(*np.unique(touching, return_counts=True), strict=True):
                areas[int(value)] = areas.get(int(value), 0.0) + float(count * face_mm2[axis])
    return [
        Note(
            "input",
            f"label {value}, which the label map does not name, touches the lumen over "
            f"{area:.0f} mm²: if it is a part of the atrium or of a vein, name it in the label map",
            severity="caution",
        )
        for value, area in sorted(areas.items())
        if area >= TOLD_TOUCH_MM2
    ]


def image_border_points(lumen: BoolArray, low: IntArray, volume: LabelVolume) -> FloatArray:
    """Return the centres (N, 3), LPS mm, of voxels of the lumen at the border of the volume."""
    if volume.cut is not None:
        return volume.world_points(np.argwhere(lumen & _part_of(volume.cut, low, lumen)) + low)
    index = np.argwhere(lumen) + low
    last = np.array(volume.values.shape) - 1
    return volume.world_points(index[((index == 0) | (index == last)).any(axis=1)])


def image_border_notes(lumen: BoolArray, low: IntArray, volume: LabelVolume) -> list[Note]:
    """Say where the lumen reaches the border of the volume and may be cut off."""
    if volume.cut is not None:
        return _cut_notes(lumen, low, volume)
    notes = []
    volume_mm3 = 1000.0 * volume.voxel_ml
    for axis in range(3):
        face_mm2 = volume_mm3 / volume.edges_mm[axis]
        last = int(low[axis]) + lumen.shape[axis] == volume.values.shape[axis]
        for touches, index, sign in ((int(low[axis]) == 0, 0, -1.0), (last, -1, 1.0)):
            if not touches:
                continue
            area = float(np.count_nonzero(np.take(lumen, index, axis=axis))) * face_mm2
            side = side_words(sign * volume.affine[:3, axis])
            severity: Severity = "caution" if area >= CUT_AREA_MM2 else "info"
            text = (
                f"the lumen reaches the {side} border of the volume over {area:.0f} mm²: "
                "it may be cut off there by the field of view"
            )
            notes.append(Note("input", text, severity=severity))
    return notes


def _part_of(mask: BoolArray, low: IntArray, part: BoolArray) -> BoolArray:
    return mask[tuple(slice(int(a), int(a) + n) for a, n in zip(low, part.shape, strict=True))]


def _cut_notes(lumen: BoolArray, low: IntArray, volume: LabelVolume) -> list[Note]:
    """Say where the lumen reaches the border of one of the images that it comes from."""
    assert volume.cut is not None
    parts, count = ndimage.label(lumen & _part_of(volume.cut, low, lumen), np.ones((3, 3, 3)))
    middle = volume.world_points(np.argwhere(lumen) + low).mean(axis=0)
    # The cut may lie across any axis: a voxel shows between its least and its greatest face.
    face_mm2 = (1000.0 * volume.voxel_ml) ** (2.0 / 3.0)
    notes = []
    for k in range(1, count + 1):
        place = np.argwhere(parts == k)
        area = len(place) * face_mm2
        if area < CUT_AREA_MM2:
            continue
        side = side_words(volume.world_points(place + low).mean(axis=0) - middle)
        text = (
            f"the lumen reaches the border of an image on the {side} side over about "
            f"{area:.0f} mm²: it may be cut off there by the field of view"
        )
        notes.append(Note("input", text, severity="caution"))
    return notes
