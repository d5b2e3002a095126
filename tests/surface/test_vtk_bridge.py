"""Arrays to VTK and back: by the Euler number and volume of solids, and a plane's own level."""

from __future__ import annotations

import numpy as np
import pytest
import pyvista

from veinfit.surface import Surface
from veinfit.surface.mesh import enclosed_volume
from veinfit.surface.vtk_bridge import (
    level_surface,
    poly_data,
    triangle_arrays,
    windowed_sinc,
)

TETRAHEDRON = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])


def test_triangles_come_back_as_they_went_and_share_nothing():
    mesh = poly_data(TETRAHEDRON, FACES)
    points, faces = triangle_arrays(mesh)
    assert np.array_equal(points, TETRAHEDRON) and np.array_equal(faces, FACES)
    mesh.GetPoints().SetPoint(0, 9.0, 9.0, 9.0)
    assert (TETRAHEDRON[0] == 0.0).all() and (points[0] == 0.0).all()


def test_polygons_of_any_number_of_corners():
    square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [2, 0, 0]])
    mesh = pyvista.wrap(poly_data(square, np.array([0, 1, 2, 3, 1, 4, 2]), np.array([4, 3])))
    assert mesh.n_cells == 2 and mesh.area == pytest.approx(1.5)


def test_a_level_is_where_it_is_and_its_normals_point_to_smaller_values():
    grid = np.stack(np.meshgrid(*[np.arange(13.0)] * 3, indexing="ij"), axis=-1)
    origin = np.array([-6.0, -6.0, -6.0])
    distance = np.linalg.norm(grid + origin, axis=-1)
    points, faces = level_surface(-distance, -4.0, origin, 1.0)
    # Chords of a sphere of 4 mm, wound outward: a little less than its volume, and positive.
    exact = 4.0 / 3.0 * np.pi * 4.0**3
    assert 0.95 * exact < enclosed_volume(Surface(points, faces)) < exact
    none, nothing = level_surface(distance, 99.0, origin, 1.0)
    assert none.shape == (0, 3) and nothing.shape == (0, 3)


@pytest.mark.parametrize(("rough_mm", "rim_stays"), [(0.02, False), (0.2, True)])
def test_smoothing_flattens_a_rough_plate(rough_mm, rim_stays):
    """Its rim turns by 4.6 or by 44 degrees; the latter is a feature, and stays."""
    x, y = (one.ravel() for one in np.meshgrid(np.arange(6.0), np.arange(6.0), indexing="ij"))
    points = np.stack([x, y, rough_mm * (-1.0) ** (x + y)], axis=1)
    at = np.arange(36).reshape(6, 6)
    corners = [at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]]
    a, b, c, d = (one.ravel() for one in corners)
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    rim = (x % 5 == 0) | (y % 5 == 0)
    smooth = windowed_sinc(points, faces, 20, 0.1)
    assert np.abs(smooth[~rim, 2]).max() < 0.5 * rough_mm
    # What stays is moved by some 1e-6 of its coordinates: the window's weights are cut off.
    assert np.allclose(smooth[rim], points[rim], atol=1e-4) == rim_stays
