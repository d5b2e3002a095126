"""Leak lines over faces against closed forms that edges cannot follow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import Delaunay
from seating.phantoms import as_phantom, ellipse

from veinfit.seating.patch import wall_patch
from veinfit.seating.seal.orifice import cut_graph, least_open_line
from veinfit.seating.seal.straighten import straightened_area
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface


def uneven_plate(edge=0.7, inner=3.0, outer=16.0, seed=3):
    """A plane annulus of irregular triangles: no ring of edges follows a circle."""
    rng = np.random.default_rng(seed)
    rings = []
    for radius in (inner, outer):
        n = int(2 * np.pi * radius / edge)
        angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
        rings.append(radius * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    ticks = np.arange(-outer, outer, edge)
    grid = np.stack(np.meshgrid(ticks, ticks), axis=-1).reshape(-1, 2)
    grid = grid + rng.uniform(-0.3, 0.3, grid.shape) * edge
    r = np.linalg.norm(grid, axis=1)
    points = np.vstack([*rings, grid[(r > inner + 0.4 * edge) & (r < outer - 0.4 * edge)]])
    faces = Delaunay(points).simplices
    middle = np.linalg.norm(points[faces].mean(axis=1), axis=1)
    faces = faces[middle > inner]
    a, b, c = (points[faces[:, k]] for k in range(3))
    ab, ac = b - a, c - a
    turn = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    faces[turn > 0] = faces[turn > 0][:, ::-1]  # normals down: out of the blood above
    return Surface(np.column_stack([points, np.zeros(len(points))]), faces)


def plate_patch():
    wall = uneven_plate()
    phantom = as_phantom(wall, ellipse(3.0, 3.0))
    # Both rims lie in one plane: name the inner one the vein's end.
    from veinfit.surface.openings import boundary_loops

    outer, inner = boundary_loops(wall)
    vein = replace(phantom.vein, end_rims=(inner,))
    mitral = replace(phantom.anatomy.mitral, rim=outer) if phantom.anatomy.mitral else None
    anatomy = replace(phantom.anatomy, veins=(vein,), mitral=mitral)
    return wall_patch(anatomy, vein, 14.0, SeatingSettings(patch_edge_mm=5.0))


PATCH = plate_patch()
GRAPH = cut_graph(PATCH)
RADIUS = np.linalg.norm(PATCH.surface.points[:, :2], axis=1)
ANGLE = np.degrees(np.arctan2(PATCH.surface.points[:, 1], PATCH.surface.points[:, 0]))


def test_a_closed_line_follows_the_circle_of_least_open_area():
    gap = 1.0 + 0.1 * (RADIUS - 10.0) ** 2
    r = np.linspace(8.0, 11.0, 3001)
    exact = (2 * np.pi * r * (1.0 + 0.1 * (r - 10.0) ** 2)).min()
    line = least_open_line(GRAPH, gap, 0.5)
    along_edges = line.open_area_mm2.sum()
    over_faces = straightened_area(PATCH, line.edges, gap, 0.5)
    assert along_edges > 1.05 * exact, "what straightening is for"
    assert over_faces == pytest.approx(exact, rel=0.02), "linear gaps on faces lie above"
    assert over_faces < along_edges


@pytest.mark.parametrize("half_deg", [30.0, 80.0, 150.0])
def test_an_open_stretch_runs_from_contact_to_contact(half_deg):
    # Contact but for a sector about +x; the gap within it is 2 mm on every path.
    gap = np.where(np.abs(ANGLE) < half_deg, 2.0, 0.0)
    near = np.abs(RADIUS - 10.0) < 1.5
    gap = np.where(near, gap, 8.0)
    line = least_open_line(GRAPH, gap, 0.5)
    is_open = line.open_area_mm2 > 0
    over_faces = straightened_area(PATCH, line.edges[is_open], gap, 0.5)
    along_edges = line.open_area_mm2[is_open].sum()
    # The path inside the band hugs its inner side at 8.5 mm, where it is shortest; at either
    # end the gap climbs from 0.5 to 2 mm within an edge.
    arc = 2 * np.radians(half_deg)
    assert over_faces <= along_edges
    assert 2.0 * arc * 8.5 * 0.93 < over_faces < 2.0 * arc * 9.6


def test_what_is_no_simple_line_is_left_alone():
    star = np.array([[0, 1], [0, 2], [0, 3]])
    assert straightened_area(PATCH, star, RADIUS, 0.5) is None
