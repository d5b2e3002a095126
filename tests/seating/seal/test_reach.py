"""A balloon that wall holds far before the vein has not reached it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from seating.phantoms import Phantom, hole, loft

from veinfit.seating.balloon import sphere
from veinfit.seating.patch import wall_patch
from veinfit.seating.seal.reach import reached, why_not_reached
from veinfit.seating.seat import seat_vein
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.surface import Surface

SETTINGS = SeatingSettings(patch_edge_mm=1.0, growth_what_if_mm=0.0)
OPEN = hole(8.0, edge_mm=1.0, plate_mm=30.0, tube_mm=16.0)


def with_a_narrow_body(half_mm, low_mm, high_mm):
    """The hole before a slit: two plates, that far either side of the axis, of those heights."""
    y, z = np.meshgrid(np.arange(-20.0, 20.5, 1.0), np.arange(low_mm, high_mm + 0.5, 1.0))
    grid = np.stack([np.full(y.shape, half_mm), y, z], axis=-1)
    wall = OPEN.anatomy.wall
    points, faces = [wall.points], [wall.faces]
    for side in (1.0, -1.0):
        plate = loft(grid * [side, 1.0, 1.0])
        corner = plate.points[plate.faces[0]]
        outward = np.cross(corner[1] - corner[0], corner[2] - corner[0])[0] * side > 0.0
        # Without the seam by which a loft closes its rings.
        open_faces = plate.faces[np.ptp(plate.points[plate.faces][:, :, 1], axis=1) < 2.0]
        faces.append((open_faces if outward else open_faces[:, ::-1]) + sum(map(len, points)))
        points.append(plate.points)
    whole = Surface(np.vstack(points), np.vstack(faces))
    return Phantom(replace(OPEN.anatomy, wall=whole, lumen=OPEN.anatomy.lumen), OPEN.vein)


def test_the_distance_is_that_of_the_nose_along_the_ostial_normal():
    patch = wall_patch(OPEN.anatomy, OPEN.vein, 14.0, SETTINGS)
    noses = np.array([[0.0, 0.0, -3.0], [9.0, 0.0, 9.9], [0.0, 0.0, 10.1]])
    assert reached(patch, noses, SETTINGS).tolist() == [True, True, False]
    assert why_not_reached(patch, noses[1], SETTINGS) == ""
    text = why_not_reached(patch, np.array([0.0, 0.0, 14.6]), SETTINGS)
    assert "15 mm before the ostial plane" in text
    assert "more than 10 mm" in text


def test_a_balloon_held_far_before_the_ostium_cannot_reach():
    held = with_a_narrow_body(6.0, 8.0, 22.0)
    fit = seat_vein(held.anatomy, held.vein, [sphere(28)], SETTINGS)[0]
    assert fit.outcome == "cannot reach"
    assert "before the ostial plane" in fit.reason
    assert fit.occluded is fit.sealed is None
    margin = MarginSettings(samples=8, chains_per_patient=4)
    # Plates that give way little: not one try squeezes between them.
    hard = replace(SETTINGS, body_stiffness_kpa_per_mm=10.0)
    told = seat_vein(held.anatomy, held.vein, [sphere(28)], hard, margin=margin)[0]
    assert told.outcome == "cannot reach"
    assert told.seal_probability == 0.0
    near = seat_vein(OPEN.anatomy, OPEN.vein, [sphere(28)], SETTINGS)[0]
    assert near.outcome == "seated"
    assert near.nose_depth_mm > 0.0
