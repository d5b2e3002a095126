"""What a patch covers is left out of the wall behind it, and nothing else is."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.frames import SUPERIOR
from veinfit.report.render import plain_renderer
from veinfit.report.render.covered_wall import uncovered
from veinfit.report.render.scene import (
    Camera,
    Pass,
    plain_layer,
    revolved,
    sphere_profile,
)
from veinfit.report.render.seen_part import seen_part
from veinfit.surface import Surface
from veinfit.surface.mesh import select_faces, vertex_normals
from veinfit.surface.refine import refine

WALL = revolved(sphere_profile(28.0, 31), np.zeros(3), SUPERIOR, sides=48)
TOWARDS = np.array([0.6, -0.8, 0.0])
CAMERA = Camera(np.zeros(3), TOWARDS, SUPERIOR, 0.2, 160, 150)


def _patch(wall: Surface, hole: bool = False) -> Surface:
    """A cap of the wall on the viewer's side, divided further; with ``hole``, a face is missing."""
    along = wall.points @ TOWARDS
    keep = (along[wall.faces] > 6.0).any(axis=1)
    if hole:
        keep[np.argmax(along[wall.faces].mean(axis=1))] = False
    return refine(select_faces(wall, keep)[0], 1.0).surface


@pytest.mark.parametrize("hole", [False, True])
def test_the_picture_is_that_of_the_whole_wall(hole: bool) -> None:
    patch = _patch(WALL, hole)
    less = uncovered(WALL, patch)
    assert len(less.faces) < 0.85 * len(WALL.faces)
    drawn = [
        next(
            plain_renderer.paint(
                (Pass(CAMERA, (plain_layer(wall, "#c08040", set_back_mm=0.5),
                               plain_layer(patch, "#4080c0"))),), 1
            )
        )
        for wall in (WALL, less)
    ]  # fmt: skip
    blue, red = drawn[0].colour[..., 2] > drawn[0].colour[..., 0], np.isfinite(drawn[0].depth)
    assert blue.any() and (red & ~blue).any()
    assert np.array_equal(drawn[0].colour, drawn[1].colour)
    assert np.array_equal(drawn[0].depth, drawn[1].depth)


def test_normals_outside_the_patch_are_those_of_the_whole_wall() -> None:
    patch = _patch(WALL)
    less = uncovered(WALL, patch)
    outside = (WALL.points[WALL.faces] @ TOWARDS <= 6.0).all(axis=1)
    shown = np.unique(WALL.faces[outside])
    assert np.array_equal(vertex_normals(less)[shown], vertex_normals(WALL)[shown])
    kept = {tuple(face) for face in less.faces.tolist()}
    assert all(tuple(face) in kept for face in WALL.faces[outside].tolist())


def test_a_patch_of_another_wall_covers_nothing() -> None:
    patch = _patch(WALL)
    moved = Surface(patch.points + 1e-9, patch.faces)
    assert uncovered(WALL, moved) is WALL
    assert uncovered(WALL, Surface(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))) is WALL


def test_what_is_covered_is_not_handed_to_the_renderer() -> None:
    patch = _patch(WALL)
    whole, covered, less = (
        seen_part(plain_layer(wall, "#c08040", covered_by=by), CAMERA)
        for wall, by in ((WALL, None), (WALL, patch), (uncovered(WALL, patch), None))
    )
    assert len(covered[0].surface.faces) < 0.85 * len(whole[0].surface.faces)
    assert np.array_equal(covered[0].surface.points, less[0].surface.points)
    assert np.array_equal(covered[0].surface.faces, less[0].surface.faces)
    assert np.array_equal(covered[1], less[1])
