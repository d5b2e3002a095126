"""Volumes of a tilted gantry on perpendicular axes: shapes stay where they were."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from veinfit.io.inputs.gathering import read_labels
from veinfit.io.inputs.label_map import label_map_from_mapping
from veinfit.labels.lumen import lumen_input
from veinfit.labels.model import LabelMap, LabelVolume
from veinfit.labels.upright import shear_deg, upright_affine, upright_volume
from veinfit.settings import SurfaceSettings
from veinfit.surface.mesh import enclosed_volume
from veinfit.vectors import apply_affine

TURN = Rotation.from_euler("xyz", (10, -25, 40), degrees=True).as_matrix()
CENTRE = np.array([3.0, -4.0, 5.0])


def edges_of(axis):
    """Slices are 1.1 mm apart, of pixels of 0.9 mm."""
    return np.where(np.arange(3) == axis, 1.1, 0.9)


def tilted(shift=0.35, axis=2, turn=TURN):
    """A grid about the centre whose slices are shifted, and turned in the patient."""
    linear = np.diag(edges_of(axis))
    linear[(axis + 1) % 3, axis] = shift
    affine = np.eye(4)
    affine[:3, :3] = turn @ linear
    affine[:3, 3] = CENTRE - affine[:3, :3] @ np.array([32.0, 32, 32])
    return affine


def points_of(affine, shape=(65, 65, 65)):
    return apply_affine(affine, np.indices(shape).reshape(3, -1).T).reshape(*shape, 3)


def test_the_angle_is_that_of_the_gantry():
    # atan(0.35 / 1.1), whichever axis is shifted and however the grid lies
    for axis in range(3):
        affine = tilted(axis=axis)
        assert shear_deg(affine) == pytest.approx(np.degrees(np.arctan(0.35 / 1.1)))
        upright = upright_affine(affine)
        assert shear_deg(upright) == pytest.approx(0.0, abs=1e-5)
        assert np.linalg.norm(upright[:3, :3], axis=0) == pytest.approx(edges_of(axis))
        assert upright[:3, 3] == pytest.approx(affine[:3, 3])


@pytest.mark.parametrize("axis", range(3))
def test_a_ball_stays_a_ball_where_it_was(axis):
    affine = tilted(axis=axis)
    inside = np.linalg.norm(points_of(affine) - CENTRE, axis=-1) < 22.0
    volume = upright_volume(LabelVolume(inside.astype(np.uint8), affine))
    surface = lumen_input(volume, None, SurfaceSettings()).surface
    away = np.linalg.norm(surface.points - CENTRE, axis=1)
    # A straight grid of these voxels gives 21.42 to 22.23 mm, 22.00 in the mean.
    assert away == pytest.approx(22.0, abs=0.6)
    assert away.mean() == pytest.approx(22.0, abs=0.05) and away.std() < 0.1
    assert enclosed_volume(surface) == pytest.approx(4 / 3 * np.pi * 22.0**3, rel=0.004)


def test_labels_meet_where_they_met_and_the_border_is_told():
    affine = tilted()
    points = points_of(affine) - CENTRE
    values = (np.linalg.norm(points, axis=-1) < 20.0).astype(np.uint8)
    along = points @ TURN[:, 0]
    # A tube that leaves the volume; the two meet in a plane along the grid's first axis.
    tube = (np.hypot(points @ TURN[:, 1], points @ TURN[:, 2]) < 6.0) & (along > 15.0)
    values[tube] = 7
    upright = upright_volume(LabelVolume(values, affine))
    assert set(np.unique(upright.values)) == {0, 1, 7}
    for value in (1, 7):
        found = upright.world_points(np.argwhere(upright.values == value))
        truth = apply_affine(affine, np.argwhere(values == value))
        assert found.mean(axis=0) == pytest.approx(truth.mean(axis=0), abs=0.1)
        assert len(found) == pytest.approx(len(truth), rel=0.01)
    read = lumen_input(
        upright, LabelMap({"left_atrium": (1,), "LSPV": (7,)}, {}), SurfaceSettings()
    )
    border = read.borders["LSPV"]
    assert (border.centre - CENTRE) @ TURN[:, 0] == pytest.approx(15.0, abs=0.5)
    assert border.normal @ TURN[:, 0] > 0.995
    cut = read.image_border_points - CENTRE
    assert len(cut) and (cut @ TURN[:, 0] > 0.9 * 32 - 2).all()
    assert any("cut off there by the field of view" in note.text for note in read.notes)


def test_perpendicular_axes_stay():
    volume = LabelVolume(np.ones((9, 9, 9), np.uint8), np.eye(4))
    assert upright_volume(volume) is volume
    empty = upright_volume(LabelVolume(np.zeros((9, 9, 9), np.uint8), tilted()))
    assert shear_deg(empty.affine) < 1e-5 and not empty.values.any()


@pytest.mark.parametrize("entry", ["value", "at_least"])
def test_tilted_files_of_a_map_are_put_upright(entry, tmp_path):
    """A ball as a probability or as a value, and a tube in a file of its own on the same slices."""
    affine = tilted(turn=np.eye(3))
    points = points_of(affine) - CENTRE
    distance = np.linalg.norm(points, axis=-1)
    ball = np.clip(0.5 - (distance - 20.0), 0.0, 1.0)
    tube = (np.hypot(points[..., 1], points[..., 2]) < 6.0) & (abs(points[..., 0] - 22.0) < 6.0)
    ras = np.diag([-1.0, -1.0, 1.0, 1.0]) @ affine
    stored = ball.astype(np.float32) if entry == "at_least" else (ball >= 0.5).astype(np.uint8)
    nibabel.save(nibabel.Nifti1Image(stored, ras), tmp_path / "ball.nii.gz")
    nibabel.save(nibabel.Nifti1Image(tube.astype(np.uint8), ras), tmp_path / "tube.nii.gz")
    labels = {
        "left_atrium": {"at_least": 0.5} if entry == "at_least" else 1,
        "LSPV": {"file": str(tmp_path / "tube.nii.gz")},
    }
    volume, meaning = read_labels(
        tmp_path / "ball.nii.gz", label_map_from_mapping({"labels": labels})
    )
    assert shear_deg(volume.affine) < 1e-4
    assert ["tilted by" in note.text for note in volume.notes if "resampled" in note.text] == [True]
    surface = lumen_input(volume, meaning, SurfaceSettings()).surface
    away = surface.points - CENTRE
    far = away[:, 0] < 10.0
    assert np.linalg.norm(away[far], axis=1) == pytest.approx(20.0, abs=0.6)
    assert away[:, 0].max() == pytest.approx(28.0, abs=0.6)
