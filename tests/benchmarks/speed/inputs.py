"""The inputs of the benchmark: one drawn atrium as two meshes and as a label volume."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from veinfit.labels import LabelVolume
from veinfit.synthetic import build, draw_shape
from veinfit.synthetic.files import write_nifti, write_ply

SEED = 20261129
MESHES = {"40,000 faces": 40_000, "170,000 faces": 170_000}
GRID = (512, 512, 400)
VOLUME = "512 × 512 × 400 voxels"
SPACING_MM = (0.4, 0.4, 0.5)
"""A usual cardiac CT: a field of view of 205 mm (common practice, no source)."""

FIRST_EDGE_MM = 1.2
"""Of the mesh from which the edge for a number of faces is reckoned."""


def draw_inputs(folder: Path) -> dict[str, Path]:
    """Write the inputs; return their paths by name."""
    atrium = build(draw_shape(SEED, "four"))
    made = {}
    faces_first = len(atrium.open_surface(FIRST_EDGE_MM).faces)
    for name, faces in MESHES.items():
        edge = FIRST_EDGE_MM * (faces_first / faces) ** 0.5
        made[name] = folder / f"{faces}.ply"
        write_ply(made[name], atrium.open_surface(edge))
    volume = atrium.label_volume(SPACING_MM, multi_label=False)
    made[VOLUME] = folder / "volume.nii.gz"
    write_nifti(folder / "volume.nii.gz", in_grid(volume))
    return made


def in_grid(volume: LabelVolume) -> LabelVolume:
    """Put a volume into the middle of the whole grid."""
    room = np.array(GRID) - volume.values.shape
    if (room < 0).any():
        raise SystemExit(f"the atrium takes {volume.values.shape} voxels, more than {GRID}")
    low = room // 2
    values = np.zeros(GRID, dtype=np.uint8)
    values[tuple(slice(a, a + n) for a, n in zip(low, volume.values.shape, strict=True))] = (
        volume.values > 0
    )
    affine = np.array(volume.affine)
    affine[:3, 3] -= affine[:3, :3] @ low
    return LabelVolume(values, affine)
