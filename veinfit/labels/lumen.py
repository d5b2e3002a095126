"""From a label volume to the lumen: its voxels, its surface, and what was left out."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from veinfit.errors import InputError
from veinfit.labels.borders import (
    image_border_notes,
    image_border_points,
    label_borders,
    unnamed_notes,
)
from veinfit.labels.counting import crop_to_values, members, slabs, value_counts
from veinfit.labels.model import (
    ATRIUM_MM_RANGE,
    BODY_NAME,
    GREATEST_AREA_CM2,
    SEPTUM_NAME,
    LabelArray,
    LabelledLumen,
    LabelMap,
    LabelVolume,
    plain_number,
)
from veinfit.labels.voxel_surface import crop_to, lumen_surface
from veinfit.notes import Note, Severity
from veinfit.settings import SurfaceSettings
from veinfit.surface import Surface
from veinfit.vectors import BoolArray, FloatArray, IntArray
from veinfit.vein_names import is_vein_name

LISTED_VALUES = 12
"""A message lists at most this many values of a volume."""

IMAGE_VALUES = 256
"""A volume with more values than this is an image rather than labels."""

LARGE_PART_ML = 0.3
"""A separate part from this volume on may be a broken-off vein: 4 mm of one of 10 mm diameter."""

LARGE_CAVITY_ML = 0.5
"""A cavity from this volume on is worth a caution: 10 mm across."""

COARSE_EDGE_MM = 2.0
"""Voxels longer than this leave the ostia uncertain by about as much."""

STAIRS = 2.0
"""Voxels have half as much border again as the smooth surface through them, here and there more."""

CENTRE_NEIGHBOURS = ndimage.generate_binary_structure(3, 1)
EDGE_NEIGHBOURS = ndimage.generate_binary_structure(3, 2)
"""The contour joins voxels of the lumen over faces alone, and background over edges too (checked
on random masks): components and cavities are counted by the same rule, so that the surface has
one piece."""


def lumen_input(
    volume: LabelVolume, label_map: LabelMap | None, settings: SurfaceSettings
) -> LabelledLumen:
    """Return the lumen of a label volume with its hints, structures and notes.

    Parameters
    ----------
    volume : LabelVolume
    label_map : LabelMap or None
        None takes the one value of the volume as the left atrium with its veins.
    settings : SurfaceSettings

    Returns
    -------
    LabelledLumen
        The lumen is the union of the labels but the septum: its largest part,
        without cavities. Parts left out are noted.

    Raises
    ------
    InputError
        No map and several values; a label that the volume does not hold; a
        lumen too small or too large for an atrium.
    """
    notes = list(volume.notes)
    counts = value_counts(volume.values)
    labels, structures = _meaning(counts, label_map, notes)
    wanted = sorted({v for values in labels.values() for v in values})
    values, low = crop_to_values(volume.values, wanted)
    lumen = members(values, [v for n, vs in labels.items() if n != SEPTUM_NAME for v in vs])
    lumen, offset = crop_to(lumen)
    values = _part(values, offset, lumen.shape)
    low = low + offset
    _check_size(lumen, volume, label_map)
    lumen, offset, part_notes = _largest_part(lumen, values, labels, low, volume)
    notes += part_notes
    values = _part(values, offset, lumen.shape)
    low = low + offset
    notes += image_border_notes(lumen, low, volume)
    filled, cavity_notes = _without_cavities(lumen, volume.voxel_ml)
    _check_border(filled, volume, label_map)
    notes += cavity_notes
    notes += _quality_notes(volume)
    known = [v for group in (labels, structures) for vs in group.values() for v in vs]
    if not counts.keys() <= set(known):
        notes += unnamed_notes(filled, low, known, volume)

    named = {n: vs for n, vs in labels.items() if n != SEPTUM_NAME}
    hints = {}
    if len(named) > 1:
        hints = {
            name: _centres(lumen & members(values, vs), low, volume) for name, vs in named.items()
        }
        notes += [
            Note("input", f"no voxel of {name} is part of the lumen", name, "caution")
            for name, points in hints.items()
            if not len(points)
        ]
        hints = {name: points for name, points in hints.items() if len(points)}
    veins = {n: vs for n, vs in named.items() if is_vein_name(n)}
    septum = np.zeros((0, 3))
    if SEPTUM_NAME in labels:
        found, start = crop_to_values(volume.values, labels[SEPTUM_NAME])
        septum = _centres(members(found, labels[SEPTUM_NAME]), start, volume)
    return LabelledLumen(
        surface=_surface(filled, low, volume, settings),
        hints=hints,
        resolution_mm=float(volume.edges_mm.max()),
        structures={
            name: _structure_surface(volume, vs, settings) for name, vs in structures.items()
        },
        septum_points=septum,
        notes=tuple(notes),
        borders=label_borders(values, low, lumen, veins, volume),
        values=named,
        image_border_points=image_border_points(lumen, low, volume),
    )


def _meaning(
    counts: dict[int, int], label_map: LabelMap | None, notes: list[Note]
) -> tuple[dict[str, tuple[int, ...]], dict[str, tuple[int, ...]]]:
    """Return the values of each label and structure that the volume holds."""
    if not counts:
        raise InputError(
            "the label volume is zero everywhere: it has no lumen; export the segmentation again"
        )
    listed = _listed(counts)
    if len(counts) > IMAGE_VALUES:
        raise InputError(
            f"the volume holds {len(counts)} values: it looks like an image, not like labels; "
            "give the label volume of the segmentation"
        )
    if label_map is None:
        if len(counts) > 1:
            raise InputError(
                f"the label volume holds several values ({listed}) and no label map says what "
                f"they are; pass --labels FILE that names {BODY_NAME} and the others"
            )
        return {BODY_NAME: tuple(counts)}, {}
    labels, missing = {}, []
    for name, values in label_map.labels.items():
        labels[name] = tuple(v for v in values if v in counts)
        absent = [v for v in values if v not in counts]
        if not labels[name]:
            missing.append(f"{name} = {_comma(values)}")
        elif absent:
            notes.append(
                Note("input", f"{name}: the volume holds no voxel of {_comma(absent)}", name)
            )
    if missing:
        raise InputError(
            f"{label_map.source}: the volume holds no voxel of {'; '.join(missing)}; its values "
            f"are {listed}; correct the label map or give the matching volume"
        )
    structures = {}
    for name, values in label_map.structures.items():
        present = tuple(v for v in values if v in counts)
        if present:
            structures[name] = present
        else:
            text = f"the volume holds no voxel of {name} = {_comma(values)}: no distance to it"
            notes.append(Note("input", text, name, "caution"))
    used = {v for group in (labels, structures) for values in group.values() for v in values}
    unused = {v: n for v, n in counts.items() if v not in used}
    if unused:
        notes.append(
            Note(
                "input", f"values that the label map does not name were left out: {_listed(unused)}"
            )
        )
    return labels, structures


def _comma(values: tuple[int, ...] | list[int]) -> str:
    return ", ".join(map(str, values))


def _listed(counts: dict[int, int]) -> str:
    shown = [f"{value}: {count} voxels" for value, count in list(counts.items())[:LISTED_VALUES]]
    rest = len(counts) - len(shown)
    return ", ".join(shown) + (f" and {rest} more values" if rest else "")


def _check_size(lumen: BoolArray, volume: LabelVolume, label_map: LabelMap | None) -> None:
    """Refuse a lumen that no atrium fits: a wrong label, or spacing that is not in mm."""
    longest = float((np.array(lumen.shape) * volume.edges_mm).max())
    least, most = ATRIUM_MM_RANGE
    if not least <= longest <= most:
        what = "the label" if label_map is None else f"the union of the labels ({label_map.source})"
        raise InputError(
            f"{what} is {plain_number(longest)} mm across, but a left atrium with its veins is "
            f"{least:g} to {most:g} mm; check the values and the voxel spacing "
            f"({' × '.join(map(plain_number, volume.edges_mm))} mm)"
        )


def _check_border(lumen: BoolArray, volume: LabelVolume, label_map: LabelMap | None) -> None:
    """Refuse a lumen with more border than any wall has: noise, or an image cut at a level.

    Its surface would take gigabytes.
    """
    area_mm2 = 0.0
    for axis, edge in enumerate(volume.edges_mm):
        planes = np.moveaxis(lumen, axis, 0)
        faces = np.count_nonzero(planes[0]) + np.count_nonzero(planes[-1])
        faces += sum(np.count_nonzero(a ^ b) for a, b in pairwise(planes))
        area_mm2 += faces * float(np.prod(volume.edges_mm)) / float(edge)
    if area_mm2 > STAIRS * GREATEST_AREA_CM2 * 100.0:
        what = "the label" if label_map is None else f"the union of the labels ({label_map.source})"
        raise InputError(
            f"{what} has {area_mm2 / 100.0:.0f} cm2 of border between its voxels and others, more "
            "than any atrium: it looks like noise; smooth the segmentation, or give another"
        )


def _largest_part(
    lumen: BoolArray,
    values: LabelArray,
    labels: dict[str, tuple[int, ...]],
    low: IntArray,
    volume: LabelVolume,
) -> tuple[BoolArray, IntArray, list[Note]]:
    """Keep the largest connected part; say what was dropped.

    Returns
    -------
    part : BoolArray
        Cropped.
    offset : (3,) array
        Where ``part`` begins in ``lumen``.
    notes : list of Note
    """
    parts, count = ndimage.label(lumen, structure=CENTRE_NEIGHBOURS)
    if count == 1:
        return lumen, np.zeros(3, dtype=np.int64), []
    sizes = np.zeros(count + 1, dtype=np.int64)
    for slab in slabs(parts):
        sizes += np.bincount(slab.ravel(), minlength=count + 1)
    sizes[0] = 0
    main = int(sizes.argmax())
    kept = parts == main
    notes = []
    large = [int(k) for k in np.flatnonzero(sizes * volume.voxel_ml >= LARGE_PART_ML) if k != main]
    rest = count - 1 - len(large)
    if rest:
        small_ml = (int(sizes.sum()) - int(sizes[[main, *large]].sum())) * volume.voxel_ml
        text = (
            f"{rest} specks apart from the atrium, {small_ml:.2g} mL together, were left out"
            if rest > 1
            else f"a speck of {small_ml:.2g} mL apart from the atrium was left out"
        )
        notes.append(Note("input", text, severity="caution"))
    if large:
        shell = kept & ~ndimage.binary_erosion(kept, structure=CENTRE_NEIGHBOURS)
        tree = cKDTree(_centres(shell, low, volume))
        boxes = ndimage.find_objects(parts)
        for k in sorted(large, key=lambda part: -sizes[part]):
            box = boxes[k - 1]
            inside = parts[box] == k
            start = low + np.array([s.start for s in box])
            gap = float(tree.query(_centres(inside, start, volume))[0].min())
            names = _names_in(values[box][inside], labels)
            text = (
                f"a separate part of {sizes[k] * volume.voxel_ml:.2g} mL{names}, {gap:.1f} mm "
                "from the atrium between voxel centres, was left out: if it is a vein broken "
                "off in the segmentation, join it and run again"
            )
            notes.append(Note("input", text, severity="caution"))
    part, offset = crop_to(kept)
    return part, offset, notes


def _names_in(values: LabelArray, labels: dict[str, tuple[int, ...]]) -> str:
    found = set(np.unique(values).tolist())
    names = [name for name, vs in labels.items() if found & set(vs)]
    return f" labelled {' and '.join(names)}" if len(labels) > 1 and names else ""


def _without_cavities(lumen: BoolArray, voxel_ml: float) -> tuple[BoolArray, list[Note]]:
    """Fill what the lumen encloses on all sides."""
    outside, count = ndimage.label(np.pad(~lumen, 1, constant_values=True), EDGE_NEIGHBOURS)
    if count == 1:
        return lumen, []
    filled = np.asarray(outside != outside[0, 0, 0])[1:-1, 1:-1, 1:-1]
    total_ml = (np.count_nonzero(filled) - np.count_nonzero(lumen)) * voxel_ml
    severity: Severity = "caution" if total_ml >= LARGE_CAVITY_ML else "info"
    cavities = f"{count - 1} cavities" if count > 2 else "a cavity"
    text = f"{cavities} inside the lumen, {total_ml:.2g} mL in all, counted as lumen"
    return filled, [Note("input", text, severity=severity)]


def _quality_notes(volume: LabelVolume) -> list[Note]:
    notes = []
    edge = float(volume.edges_mm.max())
    if edge > COARSE_EDGE_MM:
        text = (
            f"voxels of {edge:.2g} mm: positions and diameters are uncertain by a fraction of that"
        )
        notes.append(Note("input", text, severity="caution"))
    return notes


def _part(values: LabelArray, offset: IntArray, shape: tuple[int, ...]) -> LabelArray:
    box = tuple(slice(int(a), int(a) + n) for a, n in zip(offset, shape, strict=True))
    return values[box]


def _centres(mask: BoolArray, low: IntArray, volume: LabelVolume) -> FloatArray:
    """Return the centres (N, 3), LPS mm, of the voxels of a mask that begins at ``low``."""
    return volume.world_points(np.argwhere(mask) + low)


def _surface(
    mask: BoolArray, low: IntArray, volume: LabelVolume, settings: SurfaceSettings
) -> Surface:
    affine = volume.affine.copy()
    affine[:3, 3] = volume.world_points(low)
    return lumen_surface(mask, affine, settings)


def _structure_surface(
    volume: LabelVolume, wanted: tuple[int, ...], settings: SurfaceSettings
) -> Surface:
    values, low = crop_to_values(volume.values, wanted)
    return _surface(members(values, wanted), low, volume, settings)
