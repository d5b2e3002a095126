"""Label volumes of an invented atrium."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from veinfit.labels import LabelVolume
from veinfit.synthetic.shape.shape import AtriumShape, Vector
from veinfit.synthetic.wall import meshing, surfaces
from veinfit.synthetic.wall.fields import Implicit, rotation_matrix
from veinfit.synthetic.wall.neighbours import Neighbours
from veinfit.vectors import FloatArray, IntArray, apply_affine

LABEL_VALUES: Mapping[str, int] = MappingProxyType(
    {
        "left_atrium": 1,
        "LSPV": 2,
        "LIPV": 3,
        "LCPV": 4,
        "RSPV": 5,
        "RMPV": 6,
        "RMPV-2": 7,
        "RIPV": 8,
        "RCPV": 9,
        "ICPV": 10,
        "extra-1": 11,
        "appendage": 12,
        "septum": 13,
    }
)
"""Values of the parts of the atrium in an invented label volume."""

STRUCTURE_VALUES: Mapping[str, int] = MappingProxyType(
    {"oesophagus": 20, "right_phrenic_nerve": 21}
)
"""Values of the neighbours."""


def label_volume(
    shape: AtriumShape,
    field: Implicit,
    neighbours: Neighbours | None,
    wanted: tuple[str, ...],
    spacing_mm: Vector,
    rotation_deg: Vector,
    multi_label: bool,
    margin_mm: float,
) -> LabelVolume:
    """Sample the atrium at voxel centres (see :meth:`SyntheticAtrium.label_volume`)."""
    unknown = set(wanted) - {"septum", *STRUCTURE_VALUES}
    if unknown:
        raise ValueError(f"no neighbour {', '.join(sorted(unknown))}")
    rotation = rotation_matrix(rotation_deg)
    low, high = surfaces.bounds(field, margin_mm)
    corners = np.stack(np.meshgrid(*zip(low, high, strict=True), indexing="ij"), axis=-1)
    turned = corners.reshape(-1, 3) @ rotation
    origin = rotation @ turned.min(axis=0)
    steps = rotation * np.array(spacing_mm)
    least = np.ceil(np.ptp(turned, axis=0) / spacing_mm) + 1
    distance = meshing.narrow_band(field.value, origin, steps, least, cells_exact=False)
    affine = np.eye(4)
    affine[:3, :3], affine[:3, 3] = steps, origin
    values = (distance < 0.0).astype(np.uint8)
    if multi_label:
        index = np.argwhere(values > 0)
        values[tuple(index.T)] = _parts(shape, field, apply_affine(affine, index))
    if neighbours is not None:
        _add_neighbours(values, affine, neighbours, wanted, field)
    return LabelVolume(values, affine)


def label_map_text(shape: AtriumShape, multi_label: bool, neighbours: tuple[str, ...]) -> str:
    """Return the label map (TOML) of a volume made with these options."""
    names = ["left_atrium"]
    if multi_label:
        present = {name for vein in shape.veins for name in _voxel_names(shape)[vein.name]}
        names += [name for name in LABEL_VALUES if name in present]
        if shape.appendage is not None:
            names.append("appendage")
    lines = ["[labels]"]
    if "septum" in neighbours:
        names.append("septum")
    lines += [f"{name} = {LABEL_VALUES[name]}" for name in names]
    structures = [name for name in STRUCTURE_VALUES if name in neighbours]
    if structures:
        lines += ["", "[structures]"]
        lines += [f"{name} = {STRUCTURE_VALUES[name]}" for name in structures]
    return "\n".join(lines) + "\n"


def _voxel_names(shape: AtriumShape) -> dict[str, list[str]]:
    """For each vein the label names of its tubes: trunk first, then branches.

    Branches that are no veins of their own carry the name of their vein.
    """
    return {
        vein.name: [
            vein.name,
            *(b.name if b.name in LABEL_VALUES else vein.name for b in vein.branches),
        ]
        for vein in shape.veins
    }


def _parts(shape: AtriumShape, field: Implicit, points: FloatArray) -> IntArray:
    """Values (N,) of points (N, 3) in the blood: body, or the nearest vein or appendage."""
    tube_values = [LABEL_VALUES[name] for names in _voxel_names(shape).values() for name in names]
    labels = np.full(len(points), LABEL_VALUES["left_atrium"])
    outside = np.flatnonzero(field.chamber(points) > 0.0)
    distances, _, appendage = field.alone(points[outside])
    codes = np.array(tube_values)
    if field.appendage is not None:
        distances = np.concatenate([distances, appendage[:, None]], axis=1)
        codes = np.r_[codes, LABEL_VALUES["appendage"]]
    labels[outside] = codes[np.argmin(distances, axis=1)]
    return labels


def _add_neighbours(
    values: np.ndarray,
    affine: FloatArray,
    neighbours: Neighbours,
    wanted: tuple[str, ...],
    field: Implicit,
) -> None:
    """Write the neighbours into background voxels; the oesophagus and the nerve win."""
    if "septum" in wanted:
        _add_septum(values, affine, neighbours, field)
    for tubular in neighbours.tubular:
        if tubular.name in wanted:
            index = _free_voxels(values, affine, tubular.points, tubular.radius_mm)
            held = tubular.holds(apply_affine(affine, index))
            values[tuple(index[held].T)] = STRUCTURE_VALUES[tubular.name]


def _add_septum(
    values: np.ndarray, affine: FloatArray, neighbours: Neighbours, field: Implicit
) -> None:
    crossing, radius = neighbours.septal_crossing, neighbours.septum_radius_mm
    index = _free_voxels(values, affine, crossing[None], radius)
    points = apply_affine(affine, index)
    near = np.linalg.norm(points - crossing, axis=1) < radius
    index, points = index[near], points[near]
    septum = field.value(points) < neighbours.septum_thickness_mm
    values[tuple(index[septum].T)] = LABEL_VALUES["septum"]


def _free_voxels(
    values: np.ndarray, affine: FloatArray, points: FloatArray, radius: float
) -> IntArray:
    """Return indices (N, 3) of voxels outside the blood in the box around points (M, 3)."""
    corners = np.stack(np.meshgrid(*[[-radius, radius]] * 3, indexing="ij"), axis=-1)
    around = (points[:, None] + corners.reshape(1, -1, 3)).reshape(-1, 3)
    index = apply_affine(np.asarray(np.linalg.inv(affine), dtype=float), around)
    low = np.clip(np.floor(index.min(axis=0)), 0, values.shape).astype(int)
    high = np.clip(np.ceil(index.max(axis=0)) + 1, 0, values.shape).astype(int)
    box = values[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
    free = (box == 0) | (box == LABEL_VALUES["septum"])
    return np.argwhere(free) + low
