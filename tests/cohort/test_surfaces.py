"""Surfaces of invented atria: closed forms, topology, triangles, speed."""

from __future__ import annotations

import time

import numpy as np
import pytest
from cohort.invented import drawn, edge_uses, euler_number

from veinfit.cohort.synthesis import VARIANTS, build
from veinfit.cohort.synthesis.phantoms import TubePhantom, sphere_with_tubes
from veinfit.surface import Surface
from veinfit.surface.mesh import enclosed_volume, face_normals, total_area, vertex_normals

OBLIQUE = (0.6, -0.5, 0.4)


def closed_form(sphere: float, tube: float, length: float) -> tuple[float, float]:
    """Volume and area of a sphere with one coaxial tube whose flat tip is ``length`` outside."""
    plane = np.sqrt(sphere**2 - tube**2)
    cap = sphere - plane
    volume = (
        4.0 / 3.0 * np.pi * sphere**3
        + np.pi * tube**2 * (sphere + length - plane)
        - np.pi * cap**2 * (3.0 * sphere - cap) / 3.0
    )
    area = (
        4.0 * np.pi * sphere**2
        - 2.0 * np.pi * sphere * cap
        + 2.0 * np.pi * tube * (sphere + length - plane)
        + np.pi * tube**2
    )
    return float(volume), float(area)


@pytest.mark.parametrize(
    ("sphere", "tube", "length", "volume", "area"),
    [
        (25.0, 8.0, 15.0, 68596.7406, 8668.6120),
        (25.0, 10.0, 20.0, 72056.1162, 9228.0714),
        (30.0, 9.0, 15.0, 117088.8048, 12230.1052),
    ],
)
def test_sphere_with_a_tube_has_its_closed_form_volume_and_area(
    sphere: float, tube: float, length: float, volume: float, area: float
) -> None:
    # The numbers come from quadrature as a second route to the formula.
    assert closed_form(sphere, tube, length) == pytest.approx((volume, area), rel=1e-7)
    atrium = build(sphere_with_tubes(sphere, [TubePhantom(OBLIQUE, tube, length)]))
    surface = atrium.closed_surface(edge_mm=1.0)
    # Chords lie inside the curved wall: never over.
    assert 0.999 * volume < enclosed_volume(surface) < volume
    assert 0.998 * area < total_area(surface) < area
    # The limit of vanishing triangles has no such bias.
    assert atrium.volume_ml == pytest.approx(volume / 1000.0, rel=2e-4)


def test_rounded_end_adds_half_an_ellipsoid_beyond_the_cut() -> None:
    atrium = build(sphere_with_tubes(25.0, [TubePhantom(OBLIQUE, 8.0, 15.0)]))
    flat = atrium.closed_surface(1.0)
    rounded = atrium.closed_surface(1.0, vein_ends="rounded")
    added = enclosed_volume(rounded) - enclosed_volume(flat)
    assert added == pytest.approx(2.0 / 3.0 * np.pi * 8.0**3, rel=0.01)


@pytest.mark.parametrize("variant", VARIANTS)
def test_every_variant_is_one_closed_piece_with_the_right_ends(variant: str) -> None:
    atrium = drawn(variant)
    ends = 1 + sum(max(len(vein.branches), 1) for vein in atrium.shape.veins)
    opened = atrium.open_surface(edge_mm=2.0)
    assert edge_uses(opened) == {1, 2}
    # A sphere has Euler number 2 and every hole takes one away.
    assert euler_number(opened) == 2 - ends
    closed = atrium.closed_surface(edge_mm=2.0)
    assert edge_uses(closed) == {2}
    assert euler_number(closed) == 2
    assert 60.0 < enclosed_volume(closed) / 1000.0 < 165.0


def smallest_angles_deg(surface: Surface) -> np.ndarray:
    corners = surface.points[surface.faces]
    angles = []
    for k in range(3):
        u = corners[:, (k + 1) % 3] - corners[:, k]
        v = corners[:, (k + 2) % 3] - corners[:, k]
        cosine = np.einsum("ij,ij->i", u, v)
        cosine /= np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1)
        angles.append(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
    return np.min(angles, axis=0)


def test_vertices_lie_on_the_wall_normals_point_out_and_triangles_are_decent() -> None:
    atrium = drawn("four")
    surface = atrium.open_surface(edge_mm=1.5)
    values, gradient = atrium.implicit.value_and_gradient(surface.points)
    # Rim vertices lie where wall and end disc meet, both at zero.
    assert np.abs(values).max() < 2e-3
    inner = np.linalg.norm(gradient, axis=1) > 0.5
    outward = np.einsum("ij,ij->i", vertex_normals(surface), gradient)[inner]
    assert (outward > 0.5).mean() > 0.995
    assert np.linalg.norm(face_normals(surface), axis=1).min() > 0.5
    angles = smallest_angles_deg(surface)
    assert np.percentile(angles, 1.0) > 20.0
    edges = np.linalg.norm(
        surface.points[surface.faces] - surface.points[np.roll(surface.faces, 1, axis=1)], axis=2
    )
    assert edges.mean() == pytest.approx(1.5, rel=0.07)


def test_cut_ends_are_plane_and_where_the_shape_puts_them() -> None:
    atrium = drawn("four")
    surface = atrium.open_surface(edge_mm=1.5)
    for vein in atrium.truth.veins:
        tangent = vein.centreline[-1] - vein.centreline[-2]
        tangent /= np.linalg.norm(tangent)
        near = np.linalg.norm(surface.points - vein.end_centres[0], axis=1) < 14.0
        beyond = (surface.points[near] - vein.end_centres[0]) @ tangent
        assert beyond.max() == pytest.approx(0.0, abs=0.15)
    mitral = atrium.truth.mitral
    assert mitral is not None
    below = (surface.points - mitral.centre) @ mitral.normal
    beside = np.linalg.norm(surface.points - mitral.centre, axis=1) < 15.0
    assert below[beside].max(initial=-1.0) < 1e-6
    assert np.sum(np.abs(below) < 1e-6) > 40


def test_a_domed_lid_adds_volume_and_nothing_else_moves() -> None:
    atrium = drawn("four")
    flat, domed = (atrium.closed_surface(2.0, mitral_dome_mm=h) for h in (0.0, 6.0))
    assert len(flat.points) == len(domed.points)
    moved = np.linalg.norm(flat.points - domed.points, axis=1)
    assert moved.max() == pytest.approx(6.0, abs=0.6)
    assert 1500.0 < enclosed_volume(domed) - enclosed_volume(flat) < 5000.0


def test_same_shape_gives_the_same_bytes() -> None:
    shape = drawn("right_middle").shape
    first, second = (build(shape).closed_surface(2.0) for _ in range(2))
    assert first.points.tobytes() == second.points.tobytes()
    assert first.faces.tobytes() == second.faces.tobytes()


def test_a_usual_case_is_built_within_seconds() -> None:
    start = time.process_time()
    surface = build(drawn("four").shape).closed_surface(edge_mm=1.1)
    assert 20_000 < len(surface.faces) < 45_000
    assert time.process_time() - start < 8.0
