"""Veins that branch far from the atrium, as in most tomographies, have their ostia at it."""

from __future__ import annotations

import numpy as np
import pytest
from anatomy.profiles import bare, revolved
from anatomy.test_hard_veins import (
    BAG_MM,
    EDGE_MM,
    LEFT_LOWER,
    LEFT_UPPER,
    RIGHT_LOWER,
    RIGHT_UPPER,
    on_bag,
)
from handmade import circle
from scipy.spatial import cKDTree

from veinfit.anatomy import candidates, find_anatomy
from veinfit.anatomy.branches.branch_sections import BranchSections, walk_tube
from veinfit.anatomy.branches.finding import _twigs, find_branches
from veinfit.anatomy.branches.inscribed import inscribed_spheres
from veinfit.anatomy.branches.join_tree import FAR_OUT_MM, join_tree
from veinfit.anatomy.branches.lumen import Lumen, Wall
from veinfit.anatomy.branches.model import Branch, Branches, Opening
from veinfit.anatomy.branches.paths import PathTree
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.naming.assignment import selections_of
from veinfit.anatomy.naming.features import CandidateFeatures
from veinfit.anatomy.ostium.going_on import goes_on
from veinfit.anatomy.ostium.plane import OstiumFailure
from veinfit.anatomy.ostium.trunks import Trunk, _as_long, _Course, _goes_on
from veinfit.labels import LabelVolume, lumen_input
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.surface.cleaning import clean_surface
from veinfit.vectors import perpendicular_basis, unit

FAR_MM = 34.0
TWIG_MM = 14.0
TAPER = 0.4
TWIG_SHARE = 0.45


def rod(points, begin, end, radius):
    along = unit(end - begin)
    at = np.clip((points - begin) @ along, 0.0, np.linalg.norm(end - begin))
    return np.linalg.norm(points - begin - at[:, None] * along, axis=1) < radius


def atrium_with_twigs(*veins, twig_share=TWIG_SHARE, taper=TAPER):
    """A bag, its veins, and at the end of each two thin branches; no labels."""
    half = np.array([90, 75, 80])
    index = np.indices(2 * half + 1).reshape(3, -1).T
    points = (index - half) * EDGE_MM
    mitral = unit(np.array([0.38, -0.45, -0.80]))
    values = (((points / BAG_MM) ** 2).sum(axis=1) < 1.0) & (points @ mitral < 17.0)
    for _, place, direction, semi_axes, _ in veins:
        axis = unit(np.asarray(direction, dtype=float))
        aside, across = perpendicular_basis(axis)
        d = points - on_bag(place)
        along = d @ axis
        wide = 1.0 - taper * np.clip(along / FAR_MM, 0.0, 1.0)
        round_it = ((d @ aside) / semi_axes[0]) ** 2 + ((d @ across) / semi_axes[1]) ** 2
        values |= (round_it < wide**2) & (along > -15.0) & (along < FAR_MM)
        end = on_bag(place) + (FAR_MM - 4.0) * axis
        for side in (-1.0, 1.0):
            tip = end + TWIG_MM * unit(axis + 0.7 * side * aside)
            values |= rod(points, end, tip, twig_share * semi_axes[1])
    affine = np.diag([EDGE_MM] * 3 + [1.0])
    affine[:3, 3] = -half * EDGE_MM
    return LabelVolume(values.astype(np.uint8).reshape(2 * half + 1), affine)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("twig_share", "taper"),
    [
        (TWIG_SHARE, TAPER),
        # Thin for their vein, or worn by coarse voxels.
        (0.25, 0.1),
    ],
)
def test_a_vein_that_branches_far_out_has_its_ostium_at_the_atrium(twig_share, taper):
    """Profiles from the carina outward to the atrium met the flare of the branches first."""
    veins = (LEFT_UPPER, LEFT_LOWER, RIGHT_UPPER, RIGHT_LOWER)
    settings = Settings()
    read = lumen_input(
        atrium_with_twigs(*veins, twig_share=twig_share, taper=taper), None, settings.surface
    )
    anatomy = find_anatomy(LumenInput(read.surface, resolution_mm=EDGE_MM), settings)
    assert {v.name for v in anatomy.veins} == {v[0] for v in veins}
    for name, place, direction, semi_axes, _ in veins:
        vein = anatomy.vein(name)
        away = vein.ostium.centre - on_bag(place)
        assert abs(away @ unit(np.asarray(direction))) < 6.0
        assert vein.ostium.measures.d_area_mm > 2.0 * semi_axes[1]
        assert len(vein.branches) == 2
        assert vein.trunk_length_mm == pytest.approx(FAR_MM, abs=8.0)


@pytest.mark.parametrize(("common_mm", "sets"), [(30.0, 1), (22.0, 2)])
def test_branches_of_a_vein_that_surely_branches_far_out_are_no_veins(common_mm, sets):
    """Its ostium is known to 5 mm: what is 30 mm long is surely longer than 20, 22 is not."""
    up, out = np.array([0.5, 0.0, 0.85]), np.array([0.7, 0.0, 0.7])
    branches = [CandidateFeatures((k,), up, out, 6.0, True, True, 2.0, None) for k in (0, 1)]
    trunk = CandidateFeatures(
        (0, 1), up, out, 15.0, True, True, 2.0, common_mm, ostium_error_mm=5.0
    )
    chosen = [one for one, _ in selections_of([*branches, trunk], 10.0)]
    assert len(chosen) == sets and (2,) in chosen


def test_of_a_tree_of_branches_the_first_that_parts_far_out_is_kept():
    """Two veins: the second leaves the body, 20 mm from its core, and so parts near to it."""
    join = np.array([0.0, 60.0, 75.0, 90.0, 20.0, 80.0, 70.0])
    joins = [None, 0, 1, 0, 0, 4, 5]
    leaves = range(len(join))
    assert _twigs(leaves, join, joins, 50.0) == {2, 3, 5}
    assert _twigs([0, 1, 2, 4, 5], join, joins, 50.0) == {2}
    assert _twigs(leaves, join, joins, 100.0) == set()


@pytest.mark.slow
def test_an_opening_far_out_along_a_branch_is_the_branchs():
    """Cut open side by side two ends are the farthest places of one branch only."""
    read = lumen_input(atrium_with_twigs(LEFT_UPPER), None, Settings().surface)
    tree = join_tree(inscribed_spheres(clean_surface(read.surface, Settings().surface).surface))
    axis = unit(np.asarray(LEFT_UPPER[2], dtype=float))
    aside, _ = perpendicular_basis(axis)
    end = on_bag(LEFT_UPPER[1]) + (FAR_MM - 4.0) * axis
    way = unit(axis + 0.7 * aside)

    def opened(at_mm):
        centre = end + at_mm * way
        return Opening(centre, way, 4.0, centre[None] + 40.0 * way)

    far = find_branches(tree, [opened(TWIG_MM - 3.0)])
    (one,) = (k for k, b in enumerate(far.branches) if b.opening == 0)
    assert far.branches[one].joins is not None
    assert any(one in part.members for part in far.shared)
    for at_mm, a_branchs in ((-10.0, True), (-20.0, False)):
        near = find_branches(tree, [opened(at_mm)])
        (one,) = (b for b in near.branches if b.opening == 0)
        assert one.depth_mm < near.body_radius_mm + FAR_OUT_MM
        assert (one.joins is not None) == a_branchs


@pytest.mark.parametrize(
    ("diameters_mm", "on"),
    [
        # Twelve mm of a vein as wide as at the ostium.
        ([9.0] * 4 + [10.0] * 13, True),
        # It widens by a branch, and then goes on as it is.
        ([9.0] * 4 + [10.0, 11.5] + [13.0] * 13, True),
        # So it does where a thin branch comes into a vein ...
        ([6.0] * 4 + [6.5, 9.0, 12.0] + [13.0] * 13, True),
        # ... but what is wider than a vein and so much wider is the atrium, however long.
        ([9.0] * 4 + [10.0, 12.0] + [17.0] * 13, False),
        # So is what is too wide for a vein.
        ([18.0] * 4 + [20.0, 22.0] + [25.0] * 13, False),
        # It widens into the atrium.
        ([9.0] * 4 + [10.0 + k for k in range(13)], False),
        # It tapers on and on, slowly ...
        ([9.0] * 4 + [10.0 + 0.2 * k for k in range(24)], True),
        # ... and no slower than an antrum does.
        ([9.0] * 4 + [10.0 + 0.3 * k for k in range(24)], False),
        # Its tube ends here: the atrium begins.
        ([9.0] * 4 + [10.0] * 6, False),
    ],
)
def test_where_a_vein_goes_on_as_narrow_no_ostium_is(diameters_mm, on):
    assert goes_on(tube_of(diameters_mm), across_at_zero(diameters_mm[4])) == on


def test_what_begins_past_an_ostium_tells_nothing_of_it():
    """So does the course of a short common part that runs in the atrium alone."""
    tube, ostium = tube_of([12.0] * 17), across_at_zero(10.0)
    inside = BranchSections(
        tube.centres[4:], tube.areas_mm2[4:], tube.length_mm, tube.wall, tube.path
    )
    assert goes_on(tube, ostium) and not goes_on(inside, ostium)


@pytest.mark.parametrize("turns", [True, False])
def test_walks_that_end_before_the_ostium_of_a_long_vein_do_not_tell_it(monkeypatch, turns):
    """Walks go in for 35 mm from the tip: there they see no more than where the vein tapers.

    Where the wall's turns tell nothing either, it is where the vein's own sections end.
    """
    monkeypatch.setattr(candidates, "is_sharp", lambda ostium: False)
    if not turns:
        monkeypatch.setattr(candidates, "find_ostium", lambda *_, **__: OstiumFailure("as told"))
    vein = lumen_about(thin_mm=(46.0, 7.0), wide_mm=(36.0, 9.0), tip_mm=64.0)
    found = candidates.single_candidate(*vein, 0, Settings().anatomy)
    assert found.ostium.centre[2] < 6.0


def test_a_thin_branch_is_no_rounded_end():
    """What is narrower by half over 20 mm at the tip of a vein belongs to it."""
    lumen, branches = lumen_about(thin_mm=(38.0, 5.0), wide_mm=(34.0, 9.0), tip_mm=62.0)
    tube = walk_tube(lumen, branches.branches[0].path)
    assert tube.centres[0, 2] > 50.0
    assert tube.centres[-1, 2] < 8.0


def test_a_walk_from_a_short_thin_branch_goes_on_in_its_vein():
    """Where it widens by more than any vein's swelling it has not entered the body."""
    lumen, branches = lumen_about(thin_mm=(38.0, 3.0), wide_mm=(34.0, 7.0), tip_mm=46.0)
    tube = walk_tube(lumen, branches.branches[0].path)
    assert tube.centres[0, 2] > 40.0
    assert tube.centres[-1, 2] < 8.0


def lumen_about(thin_mm, wide_mm, tip_mm):
    """A vein about z that opens into a wall at z = 0, and its one branch, which ends blind.

    ``thin_mm`` and ``wide_mm`` are the height and the radius where its taper ends and begins.
    """
    radius = wide_mm[1]
    arc = np.linspace(0.0, np.pi / 2, 12)[:-1]
    ring = np.stack([radius + 5.0 * (1 - np.sin(arc)), 5.0 * (1 - np.cos(arc))], axis=1)
    plate = np.stack([np.arange(45.0, radius + 5.2, -0.5)] * 2, axis=1) * [1.0, 0.0]
    up = np.arange(5.0, tip_mm, 0.5)
    heights, radii = zip(wide_mm, thin_mm, strict=True)
    below_tip = np.clip(1.0 - (tip_mm - up) / thin_mm[1], 0.0, 1.0)
    wide = np.interp(up, heights, radii) * np.sqrt(1.0 - below_tip**2)
    wall = bare(revolved(np.concatenate([plate, ring, np.stack([wide, up], axis=1)])))
    path = np.outer(np.arange(-20.0, tip_mm, 0.5), [0.0, 0.0, 1.0])
    branch = Branch(path[-1], path, tip_mm, 0.0, tip_mm + 20.0, None, None)
    paths = PathTree(path, np.arange(-1, len(path) - 1), cKDTree(path), 0.5)
    return Lumen(wall, (), 100.0), Branches(path[0], 20.0, (branch,), (), paths)


def test_where_another_course_of_a_common_part_goes_on_no_ostium_is():
    """A course that left its part at a bend saw the flare of a branch there."""
    short, long = tube_of([9.0] * 4 + [10.0] * 6), tube_of([9.0] * 4 + [10.0] * 17)
    trunk = Trunk(short, across_at_zero(10.0), (), 8.0, 1.0)
    assert not _goes_on([short], trunk)
    assert _goes_on([short, long], trunk)


def tube_of(diameters_mm):
    """A straight tube along z with sections every mm, the first 3.5 mm above zero."""
    z = 3.5 - np.arange(len(diameters_mm), dtype=float)
    centres = z[:, None] * np.array([0.0, 0.0, 1.0])
    nothing = Wall(Surface(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)), np.zeros(0, dtype=bool))
    areas = np.pi / 4.0 * np.array(diameters_mm) ** 2
    return BranchSections(centres, areas, float(z[0] - z[-1]), nothing, centres)


def across_at_zero(diameter_mm):
    contour, measures = circle((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), diameter_mm)
    normal = np.array([0.0, 0.0, 1.0])
    return Ostium(np.zeros(3), normal, contour, measures, contour.points, 0.2, 5.0, 0.5)


def test_beside_a_long_course_one_that_left_it_tells_nothing():
    def course(length_mm):
        centres = np.arange(length_mm, 0.0, -1.0)[:, None] * np.array([0.0, 0.0, 1.0])
        wall = Wall(Surface(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)), np.zeros(0, dtype=bool))
        areas = np.full(len(centres), 80.0)
        tube = BranchSections(centres, areas, length_mm, wall, centres)
        return _Course(tube, centres[0], np.array([0.0, 0.0, 1.0]))

    long, bent, shorter = course(30.0), course(8.0), course(22.0)
    assert _as_long([long, bent]) == [long]
    assert _as_long([shorter, long]) == [shorter, long]
