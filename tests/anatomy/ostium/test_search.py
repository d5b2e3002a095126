"""How a search for an ostium goes on from one plane to the next."""

from __future__ import annotations

import numpy as np
from anatomy.profiles import bare, filleted_tube

from veinfit.anatomy.branches.branch_sections import BranchSections
from veinfit.anatomy.model import Evidence
from veinfit.anatomy.ostium import search
from veinfit.anatomy.ostium.certainty import ostium_error_mm
from veinfit.anatomy.ostium.half_turn import HalfTurn
from veinfit.anatomy.ostium.sections import where_it_ends
from veinfit.settings import Settings

Z = np.array([0.0, 0.0, 1.0])


def test_of_a_stub_a_plane_that_goes_toward_the_atrium_does_not_take_the_start_along(monkeypatch):
    heights = np.arange(24.0, -0.5, -1.0)
    centres = np.outer(heights, Z)
    tube = BranchSections(centres, np.full(25, 600.0), 24.0, bare(filleted_tube(8.0, 6.0)), centres)
    starts = []
    ring = np.stack([8.0 * np.cos(np.arange(36)), 8.0 * np.sin(np.arange(36))], axis=1)

    def deeper(wall, origin, axis, start, sectors):
        """Half turns 5 mm nearer to the atrium than the last, as folds of its wall make them."""
        starts.append(float((origin + start * axis)[2]))
        height = 10.0 - 5.0 * len(starts)
        return [HalfTurn(np.array([x, y, height]), 0.0, 90.0, 1.0) for x, y in ring]

    monkeypatch.setattr(search, "half_turns", deeper)
    s = 24.0 - heights
    found = search._Search(tube, s, Settings().anatomy, 0.75).follow(14.0)
    assert found.plane.centre[2] < -10.0
    assert min(starts) >= starts[0] - 1e-6


def test_the_bound_grows_with_an_unusual_width():
    evidence = Evidence(1.0, 6.0, 1.0, 0.8, 1.0)
    usual = ostium_error_mm(evidence, 15.0)
    assert ostium_error_mm(evidence, 30.0) == 1.5 * usual
    assert ostium_error_mm(evidence, 19.0) == usual


def test_where_all_starts_lie_in_a_tapering_tip_the_search_goes_on_past_them(monkeypatch):
    heights = np.arange(24.0, 0.5, -1.0)
    centres = np.outer(heights, Z)
    wall = bare(filleted_tube(8.0, 5.0))
    tube = BranchSections(centres, np.full(24, np.pi * 64.0), 23.0, wall, centres)
    usual, _ = search.find_ostium(tube, Settings().anatomy)
    follow = search._Search.follow
    tried = []

    def none_in_the_tip(self, at):
        tried.append(at)
        return follow(self, at) if at > 8.0 else search._too_few(2, 36)

    monkeypatch.setattr(search, "_starts", lambda tube, s: [2.0, 3.0])
    monkeypatch.setattr(search._Search, "follow", none_in_the_tip)
    found, _ = search.find_ostium(tube, Settings().anatomy)
    assert tried[:2] == [2.0, 3.0]
    assert max(tried) < 23.0
    assert np.linalg.norm(found.centre - usual.centre) < 0.02


def test_where_the_vein_goes_on_past_all_that_starts_lead_to_those_past_them_are_tried(monkeypatch):
    """As beside a branch: where it comes in the wall turns, and then goes on as a vein's."""
    heights = np.arange(24.0, 0.5, -1.0)
    centres = np.outer(heights, Z)
    wall = bare(filleted_tube(8.0, 5.0))
    tube = BranchSections(centres, np.full(24, np.pi * 64.0), 23.0, wall, centres)
    asked = []

    def past_the_first(tube, ostium):
        asked.append(ostium)
        return len(asked) == 1

    usual, _ = search.find_ostium(tube, Settings().anatomy)
    monkeypatch.setattr(search, "_starts", lambda tube, s: [12.0])
    monkeypatch.setattr(search, "goes_on", past_the_first)
    found, _ = search.find_ostium(tube, Settings().anatomy)
    assert len(asked) > 1
    assert np.linalg.norm(found.centre - usual.centre) < 0.02
    monkeypatch.setattr(search, "goes_on", lambda tube, ostium: True)
    assert isinstance(search.find_ostium(tube, Settings().anatomy), search.OstiumFailure)


def test_what_else_fails_ends_where_its_sections_do():
    centres = np.outer(np.arange(24.0, 2.5, -1.0), Z)
    wall = bare(filleted_tube(8.0, 5.0))
    tube = BranchSections(centres, np.full(22, np.pi * 64.0), 21.0, wall, centres)
    ostium, (note,) = where_it_ends(tube)
    assert np.linalg.norm(ostium.centre - 3.0 * Z) < 0.05
    assert ostium.normal @ Z > 0.9999
    assert ostium.kind == "separation" and ostium.error_mm > 4.0
    assert note.severity == "caution"
    outside = BranchSections(centres + 90.0, tube.areas_mm2, 21.0, wall, centres)
    assert where_it_ends(outside) is None
