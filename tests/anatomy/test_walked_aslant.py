"""Walks into stubs of known shape: which way they go, and where an ostium is not the vein's."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from anatomy.profiles import bare, filleted_tube, revolved
from handmade import circle

from veinfit.anatomy.branches.branch_sections import BranchSections
from veinfit.anatomy.branches.widening import Widening, widening
from veinfit.anatomy.candidates import Candidate, runs_aslant
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.ostium.plane import OstiumFailure
from veinfit.anatomy.walked_aslant import is_in_atrium, left_a_bend, lies_past, walked_in

Z = np.array([0.0, 0.0, 1.0])


def leaning(angle_deg):
    angle = np.radians(angle_deg)
    return np.array([np.sin(angle), 0.0, np.cos(angle)])


def walk(length, line_deg, cut_deg):
    """Walk into a tube of 16 mm with a fillet of 5 mm that was cut ``length`` mm from its wall."""
    end = np.array([0.0, 0.0, length])
    wall = bare(filleted_tube(8.0, 5.0, length=30.0))
    return walked_in(wall, (end, leaning(line_deg)), (end, leaning(cut_deg)), None, ())


@pytest.mark.parametrize("aslant_deg", [45.0, 60.0])
def test_a_stub_is_walked_square_to_its_cut_where_its_middles_run_aslant(aslant_deg):
    line, walked = walk(9.0, aslant_deg, 0.0)
    assert line[1] == pytest.approx(Z)
    assert walked.diameters_mm[0] == pytest.approx(16.0, rel=0.02)


@pytest.mark.parametrize("oblique_deg", [15.0, 30.0, 45.0])
def test_an_oblique_cut_turns_no_walk_along_the_vein(oblique_deg):
    line, walked = walk(9.0, 0.0, oblique_deg)
    assert line[1] == pytest.approx(Z)
    assert walked.diameters_mm[0] == pytest.approx(16.0, rel=0.02)


def test_the_flat_tip_of_a_rounded_end_turns_no_walk():
    """A vein of 16 mm, rounded off over its last 5 mm, with a flat of 8 mm at its tip."""
    up = np.arange(5.0, 25.1, 0.5)
    radius = np.where(
        up < 20.0, 8.0, 4.0 + np.sqrt(np.maximum(16.0 - (up - 20.0) ** 2 * 0.64, 0.0))
    )
    arc = np.linspace(0.0, np.pi / 2, 12)[:-1]
    ring = np.stack([13.0 - 5.0 * np.sin(arc), 5.0 * (1.0 - np.cos(arc))], axis=1)
    plate = np.stack([np.arange(40.0, 13.2, -0.5), np.zeros(54)], axis=1)
    wall = bare(revolved(np.concatenate([plate, ring, np.stack([radius, up], axis=1)])))
    middles = np.array([0.0, 0.0, 20.0]), leaning(45.0)
    line, _ = walked_in(wall, middles, (np.array([0.0, 0.0, 25.0]), Z), None, ())
    assert line[1] == pytest.approx(leaning(45.0))


def with_a_knot(knot, neck):
    """A vein of 9 mm that widens to a knot where a branch comes in, narrows, and then opens.

    The knot lies at z = 15, the neck at 8 to 5; the wall of the atrium at z = 0.
    """
    height = np.array([30.0, 22.0, 15.0, 8.0, 5.0])
    up = np.arange(5.0, 30.1, 0.5)
    radius = np.interp(up, height[::-1], np.array([4.5, 4.5, knot, neck, neck])[::-1])
    arc = np.linspace(0.0, np.pi / 2, 12)[:-1]
    ring = np.stack([neck + 5.0 * (1 - np.sin(arc)), 5.0 * (1 - np.cos(arc))], axis=1)
    wall = np.arange(40.0, neck + 5.2, -0.5)
    plate = np.stack([wall, np.zeros_like(wall)], axis=1)
    return bare(revolved(np.concatenate([plate, ring, np.stack([radius, up], axis=1)])))


def test_where_a_vein_narrows_again_its_ostium_lies_farther_in():
    walked = widening(with_a_knot(8.5, 7.0), np.array([0.0, 0.0, 29.5]), Z, ())
    assert walked.centres[walked.waist_index(), 2] == pytest.approx(6.5, abs=2.0)
    # Half of the fillet's turn lies at 0.3 of its radius, less for what parts early.
    assert 0.5 <= walked.centres[walked.gradient_index(), 2] <= 3.5


def test_a_vein_that_only_widens_has_no_waist():
    assert widening(with_a_knot(5.5, 7.0), np.array([0.0, 0.0, 29.5]), Z, ()).waist_index() is None


def ostium(height, d_mm):
    contour, measures = circle((0.0, 0.0, height), Z, d_mm)
    points = contour.points
    return Ostium(np.array([0.0, 0.0, height]), Z, contour, measures, points, 0.2, 0.6, 0.9), ()


def test_an_ostium_before_the_waist_is_a_branch_s():
    walked = widening(with_a_knot(8.5, 7.0), np.array([0.0, 0.0, 29.5]), Z, ())
    waist = walked.waist_index()
    assert lies_past(ostium(18.0, 14.0), walked, waist)
    assert not lies_past(ostium(1.5, 16.0), walked, waist)
    assert not lies_past(OstiumFailure("none"), walked, waist)


def test_an_ostium_wider_than_any_vein_and_than_twice_its_stub_is_the_atrium():
    walked = widening(bare(filleted_tube(7.0, 5.0)), np.array([0.0, 0.0, 24.0]), Z, ())
    assert is_in_atrium(ostium(-10.0, 36.0), walked)
    assert not is_in_atrium(ostium(0.0, 29.0), walked)
    wide = widening(bare(filleted_tube(9.0, 5.0)), np.array([0.0, 0.0, 24.0]), Z, ())
    assert not is_in_atrium(ostium(0.0, 36.0), wide)


@pytest.mark.parametrize(
    ("first_mm", "ostium_mm", "opening", "aslant"),
    [
        (18.0, 22.0, None, False),
        (29.0, 30.0, None, True),
        (19.0, 49.5, None, True),
        (19.0, 49.5, 0, False),  # at a cut the walk starts square to it
    ],
)
def test_no_vein_starts_or_opens_so_wide_from_a_rounded_tip(first_mm, ostium_mm, opening, aslant):
    # Single veins reach 30 mm (Cronin et al., Acad Radiol 2007).
    areas = np.full(5, np.pi / 4.0 * first_mm**2)
    line = np.arange(5)[:, None] * -Z
    tube = BranchSections(line, areas, 4.0, bare(filleted_tube(8.0, 5.0)), line)
    branches = SimpleNamespace(branches=[SimpleNamespace(opening=opening)])
    candidate = Candidate((0,), tube, ostium(0.0, ostium_mm)[0], None, "", ())
    assert runs_aslant(candidate, branches) == aslant


@pytest.mark.parametrize(("opening", "aslant"), [(None, True), (0, False)])
def test_a_rounded_stub_whose_walk_shows_no_ostium_may_have_been_walked_aslant(opening, aslant):
    line = np.arange(5)[:, None] * -Z
    tube = BranchSections(line, np.full(5, 300.0), 4.0, bare(filleted_tube(8.0, 5.0)), line)
    branches = SimpleNamespace(branches=[SimpleNamespace(opening=opening)])
    assert runs_aslant(Candidate((0,), tube, None, None, "none", ()), branches) == aslant


def parted_at(height, d_mm):
    """A walk down the z axis from 20 mm that ends, its sections still alike, at a height."""
    middles = np.outer(np.arange(20.0, height - 0.1, -0.5), Z)
    return Widening(np.tile(Z, (len(middles), 1)), middles, np.full(len(middles), d_mm), [], True)


@pytest.mark.parametrize(
    ("ends_at", "tube_mm", "bend"),
    [
        (10.0, lambda z: 14.0 + 0.0 * z, True),  # the tube goes on as wide as before
        (10.0, lambda z: np.where(z < 10.0, 17.0, 14.0), False),  # it widens: they may have parted
        (2.0, lambda z: 14.0 + 0.0 * z, False),  # the tube ends there too
    ],
)
def test_a_walk_that_ends_where_its_tube_goes_on_has_left_a_bend(ends_at, tube_mm, bend):
    z = np.arange(20.0, 0.5, -1.0)
    centres = np.outer(z, Z)
    tube = BranchSections(centres, np.pi / 4.0 * tube_mm(z) ** 2, 19.0, None, centres)
    assert left_a_bend(parted_at(ends_at, 14.0), tube) == bend
