"""Where a blind vein was cut: on a ball with one tube, surfaced from voxels."""

import numpy as np
import pytest
import trimesh
from voxels import ball, grid, tube

from veinfit.anatomy.branches.branch_sections import BranchSections
from veinfit.anatomy.branches.finding import find_branches
from veinfit.anatomy.branches.flat_ends import find_flat_end, flat_end_at
from veinfit.anatomy.branches.inscribed import inscribed_spheres
from veinfit.anatomy.branches.join_tree import join_tree
from veinfit.anatomy.branches.lumen import Wall, prepare_lumen
from veinfit.anatomy.candidates import find_candidates
from veinfit.labels import lumen_surface
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.vectors import angle_deg, unit

SETTINGS = Settings()
AXIS = unit(np.array([0.6, -0.3, 0.74]))
BODY_MM, VEIN_MM, CUT_MM = 18.0, 10.0, 27.0
"""Radius of the body, diameter of the vein, and where on its axis it is cut: a short stub."""

EDGE_MM = np.sqrt(BODY_MM**2 - (VEIN_MM / 2) ** 2)
"""Where on the axis the body's ball and the vein meet."""


def single_branch(beyond, edges, body_mm=BODY_MM, vein_mm=VEIN_MM):
    """The one candidate of a body with a vein whose points ``beyond`` tells are cut off."""
    body, vein = ball(body_mm), tube(AXIS, vein_mm, 0.0, 60.0)
    volume = grid(edges, 90.0, np.random.default_rng(3))
    mask = volume.sample(lambda points: body(points) | (vein(points) & ~beyond(points)))
    surface = lumen_surface(mask, volume.affine, SETTINGS.surface)
    lumen, _ = prepare_lumen(surface, SETTINGS.surface)
    branches = find_branches(join_tree(inscribed_spheres(lumen.wall.surface)), lumen.openings)
    (only,) = find_candidates(lumen, branches, SETTINGS.anatomy)
    return only


@pytest.mark.parametrize(
    ("edges", "lean_deg"),
    [
        ((0.5, 0.5, 0.7), 0.0),
        ((0.8, 0.8, 0.8), 40.0),
        pytest.param((0.5, 0.5, 0.7), 20.0, marks=pytest.mark.slow),
        pytest.param((0.5, 0.5, 0.7), 40.0, marks=pytest.mark.slow),
        pytest.param((0.8, 0.8, 0.8), 0.0, marks=pytest.mark.slow),
        pytest.param((0.8, 0.8, 0.8), 20.0, marks=pytest.mark.slow),
    ],
)
def test_the_cut_of_a_stub_is_found(lean_deg, edges):
    side = unit(np.cross(AXIS, (0.0, 0.0, 1.0)))
    lean = np.radians(lean_deg)
    normal = np.cos(lean) * AXIS + np.sin(lean) * side
    branch = single_branch(lambda points: (points - CUT_MM * AXIS) @ normal > 0.0, edges)
    assert np.linalg.norm(branch.end.centre - CUT_MM * AXIS) < 0.5
    assert angle_deg(branch.end.normal, normal) < 4.0
    # Ball and tube meet in a circle whose place is known.
    # A cut this far aslant leaves some sectors short, which tilts the plane by some degrees.
    assert np.linalg.norm(branch.ostium.centre - EDGE_MM * AXIS) < (0.5 if lean_deg < 30.0 else 0.7)
    assert np.linalg.norm(np.cross(branch.tube.centres[0], AXIS)) < 0.3


def test_the_walk_of_a_stub_wider_than_long_does_not_run_askew():
    # 20 mm wide, cut 7 mm past where it meets the body's ball, in coarse voxels.
    edge = np.sqrt(22.0**2 - 10.0**2)
    branch = single_branch(lambda p: p @ AXIS > edge + 7.0, (1.4, 1.4, 1.4), 22.0, 20.0)
    centres = branch.tube.centres[:9]
    assert edge + 5.0 < centres[0] @ AXIS < edge + 7.0
    assert angle_deg(unit(centres[0] - centres[-1]), AXIS) < 8.0
    assert branch.ostium.centre @ AXIS == pytest.approx(edge, abs=0.25)


def test_a_rounded_end_has_no_cut():
    tip = ball(VEIN_MM / 2, CUT_MM * AXIS)

    def beyond(points):
        return ((points - CUT_MM * AXIS) @ AXIS > 0.0) & ~tip(points)

    assert single_branch(beyond, (0.5, 0.5, 0.7)).end is None


@pytest.mark.parametrize(("radii", "apart"), [((5.0, 5.0), 12.0), ((6.0, 5.0), 14.0)])
def test_a_neighbour_cut_by_the_same_plane_is_no_part_of_the_end(radii, apart):
    tubes = []
    for radius, x in zip(radii, (0.0, apart), strict=True):
        mesh = trimesh.creation.cylinder(radius=radius, height=30.0, sections=48)
        mesh = mesh.subdivide_to_size(1.0)
        tubes.append(Surface(mesh.vertices + (x, 0.0, 0.0), mesh.faces))
    one, other = tubes
    both = Surface(
        np.concatenate([one.points, other.points]),
        np.concatenate([one.faces, other.faces + len(one.points)]),
    )
    wall = Wall(both, np.zeros(len(both.faces), dtype=bool))
    # Walked from a corner of the cut, on the other tube's side.
    centres = np.array([(3.0, 0.0, 14.0), (2.0, 0.0, 13.0), (1.0, 0.0, 12.0), (0.0, 0.0, 11.0)])
    areas = np.full(4, np.pi * radii[0] ** 2)
    end = find_flat_end(wall, BranchSections(centres, areas, 3.0, wall, centres), centres[0])
    assert np.linalg.norm(end.centre - (0.0, 0.0, 15.0)) < 0.05
    assert not end.faces[len(one.faces) :].any()


def evenly(mesh, edge_mm=1.5):
    mesh = mesh.subdivide_to_size(edge_mm)
    return Surface(mesh.vertices, mesh.faces)


def test_the_cut_of_a_stub_is_found_beside_a_larger_flat_wall():
    stub = evenly(trimesh.creation.cylinder(radius=8.0, height=10.0, sections=48))
    plate = trimesh.creation.box(extents=(10.0, 100.0, 100.0))
    beside = evenly(plate.apply_translation((15.0, 0.0, 0.0)), 4.0)
    both = Surface(
        np.concatenate([stub.points, beside.points]),
        np.concatenate([stub.faces, beside.faces + len(stub.points)]),
    )
    wall = Wall(both, np.zeros(len(both.faces), dtype=bool))
    end = flat_end_at(wall, np.array((7.0, 0.0, 4.0)))
    assert np.linalg.norm(end.centre - (0.0, 0.0, 5.0)) < 0.05
    assert angle_deg(end.normal, np.array((0.0, 0.0, 1.0))) < 1.0


def test_flat_wall_far_from_a_tip_is_no_end_of_its_branch():
    surface = evenly(trimesh.creation.cylinder(radius=5.0, height=30.0, sections=48))
    wall = Wall(surface, np.zeros(len(surface.faces), dtype=bool))
    centres = np.array([(0.0, 0.0, 14.0), (0.0, 0.0, 13.0), (0.0, 0.0, 12.0), (0.0, 0.0, 11.0)])
    tube = BranchSections(centres, np.full(4, np.pi * 25.0), 3.0, wall, centres)
    assert find_flat_end(wall, tube, np.array((3.0, 0.0, 14.0))) is not None
    assert find_flat_end(wall, tube, np.array((25.0, 0.0, 14.0))) is None
