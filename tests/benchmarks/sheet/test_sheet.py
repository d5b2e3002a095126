"""The elastic sheet against closed forms, before any seat is held against it."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmarks.sheet.elastic import Material, Sheet, dihedral
from benchmarks.sheet.field import ring_moves
from benchmarks.sheet.hold_against import agrees, same_better_size
from benchmarks.sheet.pushing import Ball, first_touch, push
from benchmarks.sheet.rounding import rounded
from benchmarks.sheet.seats import oval_mode_n_per_mm, seats, widest_leak_mm
from benchmarks.sheet.shapes import SEATS, SeatShape, SeatSurface, seat_surface, tube
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.sparse.linalg import splu
from scipy.special import ellipe

STIFFENING_STRAIN = 0.4


@pytest.fixture(scope="module")
def strained():
    surface = seat_surface(SEATS[2], edge_mm=2.5, sectors=16)
    sheet = Sheet(
        surface.points, surface.faces, Material.of_ring(1.0, 8.0, 2.0, 0.5, 8.0 * STIFFENING_STRAIN)
    )
    noise = np.random.default_rng(1).normal(size=surface.points.shape)
    return sheet, surface.points + 0.2 * noise


def test_force_and_stiffness_are_the_derivatives_of_the_energy(strained):
    sheet, points = strained
    along = np.random.default_rng(2).normal(size=points.shape)
    step = 1e-5 * along
    (ahead, force_ahead), (behind, force_behind) = (
        sheet.energy_and_force(points + side * step) for side in (1.0, -1.0)
    )
    _, force = sheet.energy_and_force(points)
    assert (ahead - behind) / 2e-5 == pytest.approx((force * along).sum(), rel=1e-6)
    matrix = sheet.stiffness(points, True, np.zeros((len(points), 3, 3)))
    expected = (force_ahead - force_behind).ravel() / 2e-5
    np.testing.assert_allclose(matrix @ along.ravel(), expected, atol=1e-6 * np.abs(expected).max())


def test_the_positive_part_of_the_stiffness_is_positive(strained):
    sheet, points = strained
    matrix = sheet.stiffness(points, False, np.zeros((len(points), 3, 3)))
    assert np.linalg.eigvalsh(matrix.toarray())[0] > 0.0


def test_rigid_motions_strain_nothing(strained):
    sheet, _ = strained
    free = Sheet(sheet.rest, sheet.faces, Material(36.0, 2.0))
    turn, _ = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))
    turn *= np.linalg.det(turn)
    assert free.energy(sheet.rest @ turn.T + 5.0) == pytest.approx(0.0, abs=1e-12)


def test_a_right_angle_is_ninety_degrees():
    corners = np.array([[[0.0, 0, 0], [1, 0, 0], [0.3, 1, 0], [0.6, 0, 1]]])
    assert abs(np.degrees(dihedral(corners)[0][0])) == pytest.approx(90.0)


def _linear(surface, material, force):
    """Displacement (V, 3) under small forces, rigid motions held softly."""
    sheet = Sheet(surface.points, surface.faces, material)
    count = len(surface.points)
    soft = np.broadcast_to(1e-9 * np.eye(3), (count, 3, 3))
    matrix = sheet.stiffness(surface.points, True, soft)
    return splu(matrix.tocsc()).solve(force.ravel()).reshape(-1, 3), sheet


@pytest.mark.parametrize(
    ("radius", "thickness", "modulus", "growth"),
    # Thin-ring (Laplace) growth u = p a²/(E t) under 1 kPa.
    [(9.0, 2.0, 50.0, 0.81), (8.0, 1.5, 30.0, 1.42222), (10.0, 2.0, 100.0, 0.5)],
)
def test_a_tube_grows_under_pressure_by_the_law_of_laplace(radius, thickness, modulus, growth):
    surface = tube(radius, 10.0, 1.0, 48)
    outward = surface.points * [1.0, 1.0, 0.0] / radius
    small = 1e-3 * 1e-3
    material = Material(modulus, thickness)
    areas = Sheet(surface.points, surface.faces, material).vertex_areas
    moved, _ = _linear(surface, material, small * areas[:, None] * outward)
    ring = moved[surface.ostial_ring]
    radial = (ring * outward[surface.ostial_ring]).sum(axis=1)
    np.testing.assert_allclose(radial, 1e-3 * growth, rtol=0.01)


def test_a_pinched_ring_gives_way_as_a_thin_ring_does():
    # Timoshenko, Strength of Materials, part I: (π/4 − 2/π) P a³/(E I) along two opposite forces.
    radius, length = 9.0, 4.0
    surface = tube(radius, length, 1.0, 64)
    material = Material(1e4, 0.02)
    share = Sheet(surface.points, surface.faces, material).vertex_areas
    force = np.zeros_like(surface.points)
    for side in (1.0, -1.0):
        line = np.flatnonzero(
            np.linalg.norm(surface.points[:, :2] - [side * radius, 0.0], axis=1) < 1e-9
        )
        force[line, 0] = -side * share[line] / share[line].sum()
    scale = 1e-6
    moved, _ = _linear(surface, material, scale * force)
    line = np.abs(force[:, 0]) > 0.0
    closer = 2.0 * np.average((moved * np.sign(force))[line, 0], weights=share[line])
    expected = (math.pi / 4 - 2 / math.pi) * scale * radius**3 / (material.bending_n_mm * length)
    assert closer == pytest.approx(expected, rel=0.02)


def test_rounding_an_oval_ring_costs_the_energy_of_its_change_of_curvature():
    ovality, length = 1.5, 6.0
    surface = tube(9.0, length, 1.0, 96, ovality)
    a, b = 9.0 * math.sqrt(ovality), 9.0 / math.sqrt(ovality)
    perimeter = 4.0 * a * ellipe(1.0 - (b / a) ** 2)
    radius = perimeter / (2.0 * math.pi)

    def speed(t):
        return math.hypot(a * math.sin(t), b * math.cos(t))

    def bent(t):
        return (a * b / speed(t) ** 3 - 1.0 / radius) ** 2 * speed(t)

    material = Material(36.0, 2.0)
    expected = 0.5 * material.bending_n_mm * length * quad(bent, 0.0, 2.0 * math.pi)[0]
    angle = np.arctan2(surface.points[:, 1] / b, surface.points[:, 0] / a)
    arc = np.array([quad(speed, 0.0, t)[0] for t in angle]) / radius
    rounded = np.stack([radius * np.cos(arc), radius * np.sin(arc), surface.points[:, 2]], axis=1)
    whole = Sheet(surface.points, surface.faces, material).energy(rounded)
    assert whole == pytest.approx(expected, rel=0.03)


def _plate(a, b, edge_mm=1.0, rim_mm=30.0, sectors=64):
    """A flat plate with an elliptical hole, as a seat."""
    angle = np.linspace(0.0, 2.0 * np.pi, sectors, endpoint=False)
    hole = np.stack([a * np.cos(angle), b * np.sin(angle), np.zeros(sectors)], axis=1)
    outer = rim_mm * np.stack([np.cos(angle), np.sin(angle), np.zeros(sectors)], axis=1)
    share = np.linspace(0.0, 1.0, round((rim_mm - a) / edge_mm))[:, None, None]
    rings = (1.0 - share) * hole + share * outer
    whole = tube(1.0, float(len(rings) - 1), 1.0, sectors)
    return SeatSurface(
        rings.reshape(-1, 3),
        whole.faces,
        np.zeros(3),
        np.array([0.0, 0.0, -1.0]),
        hole,
        np.arange(sectors),
        np.arange(sectors),
        np.arange(len(rings) * sectors)[-sectors:],
    )


@pytest.mark.parametrize(
    # Sphere on an elliptical hole in a thin rigid plate: it touches the ends of the minor
    # axis; h = √(R² − b²), gap at the major ends √(a² + R² − b²) − R.
    ("ball", "long", "short", "height", "gap"),
    [(28.0, 22.0, 16.0, 11.489125, 1.905974), (31.0, 24.0, 18.0, 12.619429, 1.914075)],
)
def test_a_stiff_sheet_seats_a_ball_as_a_rigid_plate_does(ball, long, short, height, gap):
    plate = _plate(0.5 * long, 0.5 * short)
    sheet = Sheet(plate.points, plate.faces, Material(1e7, 2.0))
    fixed = np.zeros(len(plate.points), dtype=bool)
    fixed[plate.atrial_rim] = True
    start = first_touch(plate.points, 0.5 * ball)
    rest = push(sheet, fixed, Ball(0.5 * ball, 0.005, 0.45), plate.points, start)
    assert rest.converged
    assert rest.centre[2] == pytest.approx(height, abs=0.05)
    distance = np.linalg.norm(rest.points - rest.centre, axis=1) - 0.5 * ball
    # The rim is the vein's end: the leak is the widest place on it.
    assert widest_leak_mm(plate, distance) == pytest.approx(gap, abs=0.05)


def test_an_oval_ring_that_does_not_stretch_becomes_the_circle_of_its_perimeter():
    surface = tube(9.4, 0.5, 0.25, 96, ovality=22.0 / 16.0)
    radius = np.linalg.norm(
        np.roll(surface.contour, -1, axis=0) - surface.contour, axis=1
    ).sum() / (2.0 * math.pi)
    sheet = Sheet(surface.points, surface.faces, Material(1e5, 0.005))
    held = np.zeros(surface.points.shape, dtype=bool)
    held[:, 2] = True
    points, centre = surface.points, first_touch(surface.points, 14.0)
    # A push that stretches the ring by less than 0.01 mm and costs far more than bending it.
    rest = push(sheet, held, Ball(14.0, 0.001, 0.45), points, centre)
    assert rest.converged
    ring = rest.points[surface.ostial_ring]
    assert rest.centre[2] == pytest.approx(math.sqrt(14.0**2 - radius**2) + 0.25, abs=0.05)
    assert np.ptp(ring[:, 0]) == pytest.approx(2.0 * radius, abs=0.05)
    assert np.ptp(ring[:, 1]) == pytest.approx(2.0 * radius, abs=0.05)


def test_a_round_ring_stretches_by_the_law_it_was_given():
    k, radius, ball = 1.0, 9.0, 14.0
    surface = tube(radius, 0.4, 0.2, 96)
    # Heights are held, so stretch along the ring alone only where it does not narrow the sheet.
    material = replace(Material.of_ring(k, radius, 2.0), poisson=0.0)
    sheet = Sheet(surface.points, surface.faces, material)
    held = np.zeros(surface.points.shape, dtype=bool)
    held[:, 2] = True
    push_n = 0.008
    start = first_touch(surface.points, ball)
    rest = push(sheet, held, Ball(ball, push_n, 0.45), surface.points, start)
    assert rest.converged
    # Per length of ring E t·0.4 mm of strain e over a is the radial load; the ball's slope
    # at the ring turns it into a push: F = 2π (E A) e h/a, h the centre above the ring.
    area = material.stretch_n_per_mm * 0.4

    def off(growth):
        a = radius + growth
        height = math.sqrt(ball**2 - a**2)
        green = 0.5 * ((a / radius) ** 2 - 1.0)
        return 2.0 * math.pi * area * green * (a / radius) * height / a - push_n

    expected = brentq(off, 0.0, 4.0)
    ring = np.linalg.norm(rest.points[surface.ostial_ring, :2], axis=1).mean() - radius
    assert expected > 0.2
    assert ring == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("tether", [0.0, 0.5])
def test_the_table_is_what_the_sheet_gives(tether):
    table = json.loads(Path(__file__).with_name("table-stiffening-3-mm.json").read_text())
    (row,) = [
        row
        for row in table["seats"]
        if (row["seat"], row["ball_mm"], row["tether_kpa_per_mm"]) == ("seat-6", 28.0, tether)
    ]
    told = row["pushes"][0]
    (found,) = seats(SEATS[5], 28.0, (0.05,), tether, 1.0, table["stiffening_depth_mm"])
    assert found.push_n == told["push_n"] == 0.05
    assert found.leak_mm == pytest.approx(told["leak_mm"], abs=0.01)
    assert found.depth_mm == pytest.approx(told["depth_mm"], abs=0.01)


def test_a_leak_agrees_between_the_sheets_or_near_one():
    assert agrees(0.7, [0.2, 1.5])
    assert agrees(1.9, [0.2, 1.5])
    assert not agrees(2.1, [0.2, 1.5])
    assert not agrees(0.0, [0.6, 1.5])


def test_a_size_is_contradicted_where_a_sheet_tells_the_other_the_better():
    assert same_better_size([1.0, 0.5], [[0.2, 1.5], [0.3, 1.0]])
    assert not same_better_size([0.5, 1.0], [[0.2, 1.5], [0.3, 1.0]])
    assert same_better_size([0.5, 1.0], [[0.2, 1.2], [0.3, 1.0]]), "the sheets call it a tie"
    assert same_better_size([0.8, 1.0], [[0.2, 1.5], [0.3, 1.0]]), "a tie contradicts nothing"


@pytest.mark.parametrize("load", ["ring", "band"])
def test_rounding_a_nearly_round_ostium_takes_the_stiffness_for_small_displacements(load):
    almost = SeatShape("almost round", 17.0, 1.02, 40.0)
    large = rounded(almost, 0.5, load)[-1]
    small = oval_mode_n_per_mm(8.5, 0.5, load)
    assert large.amplitude_mm < 0.3
    assert large.stiffness_n_per_mm == pytest.approx(small, rel=0.1)


def test_a_known_move_is_read_off_ring_by_ring():
    surface = tube(9.0, 6.0, 1.0, 32)
    angle = np.arctan2(surface.points[:, 1], surface.points[:, 0])
    outward = np.stack([np.cos(angle), np.sin(angle), 0.0 * angle], axis=1)
    far = -0.3 * np.cos(2.0 * angle) + 0.2 + 0.1 * np.sin(3.0 * angle)
    for one in ring_moves(surface, surface.points + far[:, None] * outward):
        assert one.radius_mm == pytest.approx(9.0)
        assert one.oval_mm == pytest.approx(-0.3)
        assert one.growth_mm == pytest.approx(0.2)
