"""Cuts of veins on closed surfaces: on balls with stubs, surfaced from voxels, and on solids."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from voxels import ball, grid, tube

from veinfit.anatomy.branches.closed_openings import closed_openings, with_closed_openings
from veinfit.anatomy.branches.finding import find_branches
from veinfit.anatomy.branches.inscribed import inscribed_spheres
from veinfit.anatomy.branches.lumen import Wall, prepare_lumen
from veinfit.labels import lumen_surface
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.vectors import angle_deg, unit

SETTINGS = Settings()
BODY_MM = 18.0
AXES = unit(np.array([(0.6, -0.3, 0.74), (-0.8, 0.5, 0.33)]))


def stubs(length_mm, diameter_mm=10.0, edge_mm=0.8):
    """A ball with two tubes, each cut so far past the circle in which it meets the ball."""
    cut = np.sqrt(BODY_MM**2 - (diameter_mm / 2) ** 2) + length_mm
    body = ball(BODY_MM)
    tubes = [(axis, tube(axis, diameter_mm, 0.0, 60.0)) for axis in AXES]
    volume = grid((edge_mm,) * 3, 68.0, np.random.default_rng(3))
    mask = volume.sample(
        lambda p: np.logical_or.reduce([body(p)] + [t(p) & (p @ axis < cut) for axis, t in tubes])
    )
    lumen, _ = prepare_lumen(lumen_surface(mask, volume.affine, SETTINGS.surface), SETTINGS.surface)
    return lumen, cut


def solid(mesh, edge_mm=1.2):
    mesh = mesh.subdivide_to_size(edge_mm)
    surface = Surface(mesh.vertices, mesh.faces)
    return Wall(surface, np.zeros(len(surface.faces), dtype=bool))


@pytest.mark.parametrize(("length_mm", "diameter_mm"), [(3.0, 12.0), (4.0, 8.0), (12.0, 10.0)])
def test_each_cut_is_found_once_however_short_the_stub(length_mm, diameter_mm):
    lumen, cut = stubs(length_mm, diameter_mm)
    ends = closed_openings(lumen.wall)
    assert len(ends) == len(AXES)
    for axis in AXES:
        end = min(ends, key=lambda e: np.linalg.norm(e.centre - cut * axis))
        assert np.linalg.norm(end.centre - cut * axis) < 0.5
        assert angle_deg(end.normal, axis) < 4.0


def test_a_stub_too_short_to_stand_out_gets_a_branch_that_ends_in_the_middle_of_its_cut():
    lumen, cut = stubs(3.0)
    found = find_branches(inscribed_spheres(lumen.wall.surface), lumen.openings)
    assert len(found.branches) < len(AXES)
    branches = with_closed_openings(found, lumen.wall).branches
    assert len(branches) == len(AXES)
    for axis in AXES:
        assert min(np.linalg.norm(b.tip - cut * axis) for b in branches) < 0.5


@pytest.mark.parametrize(
    "mesh",
    [
        trimesh.creation.icosphere(subdivisions=4, radius=20.0),
        trimesh.creation.capsule(height=20.0, radius=6.0),
        trimesh.creation.cylinder(radius=18.0, height=12.0, sections=64),
    ],
    ids=["ball", "rounded tube", "lid wider than a vein"],
)
def test_no_cut_is_seen_where_there_is_none(mesh):
    assert closed_openings(solid(mesh, 2.0)) == ()


def test_the_steps_of_slices_are_no_cuts():
    steps = [
        trimesh.creation.cylinder(radius=r, height=9.0, sections=128).apply_translation((0, 0, z))
        for r, z in ((13.0, 0.0), (10.0, 15.0), (7.0, 30.0))
    ]
    assert len(closed_openings(solid(steps[0]))) == 2
    assert closed_openings(solid(trimesh.util.concatenate(steps))) == ()


def test_where_veins_are_cut_open_none_is_closed():
    lumen, _ = stubs(3.0)
    found = find_branches(inscribed_spheres(lumen.wall.surface), lumen.openings)
    as_open = replace(found.branches[0], opening=0)
    opened = found.with_more([as_open, as_open])
    assert with_closed_openings(opened, lumen.wall) is opened
