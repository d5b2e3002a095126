"""What is left out of a layer leaves no mark on its picture."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.frames import SUPERIOR
from veinfit.report.render import plain_renderer
from veinfit.report.render.scene import Camera, Cull, Layer, Pass, revolved, sphere_profile
from veinfit.report.render.seen_part import seen_part
from veinfit.surface.mesh import vertex_normals
from veinfit.vectors import FloatArray

BALL = revolved(sphere_profile(28.0, 41), np.zeros(3), SUPERIOR, sides=60)
TOWARDS = np.array([0.6, -0.8, 0.0])
CLOSE = Camera(np.array([4.0, 2.0, 3.0]), TOWARDS, SUPERIOR, 0.2, 60, 50)
CUT = (np.array([0.0, 0.0, 3.0]), SUPERIOR)


@pytest.mark.parametrize("cull", ["none", "facing", "averted"])
@pytest.mark.parametrize("clip", [None, CUT], ids=["whole", "cut"])
def test_the_part_is_drawn_as_the_whole(
    cull: Cull, clip: tuple[FloatArray, FloatArray] | None
) -> None:
    palette = np.array([[0.9, 0.2, 0.2], [0.2, 0.2, 0.9]])
    heights = BALL.points[:, 2].copy()
    # The same light on every side: this renderer takes its normals from what it is given.
    layer = Layer(BALL, palette, heights, np.array([2.0]), cull, clip, ambient=1.0)
    part, normals = seen_part(layer, CLOSE)
    assert len(part.surface.faces) < 0.5 * len(BALL.faces)
    assert len(normals) == len(part.surface.points)
    whole, less = (next(plain_renderer.paint((Pass(CLOSE, (one,)),), 1)) for one in (layer, part))
    assert np.isfinite(whole.depth).any()
    assert np.array_equal(whole.depth, less.depth)
    assert np.array_equal(whole.colour, less.colour)


def test_normals_are_those_of_the_whole() -> None:
    part, normals = seen_part(Layer(BALL, np.ones((1, 3)), cull="averted"), CLOSE)
    known = {tuple(p): n for p, n in zip(BALL.points, vertex_normals(BALL), strict=True)}
    assert np.array_equal(normals, [known[tuple(p)] for p in part.surface.points])


def test_what_is_not_in_the_picture_is_empty() -> None:
    away = Camera(np.array([0.0, 0.0, 90.0]), TOWARDS, SUPERIOR, 0.2, 60, 50)
    part, normals = seen_part(Layer(BALL, np.ones((1, 3))), away)
    assert len(part.surface.faces) == len(part.surface.points) == len(normals) == 0
