"""Axes of tubes whose direction is known."""

from __future__ import annotations

import numpy as np
import pytest
from anatomy.profiles import bare
from handmade import circle
from scipy.spatial.transform import Rotation
from surface.shapes import grid_faces

from veinfit.anatomy.model import Ostium
from veinfit.anatomy.vein_axis import fit_axis
from veinfit.surface import Surface
from veinfit.vectors import angle_deg, unit

Z = np.array([0.0, 0.0, 1.0])


def rough_tube(rng, noise_mm, length=25.0, taper=0.0):
    """A tube along z of 16 x 12 mm, its wall rough, its middle on the axis."""
    z = np.arange(-8.0, length + 0.1, 0.8)
    angle = np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
    zz, aa = np.meshgrid(z, angle, indexing="ij")
    size = (1.0 - taper * zz) + rng.normal(0.0, noise_mm, zz.shape) / 7.0
    points = np.stack([8.0 * size * np.cos(aa), 6.0 * size * np.sin(aa), zz], axis=-1)
    return Surface(points.reshape(-1, 3), grid_faces(len(z), 48, around=True))


def ostium_across(normal):
    contour, measures = circle((0.0, 0.0, 0.0), normal, 14.0)
    return Ostium(np.zeros(3), np.asarray(normal), contour, measures, contour.points, 0.2, 0.6, 0.9)


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 35.0])
@pytest.mark.parametrize("taper", [0.0, 0.015])
def test_a_long_veins_axis_is_its_own_however_its_ostium_leans(rng, tilt_deg, taper):
    normal = Rotation.from_rotvec(np.radians(tilt_deg) * np.array([0.6, 0.8, 0.0])).apply(Z)
    wall = bare(rough_tube(rng, 0.1, taper=taper))
    axis = fit_axis(wall, ostium_across(normal), 24.0 * Z, 10.0, 24.0)
    assert angle_deg(axis.direction, Z) < 1.0
    assert axis.length_mm == pytest.approx(10.0, abs=0.6)
    assert axis.sound
    assert axis.error_deg >= angle_deg(axis.direction, Z)


@pytest.mark.parametrize("end_mm", [4.0, 5.0, 6.0])
def test_a_stubs_axis_does_not_follow_the_noise_of_its_wall(rng, end_mm):
    """Walls scatter by 0.2 mm, as where the same heart is measured again."""
    normal = unit(np.array([0.05, 0.0, 1.0]))
    found = [
        fit_axis(bare(rough_tube(rng, 0.2)), ostium_across(normal), end_mm * Z, 10.0, end_mm)
        for _ in range(5)
    ]
    assert max(angle_deg(a.direction, b.direction) for a in found for b in found) < 3.0
    long = fit_axis(bare(rough_tube(rng, 0.2)), ostium_across(normal), 20.0 * Z, 10.0, 20.0)
    assert all(a.error_deg > long.error_deg for a in found)


@pytest.mark.parametrize("turned_deg", [0.0, 90.0, 180.0])
def test_a_short_veins_axis_hardly_turns_with_its_ostium(rng, turned_deg):
    """A plane that leans by 20 degrees leaves little of a vein of 8 mm clear of it.

    Its normal, and the way to the vein's end, must not outweigh that little: they turn with it.
    """
    normal = Rotation.from_euler("ZY", [turned_deg, 20.0], degrees=True).apply(Z)
    axis = fit_axis(bare(rough_tube(rng, 0.1)), ostium_across(normal), 8.0 * Z, 10.0, 8.0)
    assert axis.length_mm < 4.5
    assert angle_deg(axis.direction, Z) < 1.5


def test_a_vein_of_no_length_has_the_direction_of_its_ostium(rng):
    normal = unit(np.array([0.2, 0.1, 1.0]))
    axis = fit_axis(bare(rough_tube(rng, 0.1)), ostium_across(normal), 0.5 * Z, 10.0, 0.5)
    assert angle_deg(axis.direction, normal) < 2.0
    assert not axis.sound
