"""Which ostium is a branch's own."""

from __future__ import annotations

import numpy as np
import pytest
from atria import open_surface

from veinfit import Settings
from veinfit.anatomy import candidates
from veinfit.anatomy.branches.blind_ends import starts_at
from veinfit.anatomy.branches.branch_sections import BranchSections
from veinfit.anatomy.branches.finding import find_branches
from veinfit.anatomy.branches.flat_ends import FlatEnd
from veinfit.anatomy.branches.inscribed import inscribed_spheres
from veinfit.anatomy.branches.join_tree import join_tree
from veinfit.anatomy.branches.lumen import Wall, prepare_lumen
from veinfit.anatomy.ostium.plane import OstiumFailure
from veinfit.surface import Surface
from veinfit.surface.contours import enters

TURN = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
RING = 8.0 * np.stack([np.cos(TURN), np.sin(TURN), np.zeros_like(TURN)], axis=1)
"""A contour of 16 mm about the origin, in the plane z = 0; the vein lies above."""


@pytest.mark.parametrize(
    ("path", "comes_through"),
    [
        # Out of the body through the ring.
        ([(0, 0, -20), (2, 0, -5), (3, 0, 5), (5, 0, 30)], True),
        # The same, with a bend that crosses the plane again beside the ring.
        ([(0, 0, -20), (2, 0, 6), (30, 0, 5), (40, 0, -5), (50, 0, 5)], True),
        # To an end on the atrial side: another opening's path never comes near.
        ([(0, 0, -20), (10, 0, -25), (20, 0, -40)], False),
        # Through the plane, but beside the ring.
        ([(0, 0, -20), (20, 0, -5), (22, 0, 5)], False),
        # Back out of the vein.
        ([(0, 0, 20), (0, 0, -20)], False),
    ],
)
def test_a_branch_comes_through_its_own_ostium(path, comes_through):
    normal = np.array([0.0, 0.0, 1.0])
    assert enters(np.array(path, dtype=float), RING, np.zeros(3), normal) == comes_through


@pytest.mark.parametrize(
    ("away_mm", "diameter_mm", "lean_deg", "starts"),
    [
        (2.0, 14.0, 0.0, True),
        # An oblique cut: the first section clear of its rim is the farther, the more it leans.
        (9.0, 14.0, 45.0, True),
        # The atrium beside a stub, walked aslant: as wide as nothing behind this cut.
        (25.0, 50.0, 60.0, False),
        (25.0, 14.0, 60.0, False),
    ],
)
def test_what_starts_at_a_cut_is_no_wider_than_what_the_cut_ends(
    away_mm, diameter_mm, lean_deg, starts
):
    lean = np.radians(lean_deg)
    axis = np.array([np.sin(lean), 0.0, np.cos(lean)])
    centres = np.array([0.0, 0.0, 20.0 - away_mm]) - np.arange(10.0)[:, None] * axis
    nothing = Surface(np.zeros((0, 3)), np.zeros((0, 3), dtype=int))
    wall = Wall(nothing, np.zeros(0, dtype=bool))
    areas = np.full(10, np.pi / 4 * diameter_mm**2)
    tube = BranchSections(centres, areas, 9.0, wall, centres)
    top, up = np.array([0.0, 0.0, 20.0]), np.array([0.0, 0.0, 1.0])
    end = FlatEnd(top, up, np.zeros(0, dtype=bool), np.pi / 4 * 13.0**2)
    assert starts_at(tube, top, (top, up), end) == starts


def test_only_a_short_vein_is_searched_from_its_cut(monkeypatch):
    # From the cut of a long one the sectors end in its taper, far from the atrium.
    lumen, _ = prepare_lumen(open_surface("four", 3), Settings().surface)
    branches = find_branches(join_tree(inscribed_spheres(lumen.wall.surface)), lumen.openings)
    searched = []

    def watched(tube, *others):
        searched.append(tube.length_mm)
        return OstiumFailure("as told")

    monkeypatch.setattr(candidates, "find_ostium", lambda *_, **__: OstiumFailure("as told"))
    monkeypatch.setattr(candidates, "find_ostium_about", watched)
    found = [
        candidates.single_candidate(lumen, branches, k, Settings().anatomy)
        for k, branch in enumerate(branches.branches)
        if branch.opening is not None
    ]
    lengths = [c.tube.length_mm for c in found if c.tube is not None]
    assert sorted(searched) == sorted(x for x in lengths if x <= candidates.LONG_MM)
    assert searched
    assert len(searched) < len(lengths)
