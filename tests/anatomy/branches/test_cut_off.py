"""Closed stubs are opened at their cuts: on a ball with one tube, surfaced from voxels."""

from dataclasses import replace

import numpy as np
import pytest
from voxels import ball, grid, tube

from veinfit.anatomy.branches.cut_off import cut_at, opened_at_cuts
from veinfit.anatomy.branches.finding import find_branches
from veinfit.anatomy.branches.inscribed import inscribed_spheres
from veinfit.anatomy.branches.join_tree import join_tree
from veinfit.anatomy.branches.lumen import prepare_lumen
from veinfit.labels import lumen_surface
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.surface.mesh import face_middles
from veinfit.vectors import angle_deg, unit

SETTINGS = Settings()
AXIS = unit(np.array([0.6, -0.3, 0.74]))
SIDE = unit(np.cross(AXIS, (0.0, 0.0, 1.0)))
BODY_MM, VEIN_MM = 18.0, 10.0
"""Radius of the body, diameter of the vein."""


def opened(inside, edges=(0.7, 0.7, 0.7)):
    """The lumen of a shape before and after it is opened at its cuts, and its spheres."""
    mask = grid(edges, 90.0, np.random.default_rng(3)).sample(inside)
    volume = grid(edges, 90.0, np.random.default_rng(3))
    lumen, _ = prepare_lumen(lumen_surface(mask, volume.affine, SETTINGS.surface), SETTINGS.surface)
    spheres = inscribed_spheres(lumen.wall.surface)
    return lumen, opened_at_cuts(lumen, lumen, join_tree(spheres))[0], spheres


def stub(end_mm, lean_deg=0.0):
    """A body with a vein that ends flat so far along its axis."""
    lean = np.radians(lean_deg)
    normal = np.cos(lean) * AXIS + np.sin(lean) * SIDE
    body, vein = ball(BODY_MM), tube(AXIS, VEIN_MM, 0.0, 60.0)
    return (
        lambda points: body(points) | (vein(points) & ((points - end_mm * AXIS) @ normal < 0.0)),
        normal,
    )


@pytest.mark.parametrize(("end_mm", "lean_deg"), [(21.5, 0.0), (24.0, 25.0), (36.0, 0.0)])
@pytest.mark.parametrize("edge_mm", [0.5, 1.0])
def test_a_closed_stub_becomes_an_opening(end_mm, lean_deg, edge_mm):
    # At 21.5 mm it is 4 mm long: of the distance from the core hardly any is its own.
    inside, normal = stub(end_mm, lean_deg)
    before, after, spheres = opened(inside, (edge_mm,) * 3)
    assert not before.openings
    (opening,) = after.openings
    assert opening.is_closed
    assert np.linalg.norm(opening.centre - end_mm * AXIS) < 1.3
    assert angle_deg(opening.normal, normal) < 4.0
    assert opening.diameter_mm == pytest.approx(
        VEIN_MM * (1.0 + 0.5 * (1.0 / np.cos(np.radians(lean_deg)) - 1.0)), abs=0.7
    )
    (branch,) = find_branches(join_tree(spheres), after.openings).branches
    assert branch.opening == 0
    beyond = face_middles(after.wall.surface)[after.is_lid]
    assert ((beyond - opening.centre) @ normal).min() > -0.3
    assert (after.wall.is_cap == after.is_lid).all()


def with_faces_of_no_area(wall, near):
    """A wall with a second vertex where a corner of each face (K,) is, and two faces between."""
    surface = wall.surface
    a, b, c = surface.faces[near].T
    points = np.concatenate([surface.points, surface.points[a]])
    middle = len(surface.points) + np.arange(len(near))
    rest = np.delete(surface.faces, near, axis=0)
    new = [(a, middle, c), (middle, b, c), (a, b, middle)]
    faces = np.concatenate([*(np.stack(corners, axis=1) for corners in new), rest])
    return replace(wall, surface=Surface(points, faces), is_cap=np.zeros(len(faces), dtype=bool))


def test_faces_of_no_area_are_no_part_of_a_cut():
    inside, normal = stub(24.0)
    before, _, _ = opened(inside)
    tip = 23.5 * AXIS
    off = np.linalg.norm(face_middles(before.wall.surface) - tip, axis=1)
    wall = with_faces_of_no_area(before.wall, np.flatnonzero(off < 3.0))
    cut = cut_at(wall, tip)
    assert angle_deg(cut.normal, normal) < 4.0
    assert cut.radius_mm == pytest.approx(cut_at(before.wall, tip).radius_mm, abs=0.2)


def test_a_rounded_end_stays_blind():
    tip = ball(VEIN_MM / 2, 24.0 * AXIS)
    inside, _ = stub(24.0)
    before, after, _ = opened(lambda points: inside(points) | tip(points))
    assert after is before


@pytest.mark.parametrize("lid_mm", [14.0, 16.0])
def test_a_flat_piece_of_the_body_is_no_cut(lid_mm):
    # Its edge turns by 39 and 27 degrees; the wall past that of a vein turns by a right angle.
    body = ball(BODY_MM)
    before, after, _ = opened(lambda points: body(points) & (points @ AXIS < lid_mm))
    assert after is before
