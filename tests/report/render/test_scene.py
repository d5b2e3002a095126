from __future__ import annotations

import numpy as np
import pytest

from veinfit.frames import LEFT, POSTERIOR, SUPERIOR
from veinfit.report.render.scene import (
    Camera,
    plane_segments,
    revolved,
    side_letters,
    sphere_profile,
    tube,
    upright,
)
from veinfit.surface.mesh import edges, enclosed_volume, total_area


def _camera(towards: np.ndarray, up: np.ndarray) -> Camera:
    return Camera(np.array([1.0, 2.0, 3.0]), towards, up, 0.5, 200, 100)


def test_projection_is_in_pixels_with_distance_away_from_the_viewer() -> None:
    camera = _camera(POSTERIOR, SUPERIOR)
    assert camera.project(camera.focal) == pytest.approx([100.0, 50.0, 0.0])
    # 2 mm up is 4 pixels up, and y runs down.
    assert camera.project(camera.focal + 2 * SUPERIOR) == pytest.approx([100.0, 46.0, 0.0])
    assert camera.project(camera.focal + 5 * POSTERIOR)[2] == pytest.approx(-5.0)


def test_from_behind_the_patients_left_is_on_the_left() -> None:
    camera = _camera(POSTERIOR, SUPERIOR)
    assert camera.project(camera.focal + LEFT)[0] < 100
    assert side_letters(camera.right) == "R"


def test_from_the_front_the_patients_left_is_on_the_right() -> None:
    camera = _camera(-POSTERIOR, SUPERIOR)
    assert camera.project(camera.focal + LEFT)[0] > 100
    assert side_letters(camera.right) == "L"


@pytest.mark.parametrize(
    ("direction", "letters"),
    [
        ((1, 0, 0), "L"),
        ((-1, 0, 0), "R"),
        ((0, 1, 0), "P"),
        ((0, -1, 0), "A"),
        ((0, 0, 1), "H"),
        ((0, 0, -1), "F"),
        ((0, -0.8, 0.6), "AH"),
        ((0.98, 0.19, 0.0), "L"),
        ((1, 1.1, 0.9), "PL"),
    ],
)
def test_letters(direction: tuple[float, ...], letters: str) -> None:
    """DICOM PS3.3 C.7.6.1.1.1: the greatest share first."""
    assert side_letters(np.array(direction, dtype=float)) == letters


def test_upright_falls_back_where_looking_along_the_first_choice() -> None:
    assert upright(SUPERIOR, SUPERIOR, -POSTERIOR) == pytest.approx([0, -1, 0])
    tilted = upright(np.array([1.0, 0.0, 1.0]), SUPERIOR, -POSTERIOR)
    assert tilted @ np.array([1.0, 0.0, 1.0]) == pytest.approx(0.0)
    assert tilted @ SUPERIOR > 0


def test_a_straight_tube_has_the_area_of_its_prism() -> None:
    sides, radius, length = 10, 2.0, 30.0
    path = np.linspace([0, 0, 0], [0, 0, length], 7)
    perimeter = 2 * sides * radius * np.sin(np.pi / sides)
    assert total_area(tube(path, radius, sides=sides)) == pytest.approx(perimeter * length)


def test_a_closed_tube_is_closed_and_faces_outward() -> None:
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    ring = np.stack([20 * np.cos(turn), 20 * np.sin(turn), 0 * turn], axis=1)
    torus = tube(ring, 1.5, closed=True, sides=24)
    _, _, counts = edges(torus)
    assert (counts == 2).all()
    exact = 2 * np.pi**2 * 20 * 1.5**2
    # Chords lie inside: never over.
    assert 0.98 * exact < enclosed_volume(torus) < exact


def test_a_tube_of_one_place_is_empty() -> None:
    assert len(tube(np.zeros((3, 3)), 1.0).faces) == 0


def test_a_revolved_sphere_has_the_spheres_volume_and_faces_outward() -> None:
    ball = revolved(sphere_profile(28.0), np.array([5.0, -4.0, 9.0]), np.array([1.0, 2.0, -1.0]))
    exact = 4 / 3 * np.pi * 14.0**3
    assert 0.99 * exact < enclosed_volume(ball) < exact


def test_cutting_a_sphere_gives_its_circle_and_interpolated_values() -> None:
    ball = revolved(sphere_profile(28.0, 181), np.zeros(3), SUPERIOR, sides=360)
    normal = np.array([1.0, 1.0, 0.3])
    normal /= np.linalg.norm(normal)
    ends, means = plane_segments(ball, 5.0 * normal, normal, ball.points[:, 2])
    height = ends.reshape(-1, 3) @ normal
    assert height == pytest.approx(np.full(len(height), 5.0), abs=1e-9)
    radius = np.linalg.norm(ends.reshape(-1, 3) - 5.0 * normal, axis=1)
    exact = np.sqrt(14.0**2 - 5.0**2)
    assert radius.max() <= exact + 1e-9
    assert radius.min() > exact - 0.01
    assert means == pytest.approx(ends[:, :, 2].mean(axis=1))
    # The circle is closed: its pieces add up to its length.
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum()
    assert 0.999 * 2 * np.pi * exact < length < 2 * np.pi * exact
