"""The image behind the labels: a drawn CT whose lumen is known."""

from __future__ import annotations

import dataclasses
import io

import handmade
import numpy as np
import pytest
from PIL import Image
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from skimage import measure
from voxels import grid

from veinfit.anatomy.model import Contour
from veinfit.labels.image import ImageVolume, sample_plane
from veinfit.labels.lumen import lumen_input
from veinfit.labels.model import LabelVolume
from veinfit.labels.upright import upright_volume
from veinfit.report.charts.image_planes import draw_image_planes, lumen_curves, plane_frames
from veinfit.settings import SurfaceSettings
from veinfit.vectors import apply_affine, unit

AXIS = unit([1.0, 0.3, 0.5])
PLACE = np.array([4.0, -3.0, 2.0])


def drawn_ct(edge=0.6):
    """A tube of 18 mm of contrast, 400 HU in 0, with the partial volume of its voxels."""
    on = grid((edge, edge, 0.8), 70.0, np.random.default_rng(3))
    index = np.indices(on.shape).reshape(3, -1).T
    away = apply_affine(on.affine, index) - PLACE
    distance = np.linalg.norm(away - np.outer(away @ AXIS, AXIS), axis=1)
    values = 400.0 * np.clip(0.5 - (distance - 9.0) / edge, 0.0, 1.0)
    return ImageVolume(values.reshape(on.shape).astype(np.float32), on.affine)


def test_the_lumen_lies_within_half_a_voxel_on_the_plane():
    vein = handmade.round_vein("LSPV", PLACE, AXIS, diameter=18.0)
    right, up = plane_frames(vein.ostium.normal)[0][1:]
    n = 301
    grey = sample_plane(drawn_ct(), PLACE, right, up, 15.0, n)
    steps = np.linspace(-15.0, 15.0, n)
    x, y = np.meshgrid(steps, steps[::-1])
    # Half of the contrast is the wall: pi r^2 inside it.
    inside = grey >= 200.0
    assert np.sqrt(inside.sum() * 0.1**2 / np.pi) == pytest.approx(9.0, abs=0.3)
    radius = np.hypot(x, y)
    assert radius[inside].max() < 9.3 and radius[~inside].min() > 8.7


def test_right_and_up_are_not_exchanged():
    image = ImageVolume(np.arange(8000, dtype=np.float32).reshape(20, 20, 20), np.eye(4))
    plane = sample_plane(image, np.array([10.0, 10, 10]), np.eye(3)[0], np.eye(3)[2], 2.0, 5)
    # Index (i, j, k) holds 400 i + 20 j + k; the first row is the farthest up.
    assert plane[0, 0] == pytest.approx(400 * 8 + 200 + 12)
    assert plane[-1, -1] == pytest.approx(400 * 12 + 200 + 8)
    assert np.isnan(sample_plane(image, np.zeros(3), np.eye(3)[0], np.eye(3)[2], 2.0, 5)[0, 0])


def test_the_wall_is_cut_where_it_is():
    # A cube of 40 mm about the origin, cut level: a square of 40 mm.
    curves = lumen_curves(handmade.box(), np.zeros(3), np.eye(3)[0], np.eye(3)[1])
    points = np.concatenate(curves)
    assert np.abs(points).max(axis=0) == pytest.approx((20.0, 20.0))
    # Closed: its sides are 160 mm.
    assert sum(np.linalg.norm(np.diff(c, axis=0), axis=1).sum() for c in curves) == pytest.approx(
        160
    )


def test_each_vein_has_a_picture(tmp_path):
    anatomy = handmade.anatomy()
    pictures = draw_image_planes(anatomy, (handmade.fit(),), drawn_ct(), tmp_path)
    assert [p.vein for p in pictures] == [v.name for v in anatomy.veins]
    assert "28 mm (coaxial)" in pictures[0].caption
    assert "predicted seats" not in pictures[1].caption
    # The picture has a key of its lines, no sentences: those stand below it on the page.
    assert not any(picture.captioned for picture in pictures)
    for picture in pictures:
        with Image.open(io.BytesIO((tmp_path / picture.file).read_bytes())) as image:
            assert image.size == (1200, 470)


def test_the_ostium_and_its_calipers_are_drawn_on_the_plane(tmp_path):
    vein = handmade.round_vein("LSPV", PLACE, AXIS, diameter=18.0)
    first, second = plane_frames(vein.ostium.normal)[0][1:]
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)[:, None]
    oval = PLACE + 9.0 * np.cos(angle) * first + 5.0 * np.sin(angle) * second
    ostium = dataclasses.replace(vein.ostium, contour=Contour(oval))
    anatomy = dataclasses.replace(
        handmade.anatomy(), veins=(dataclasses.replace(vein, ostium=ostium),)
    )
    draw_image_planes(anatomy, (), drawn_ct(), tmp_path)
    pixels = np.asarray(Image.open(tmp_path / "pictures/LSPV-image.png").convert("RGB"), int)
    # The key below shows the same colours.
    left = pixels[:430, :394]
    yellow = (abs(left - (0xF2, 0xC2, 0x00)) < 40).all(axis=2)
    rows, columns = np.nonzero(yellow)
    # The panel is a square of 60 mm on 387 px.
    scale = 60.0 / 387
    assert np.ptp(columns) * scale == pytest.approx(18.0, abs=0.6)
    assert np.ptp(rows) * scale == pytest.approx(10.0, abs=0.6)


TILTED = np.array([[0.7, 0, 0, -26.1], [0, 0.7, 0.25, -37.6], [0, 0, 0.9, -26.8], [0, 0, 0, 1]])
OBLIQUE = np.eye(4)
OBLIQUE[:3, :3] = Rotation.from_euler("xyz", (20, -15, 40), degrees=True).as_matrix() * (
    0.6, 0.7, 1.0,
)  # fmt: skip
OBLIQUE[:3, 3] = -OBLIQUE[:3, :3] @ (42.0, 38.0, 30.0)


@pytest.mark.parametrize("affine", [TILTED, OBLIQUE], ids=["tilted gantry", "oblique"])
def test_the_wall_of_the_labels_lies_on_the_edge_of_the_image(affine):
    """A ball of contrast of 24 mm: labels are where voxels are brighter than half of it.

    On every plane of an ostium the wall's contour lies within half a voxel of where the image
    passes through half of the contrast, and that is on the ball.
    """
    shape = (86, 76, 64)
    points = apply_affine(affine, np.indices(shape).reshape(3, -1).T)
    edge = float(np.linalg.norm(affine[:3, :3], axis=0).mean())
    distance = np.linalg.norm(points - PLACE, axis=1)
    grey = 400.0 * np.clip(0.5 - (distance - 24.0) / edge, 0.0, 1.0)
    image = ImageVolume(grey.reshape(shape).astype(np.float32), affine)
    labels = upright_volume(LabelVolume((image.values >= 200.0).astype(np.uint8), affine))
    wall = lumen_input(labels, None, SurfaceSettings()).surface
    half_voxel = 0.5 * float(np.linalg.norm(affine[:3, :3], axis=0).max())
    centre = PLACE + 8.0 * AXIS
    for _, right, up in plane_frames(AXIS):
        n = 241
        seen = sample_plane(image, centre, right, up, 30.0, n)
        (found,) = measure.find_contours(seen, 200.0)
        flat = np.column_stack([found[:, 1], n - 1 - found[:, 0]]) * 60.0 / (n - 1) - 30.0
        (curve,) = lumen_curves(wall, centre, right, up)
        gaps = cKDTree(curve).query(flat)[0]
        assert gaps.max() < half_voxel and np.median(gaps) < 0.3 * half_voxel
        places = centre + flat @ np.array([right, up])
        away = np.linalg.norm(places - PLACE, axis=1)
        assert away == pytest.approx(24.0, abs=0.5 * half_voxel)
