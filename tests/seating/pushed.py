"""Balloons pushed on a wall with a fixed force: batches without an anatomy around them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from seating.phantoms import DOWN

from veinfit.seating.mechanics.batch import BalloonBatch
from veinfit.seating.mechanics.guide import straight
from veinfit.seating.mechanics.law import IndentationLaw
from veinfit.seating.mechanics.minimise import Exit, minimise
from veinfit.seating.mechanics.modes import no_modes
from veinfit.seating.mechanics.shape import Sphere
from veinfit.seating.mechanics.walls import BalloonWall
from veinfit.seating.prepare import balloon_batch, balloon_contact, prepare
from veinfit.surface.mesh import face_areas

LINEAR = IndentationLaw()
NEVER = Exit(np.zeros(3), np.zeros(3), 1.0)
"""No balloon is past this."""

PAST = Exit(np.zeros(3), DOWN, 20.0)
"""Past 20 mm below the plane."""


def wall_of(surface, stiffness, law=LINEAR, modes=None):
    """A wall of one stiffness, N/mm³ (1 kPa/mm is 1e-3 N/mm³), that keeps its shape."""
    count = len(surface.points)
    return BalloonWall.of_triangles(
        surface.points,
        surface.faces,
        face_areas(surface),
        np.full(count, float(stiffness)),
        law,
        no_modes(count) if modes is None else modes,
    )


def balls(
    wall,
    push=1.5,
    guide=0.3,
    radius=14.0,
    direction=DOWN,
    shaft=0.0,
    count=1,
    exact=True,
    shape=0.0,
):
    """Equal balls whose shafts and guide run through the origin, the guide straight down."""

    def all_of(value):
        return np.full(count, float(value))

    return BalloonBatch(
        wall=wall,
        exact=exact,
        shape=Sphere(radius),
        reach_mm=all_of(radius),
        stiffness=np.ones(count),
        shape_stiffness=np.full((count, wall.modes.count), float(shape)),
        push_n=all_of(push),
        guide_n_per_mm=all_of(guide),
        shaft_n_per_mm=all_of(shaft),
        direction=np.tile(direction, (count, 1)),
        origin=np.zeros((count, 3)),
        guide=straight(np.zeros(3), DOWN),
        pivot=np.zeros(3),
        guide_turn=np.tile(np.eye(3), (count, 1, 1)),
    )


def evaluate(batch, place):
    """Energy, gradient and Hessian of one balloon at one place."""
    energy, gradient, hessian, _ = batch.evaluate(np.array([0]), np.asarray(place, float)[None])
    return float(energy[0]), gradient[0], hessian[0]


def rest_of(batch, start, through=NEVER, **more):
    """The descent of one balloon from one start."""
    begin = np.zeros((1, batch.unknowns))
    begin[0, : len(start)] = start
    return minimise(batch, begin, through, **more)


def before(phantom, balloon, lines, settings, push=None):
    """A prepared vein, what the balloon can press, and the batch of the balloon on the lines."""
    prepared = prepare(phantom.anatomy, phantom.vein, balloon.shape.reach_mm, settings)
    contact = balloon_contact(prepared, balloon, settings)
    batch = balloon_batch(prepared, contact, lines, settings, exact=True)
    if push is not None:
        batch = replace(batch, push_n=np.full(batch.count, float(push)))
    return prepared, contact, batch
