"""Holes in the wall: no veins, and closed, on a ball with one open tube."""

import numpy as np
import trimesh
from anatomy.profiles import filleted_tube

from veinfit.anatomy.branches.lumen import is_hole, prepare_lumen
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.surface.mesh import face_middles, select_faces
from veinfit.surface.openings import boundary_loops

BALL_MM = 25.0


def without_caps(heights_mm):
    """A ball without what lies beyond a height along each axis and its opposite."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=BALL_MM)
    surface = Surface(np.array(ball.vertices), np.array(ball.faces))
    middles = face_middles(surface)
    kept = np.ones(len(middles), dtype=bool)
    for axis, height in heights_mm.items():
        kept &= middles @ np.array(axis) < height
    return select_faces(surface, kept)[0]


def test_small_holes_in_the_wall_are_closed_and_told():
    # Caps of 7.7 mm and 24 mm across: the wider one was cut for a reason.
    surface = without_caps({(0, 0, 1): 24.7, (1, 0, 0): 22.0})
    lumen, notes = prepare_lumen(surface, Settings().surface)
    (opening,) = lumen.openings
    np.testing.assert_allclose(opening.normal, (1.0, 0.0, 0.0), atol=0.02)
    assert lumen.holes_filled == 1
    assert any("were closed: 1" in note.text and note.severity == "caution" for note in notes)


def test_a_thin_vein_that_is_cut_open_is_no_hole():
    surface = filleted_tube(3.0, 4.0, 12.0)
    loops = sorted(boundary_loops(surface), key=lambda loop: surface.points[loop, 2].mean())
    assert not is_hole(surface, loops[-1])
