"""The wall around a vein: how far it reaches, what it hangs together with, which side presses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seating.phantoms import Phantom, as_phantom, ellipse, hole, loft, revolve, walk

from veinfit.seating.first_met import first_within
from veinfit.seating.patch import wall_patch
from veinfit.seating.pressing import can_press, rest_can_press
from veinfit.seating.seal.paths import widest_path
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.surface.mesh import edges, total_area

SETTINGS = SeatingSettings()


def test_edges_are_short_and_the_wall_is_whole():
    phantom = hole(9.0, edge_mm=1.5, plate_mm=20.0, tube_mm=12.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 15.5, SETTINGS)
    pairs, _, counts = edges(patch.surface)
    ends = patch.surface.points[pairs]
    assert np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).max() <= 0.7 + 1e-6
    assert counts.max() == 2
    assert total_area(patch.surface) == pytest.approx(total_area(phantom.anatomy.wall))
    rims = np.unique(pairs[counts == 1])
    assert np.array_equal(np.unique(np.concatenate([end.rim for end in patch.missing])), rims)
    assert len(patch.rest.faces) == 0


def test_the_patch_reaches_as_far_over_the_wall_as_it_should():
    phantom = hole(9.0, edge_mm=1.0, plate_mm=70.0, tube_mm=12.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 14.0, SETTINGS)
    away = np.linalg.norm(patch.surface.points[:, :2], axis=1) - 9.0
    on_plate = patch.surface.points[:, 2] == 0.0
    assert 24.0 <= away[on_plate].max() < 28.0
    pairs, _, counts = edges(patch.surface)
    outline = np.unique(pairs[counts == 1])
    rim = away[outline[on_plate[outline]]]
    # Along edges a path is up to a tenth longer than straight over the faces.
    assert rim.min() > 24.0 / 1.12
    assert len(patch.rest.faces) > 0
    assert patch.node_count == len(patch.surface.points) + 1
    n = len(patch.surface.points)
    assert patch.atrium_nodes.tolist() == [n], "the rim of the plate lies in the rest"
    assert (patch.vein_nodes < n).all()
    whole = total_area(patch.surface) + total_area(patch.rest)
    assert whole == pytest.approx(total_area(phantom.anatomy.wall))


def test_how_densely_the_ostium_is_drawn_does_not_count():
    # Many points of its contour are nearest to one vertex: the nearest of them tells how far it is.
    phantom = hole(9.0, edge_mm=1.0, plate_mm=70.0, tube_mm=12.0)
    ostium = phantom.vein.ostium
    points = ostium.contour.points
    ahead = np.roll(points, -1, axis=0)
    dense = np.concatenate(
        [points + share * (ahead - points) for share in np.arange(0.0, 1.0, 0.1)]
    )
    contour = replace(ostium.contour, points=dense)
    vein = replace(phantom.vein, ostium=replace(ostium, contour=contour))
    one, other = (wall_patch(phantom.anatomy, v, 14.0, SETTINGS) for v in (phantom.vein, vein))
    assert np.array_equal(one.near, other.near)


def test_the_rest_counts_as_wide_open_on_the_way_to_the_atrium():
    phantom = hole(9.0, edge_mm=1.0, plate_mm=70.0, tube_mm=12.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 14.0, SETTINGS)
    clearance = np.full(patch.node_count, np.inf)
    away = np.abs(np.linalg.norm(patch.surface.points[:, :2], axis=1) - 12.0)
    clearance[: len(away)] = away
    path = widest_path(patch.links, clearance, patch.vein_nodes, patch.atrium_nodes)
    assert path.nodes[-1] == len(away)
    assert path.width < 0.5


def test_without_a_mitral_rim_the_other_open_edges_are_the_atrium():
    phantom = hole(9.0, plate_mm=20.0, tube_mm=12.0)
    anatomy = replace(phantom.anatomy, mitral=None)
    patch = wall_patch(anatomy, phantom.vein, 14.0, SETTINGS)
    height = patch.surface.points[patch.atrium_nodes, 2]
    assert np.allclose(height, 0.0)
    assert np.allclose(patch.surface.points[patch.vein_nodes, 2], -12.0)


def test_a_vein_that_ends_blind_ends_at_the_tip_of_its_centreline():
    profile = np.vstack(
        [[(0.3, -10.0), (4.0, -10.0)], walk([(9.0, -8.0), (9.0, 0.0), (20.0, 0.0)], 0.8)]
    )
    phantom = as_phantom(revolve(profile, sectors=80), ellipse(9.0, 9.0))
    vein = replace(phantom.vein, end_rims=())
    anatomy = replace(phantom.anatomy, veins=(vein,))
    patch = wall_patch(anatomy, vein, 14.0, SETTINGS)
    assert patch.surface.points[patch.vein_nodes, 2] == pytest.approx([-10.0])


def carina(gap_mm):
    """Two parallel tubes of 9 mm radius under a plate, a thin wall of tissue between them."""
    phantom = hole(9.0, edge_mm=0.7, plate_mm=24.0, tube_mm=14.0)
    neighbour = hole(9.0, edge_mm=0.7, plate_mm=24.0, tube_mm=14.0).anatomy.wall
    shift = np.array([18.0 + gap_mm, 0.0, 0.0])
    keep = (neighbour.points[neighbour.faces][:, :, 2] < -1e-9).any(axis=1)
    n = len(phantom.anatomy.wall.points)
    wall = Surface(
        np.vstack([phantom.anatomy.wall.points, neighbour.points + shift]),
        np.vstack([phantom.anatomy.wall.faces, neighbour.faces[keep] + n]),
    )
    return Phantom(replace(phantom.anatomy, wall=wall, lumen=wall), phantom.vein), n


def test_the_far_side_of_a_carina_does_not_press():
    phantom, _ = carina(1.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 14.0, SETTINGS)
    pressing, rest_pressing = can_press(patch, 14.0, 14.0), rest_can_press(patch, 14.0)
    middle = patch.surface.points[patch.surface.faces].mean(axis=1)
    own = np.linalg.norm(middle[:, :2], axis=1) < 9.01
    beside = ~own & (middle[:, 2] < -0.1)
    facing_us = beside & (middle[:, 0] < 12.0)
    assert pressing[own].all()
    assert facing_us.any()
    assert not pressing[facing_us].any()
    beyond = patch.rest.points[patch.rest.faces].mean(axis=1)[:, 0] > 23.0
    assert beyond.any()
    assert rest_pressing[beyond].all(), "the neighbour's far wall faces this vein's blood side"


def test_a_plate_presses_also_once_the_centre_has_passed_it():
    phantom = hole(9.0, plate_mm=20.0, tube_mm=20.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 14.0, SETTINGS)
    pressing = can_press(patch, 14.0, 14.0)
    assert pressing.all(), "the choice is made once, so the energy has no jump"


def test_an_opposite_wall_is_in_the_patch_and_presses():
    phantom = hole(9.0, edge_mm=1.0, plate_mm=20.0, tube_mm=12.0)
    ceiling = loft(
        np.stack([ellipse(r, r, 40) + [0.0, 0.0, 26.0] for r in (0.5, 3.0, 6.0, 9.0, 12.0)])
    )
    assert ceiling.faces.size
    n = len(phantom.anatomy.wall.points)
    # Normals point out of the blood: up.
    normals = np.cross(
        ceiling.points[ceiling.faces[:, 1]] - ceiling.points[ceiling.faces[:, 0]],
        ceiling.points[ceiling.faces[:, 2]] - ceiling.points[ceiling.faces[:, 0]],
    )
    flipped = ceiling.faces if normals[0, 2] > 0 else ceiling.faces[:, ::-1]
    wall = Surface(
        np.vstack([phantom.anatomy.wall.points, ceiling.points]),
        np.vstack([phantom.anatomy.wall.faces, flipped + n]),
    )
    anatomy = replace(phantom.anatomy, wall=wall, lumen=wall)
    patch = wall_patch(anatomy, phantom.vein, 14.0, SETTINGS)
    high = patch.surface.points[patch.surface.faces][:, :, 2].min(axis=1) > 20.0
    assert high.any()
    assert not patch.near[high].any()
    pressing = can_press(patch, 14.0, 14.0)
    assert pressing[high].all()


def test_where_a_path_first_comes_near_a_point_is_what_a_look_at_all_of_it_tells(rng):
    step = rng.normal(size=(45, 3))
    path = np.cumsum(step / np.linalg.norm(step, axis=1)[:, None], axis=0)
    points = path.mean(axis=0) + 12.0 * rng.normal(size=(3000, 3))
    near = np.linalg.norm(points[:, None] - path, axis=2) < 6.0
    known = np.where(near.any(axis=1), near.argmax(axis=1), -1)
    assert (known == -1).any() and len(np.unique(known)) > 10
    np.testing.assert_array_equal(first_within(points, path, 6.0), known)
