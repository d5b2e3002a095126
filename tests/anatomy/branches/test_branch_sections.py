"""Walks along a vein from its end toward the atrium."""

from __future__ import annotations

import numpy as np
import pytest
from anatomy.profiles import bare, filleted_tube, revolved

from veinfit.anatomy.branches.blind_ends import starts_at
from veinfit.anatomy.branches.branch_sections import walk_tube
from veinfit.anatomy.branches.lumen import Lumen, Wall
from veinfit.surface.mesh import face_middles, select_faces
from veinfit.surface.openings import boundary_loops, cap_loops

Z = np.array([0.0, 0.0, 1.0])
END = 30.0 * Z


def cut_obliquely(radius, normal):
    """A vein at z > 0, cut open across ``END``, with a cap on the cut."""
    whole = filleted_tube(radius, 5.0, length=46.0)
    open_, _ = select_faces(whole, (face_middles(whole) - END) @ normal < 0.0)
    rim = max(boundary_loops(open_), key=lambda loop: open_.points[loop, 2].mean())
    closed, cap = cap_loops(open_, [rim])
    return Lumen(Wall(closed, cap >= 0), (), 100.0)


@pytest.mark.parametrize(("radius", "oblique_deg"), [(5.0, 30.0), (5.0, 50.0), (7.0, 40.0)])
def test_a_walk_that_leaves_an_oblique_end_square_to_it_goes_on_past_its_rim(radius, oblique_deg):
    """Its sections turn from square to the end to square to the vein, and touch the end again."""
    angle = np.radians(oblique_deg)
    normal = np.array([np.sin(angle), 0.0, np.cos(angle)])
    inside = END - 6.0 * normal
    path = np.concatenate(
        [
            np.outer(np.arange(-10.0, 16.0, 0.5), Z),
            np.linspace(16.0 * Z, inside, 12)[:-1],
            np.linspace(inside, END, 12),
        ]
    )
    tube = walk_tube(cut_obliquely(radius, normal), path, normal)
    assert tube.centres[-1, 2] < 3.0
    assert tube.length_mm > 18.0
    inner = tube.areas_mm2[tube.centres[:, 2] > 6.0]
    assert np.median(inner) == pytest.approx(np.pi * radius**2, rel=0.03)
    assert starts_at(tube, END, (END, normal))


def swelling(up_mm, radius):
    """A vein of 5 mm radius that swells by z = 24 to ``radius`` and opens into a wall at z = 0."""
    arc = np.linspace(0.0, np.pi / 2, 12)[:-1]
    ring = np.stack([radius + 5.0 * (1 - np.sin(arc)), 5.0 * (1 - np.cos(arc))], axis=1)
    plate = np.stack([np.arange(45.0, radius + 5.2, -0.5)] * 2, axis=1) * [1.0, 0.0]
    up = np.arange(5.0, 62.1, 0.5)
    tube = np.stack([np.interp(up, up_mm, [radius, radius, 5.0, 5.0]), up], axis=1)
    return bare(revolved(np.concatenate([plate, ring, tube])))


@pytest.mark.parametrize(
    ("up_mm", "radius", "ends_mm"),
    [
        # It stays as wide: an elbow, or a branch comes in. The tube begins at 0.
        ([5.0, 24.0, 27.0, 62.0], 8.5, (0.0, 3.0)),
        # It widens on from 27 mm down: the funnel of an atrium, half as wide again at 22 mm.
        ([5.0, 6.0, 27.0, 62.0], 16.0, (20.0, 27.0)),
    ],
)
def test_a_vein_is_walked_past_a_swelling_and_not_into_a_funnel(up_mm, radius, ends_mm):
    lumen = Lumen(swelling(up_mm, radius), (), 100.0)
    tube = walk_tube(lumen, np.outer(np.arange(-10.0, 61.0, 0.5), Z))
    assert tube.centres[0, 2] > 58.0
    least, most = ends_mm
    assert least < tube.centres[-1, 2] < most
