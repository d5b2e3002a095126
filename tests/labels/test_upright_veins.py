"""Veins of an atrium imaged with a tilted gantry are those of the same atrium imaged straight."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.io.inputs.volumes import read_volume
from veinfit.labels.lumen import lumen_input
from veinfit.labels.model import LabelVolume
from veinfit.settings import Settings, SurfaceSettings
from veinfit.synthetic import build
from veinfit.synthetic.draw.draw import draw_shape
from veinfit.vectors import apply_affine

EDGE = 0.8
TILT_DEG = 18.0
"""Within what gantries do: up to 30 degrees (common practice, no source)."""


SURE_MM = 3.0
"""An ostium with a bound below this is well told by the wall."""


def surface(volume: LabelVolume):
    return lumen_input(volume, None, SurfaceSettings()).surface


def ostia(volume: LabelVolume):
    read = lumen_input(volume, None, SurfaceSettings())
    lumen = LumenInput(read.surface, read.hints, read.resolution_mm)
    return {vein.name: vein.ostium for vein in find_anatomy(lumen, Settings()).veins}


@pytest.mark.slow
def test_veins_are_those_of_the_straight_image(tmp_path):
    atrium = build(draw_shape(11, "four"))
    fine = atrium.label_volume(spacing_mm=(0.5, 0.5, 0.5))
    inside = (fine.values > 0).astype(np.float32)
    low = fine.world_points(np.zeros(3))
    high = fine.world_points(np.array(inside.shape) - 1)

    def imaged(shift: float, off: float = 0.0) -> LabelVolume:
        """Labels of the fine volume on slices of which each is shifted by ``shift`` mm."""
        affine = np.diag([EDGE, EDGE, EDGE, 1.0])
        affine[1, 2] = shift
        count = np.ceil((high - low) / EDGE).astype(int) + 8
        reach = shift * count[2]
        affine[:3, 3] = low - 3 * EDGE - (0.0, reach, 0.0) + off
        shape = tuple(count + (0, int(np.ceil(reach / EDGE)), 0))
        points = apply_affine(affine, np.indices(shape).reshape(3, -1).T)
        index = apply_affine(np.linalg.inv(fine.affine), points)
        share = ndimage.map_coordinates(inside, index.T, order=1, mode="constant")
        return LabelVolume((share >= 0.5).astype(np.uint8).reshape(shape), affine)

    straight, shifted = imaged(0.0), imaged(0.0, 0.5 * EDGE)
    tilted = imaged(EDGE * np.tan(np.radians(TILT_DEG)))
    ras = np.diag([-1.0, -1.0, 1.0, 1.0]) @ tilted.affine
    nibabel.save(nibabel.Nifti1Image(tilted.values, ras), tmp_path / "v.nii.gz")
    read = read_volume(tmp_path / "v.nii.gz")
    assert any("tilted by 18°" in note.text for note in read.notes)

    # The surface differs no more than that of a straight image whose voxels lie elsewhere.
    wall = cKDTree(surface(straight).points)
    apart = {name: wall.query(surface(volume).points)[0] for name, volume in
             (("tilted", read), ("shifted", shifted))}  # fmt: skip
    for percent in (50, 99):
        assert np.percentile(apart["tilted"], percent) < 1.1 * np.percentile(
            apart["shifted"], percent
        )

    plain, found = ostia(straight), ostia(read)
    assert set(found) == set(plain) == {"LSPV", "LIPV", "RSPV", "RIPV"}
    sure = 0
    for name, ostium in plain.items():
        moved = np.linalg.norm(found[name].centre - ostium.centre)
        grown = abs(found[name].measures.d_area_mm - ostium.measures.d_area_mm)
        bound = min(found[name].error_mm, ostium.error_mm)
        assert moved < bound, name
        if bound < SURE_MM:
            sure += 1
            assert moved < 0.3 and grown < 0.3, name
    assert sure >= 2
