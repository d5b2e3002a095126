"""A vein made ready: by what its tries are drawn, and what its balloons share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from seating.phantoms import hole
from seating.test_patch import carina

from veinfit.seating.balloon import sphere
from veinfit.seating.mechanics.coarse import sharp_points
from veinfit.seating.prepare import balloon_contact, gathered_contact, prepare
from veinfit.seating.seat import seat_vein
from veinfit.settings import MarginSettings, SeatingSettings
from veinfit.surface.mesh import select_faces


def test_another_name_of_vein_or_balloon_moves_no_try():
    oval = hole(11.0, ratio=8.0 / 11.0, edge_mm=1.2, plate_mm=26.0, tube_mm=18.0)
    settings = SeatingSettings(patch_edge_mm=1.2, growth_in_place=False)
    margin = MarginSettings(samples=8, chains_per_patient=4, aim_tilt_step_deg=20.0)
    told = []
    for name, balloon in (("LSPV", "28 mm"), ("RIPV", "first")):
        vein = replace(oval.vein, name=name, found_as="LSPV")
        anatomy = replace(oval.anatomy, veins=(vein,))
        ball = replace(sphere(28), name=balloon)
        told.append(seat_vein(anatomy, vein, [ball], settings, margin=margin)[0])
    one, other = (fit.margin for fit in told)
    assert one.antral.given_patient == other.antral.given_patient
    assert (one.leak_width_percentiles, one.attempts_per_chain) == (
        other.leak_width_percentiles,
        other.attempts_per_chain,
    )
    one, other = ([aim.seal_probability for aim in fit.aims] for fit in told)
    assert one == other
    assert any(value is not None and value > 0.0 for value in one)


def test_a_wall_gathered_in_parts_is_the_wall_gathered_as_a_whole():
    phantom, _ = carina(1.0)
    settings = SeatingSettings()
    prepared = prepare(phantom.anatomy, phantom.vein, 14.0, settings)
    contact = balloon_contact(prepared, sphere(28), settings)
    assert not contact.pressing.all(), "part of the patch cannot be pressed"
    assert len(prepared.rest.points) > 0
    cell, centre = settings.cell_mm, prepared.patch.centre
    told = gathered_contact(prepared, contact, cell).wall
    known = contact.wall.gathered(cell, centre, prepared.axes)
    np.testing.assert_array_equal(told.points, known.points)
    np.testing.assert_array_equal(told.point_weights, known.point_weights)
    np.testing.assert_array_equal(told.modes.first, known.modes.first)


def test_beside_what_is_left_out_edges_of_the_wall_are_looked_for_anew():
    phantom = hole(9.0, edge_mm=0.7, plate_mm=20.0, tube_mm=14.0)
    prepared = prepare(phantom.anatomy, phantom.vein, 14.0, SeatingSettings())
    surface = prepared.patch.surface
    left = np.random.default_rng(3).random(len(surface.faces)) < 0.2
    part, kept = select_faces(surface, ~left)
    sharp = sharp_points(part.points, part.faces)
    assert (sharp != prepared.sharp[kept]).any()
    told = prepared.sharp_among(part.faces, kept, np.flatnonzero(left))
    np.testing.assert_array_equal(told, sharp)


def test_a_larger_balloon_presses_the_same_wall_outside_the_patch():
    phantom, _ = carina(1.0)
    settings = SeatingSettings()
    prepared = prepare(phantom.anatomy, phantom.vein, 15.5, settings)
    one, other = (balloon_contact(prepared, sphere(size), settings) for size in (28, 31))
    for contact in (one, other):
        rest = contact.wall.points[len(contact.own.points) :]
        np.testing.assert_array_equal(rest, prepared.rest.points)
