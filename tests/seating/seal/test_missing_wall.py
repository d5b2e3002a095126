"""Missing wall: verdicts that it cannot change stand, others are not given."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seating.phantoms import (
    Phantom,
    as_phantom,
    ellipse,
    hole,
    revolve,
    rounded,
    rounded_hole,
    walk,
)
from seating.test_seat import with_hole

from veinfit.seating.balloon import sphere
from veinfit.seating.patch import wall_patch
from veinfit.seating.seal.missing_wall import (
    MissingWall,
    in_play,
    separation,
    settled,
    wall_before,
)
from veinfit.seating.seal.reduced import reduce_wall
from veinfit.seating.seat import seat_vein
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.surface.mesh import edges
from veinfit.surface.openings import boundary_loops, cap_loops

SETTINGS = SeatingSettings(growth_what_if_mm=0.0)
ROUNDED = rounded_hole(8.0, 4.0, edge_mm=1.0, plate_mm=26.0, tube_mm=22.0)


def seat(phantom, diameter=28.0, settings=SETTINGS):
    return seat_vein(phantom.anatomy, phantom.vein, [sphere(diameter)], settings)[0]


def said_missing(fit):
    return [note.text for note in fit.notes if "wall is missing" in note.text]


class Strip:
    """A chain of nodes from the vein's end 0 to the atrium's, with missing wall along it."""

    def __init__(self, count, *missing, vein=(0,), atrium=None):
        self.node_count = count
        self.links = np.stack([np.arange(count - 1), np.arange(1, count)], axis=1)
        self.vein_nodes = np.array(vein)
        self.atrium_nodes = np.array([count - 1] if atrium is None else atrium)
        self.missing = tuple(
            MissingWall(kind, kind, np.array(rim), np.array(rim), np.zeros((1, 3)))
            for kind, rim in missing
        )


def test_many_balloons_are_settled_where_both_verdicts_of_each_are_known(rng):
    """A ladder of two rails, with a hole between and wall that ends along both its ends."""
    count = 24
    rail = np.arange(count // 2)
    strip = Strip(count, ("vein", rail[:2]), ("atrium", rail[-2:]), ("hole", [4, 5, 17, 18]))
    strip.links = np.concatenate(
        [
            np.stack([rail[:-1], rail[1:]], axis=1),
            np.stack([rail[:-1], rail[1:]], axis=1) + count // 2,
            np.stack([rail, rail + count // 2], axis=1),
        ]
    )
    strip.vein_nodes, strip.atrium_nodes = rail[[0]], rail[[-1]]
    gap = rng.uniform(-1.0, 1.0, (400, count))
    past = rng.uniform(0.0, 0.5, (400, 3))
    cold = rng.random((400, count)) < 0.8
    told = settled(strip, gap, past, cold)
    wanted = [
        all(separation(strip, closed, g, p).known for closed in (g <= 0.0, (g <= 0.0) & c))
        for g, p, c in zip(gap, past, cold, strict=True)
    ]
    assert told.tolist() == wanted
    assert True in wanted and False in wanted


def parted(strip, open_mm, past=0.0):
    open_mm = np.array(open_mm, dtype=float)
    found = separation(strip, open_mm <= 0.0, open_mm, np.full(len(strip.missing), past))
    return found.if_open, found.if_closed


def test_without_missing_wall_there_is_one_verdict():
    assert parted(Strip(4), [1.0, 1.0, -1.0, 1.0]) == (True, True)
    assert parted(Strip(4), [1.0, 1.0, 0.1, 1.0]) == (False, False)


def test_a_hole_across_the_contact_decides():
    across = Strip(5, ("hole", [1, 2, 3]))
    assert parted(across, [1.0, 1.0, -1.0, 1.0, 1.0]) == (False, True)
    within = Strip(5, ("hole", [2]))
    assert parted(within, [1.0, 1.0, -1.0, 1.0, 1.0]) == (True, True)
    assert parted(across, [1.0, 1.0, 1.0, 1.0, 1.0]) == (False, False), "clear of the balloon"


def test_a_vein_that_is_cut_off_within_the_contact_may_be_closed_farther_on():
    cut = Strip(5, ("vein", [0, 1]), vein=(0, 1))
    assert parted(cut, [-1.0, 1.0, 1.0, 1.0, 1.0]) == (False, False), (
        "the rim's open point is farther from the balloon than any wall past it could close"
    )
    assert parted(cut, [-1.0, 0.3, 1.0, 1.0, 1.0], past=0.5) == (False, True)
    assert parted(cut, [-1.0, 1.0, -1.0, 1.0, 1.0]) == (True, True)


def test_an_open_mitral_side_that_the_contact_meets():
    side = Strip(5, ("atrium", [1, 2]), atrium=[1, 2, 4])
    # The rim's open point is atrium: what lies past it is open by definition.
    assert parted(side, [1.0, 1.0, -1.0, 1.0, 1.0]) == (False, False)
    # ... but it might close where the balloon reaches past the rim.
    assert parted(side, [1.0, 0.3, -1.0, 1.0, 1.0], past=0.5) == (False, True)


def test_a_rim_is_in_play_where_wall_at_45_degrees_would_touch():
    wall = MissingWall("a", "hole", np.array([0, 1]), np.array([0, 1]), np.zeros((1, 3)))
    assert in_play([wall], np.array([0.0, 3.0]), np.array([0.0])) == (True,)
    assert in_play([wall], np.array([1.0, 3.0]), np.array([0.9])) == (False,)
    assert in_play([wall], np.array([1.0, 3.0]), np.array([1.0])) == (True,)


def test_a_wide_opening_of_the_atrium_is_not_closed_from_its_rim():
    """A balloon may reach far past the mitral plane without touching what is beside it."""
    wall = MissingWall("a", "atrium", np.array([0, 1]), np.array([0, 1]), np.zeros((1, 3)))
    assert in_play([wall], np.array([2.1, 13.0]), np.array([15.0])) == (False,)
    assert in_play([wall], np.array([1.9, 13.0]), np.array([15.0])) == (True,)
    around = Strip(4, ("atrium", [3]))
    assert parted(around, [1.0, 1.0, 1.0, 13.0], past=15.0) == (False, False)


def test_contact_up_to_the_cut_end_all_round_seals():
    short = rounded_hole(8.0, 2.0, edge_mm=0.7, plate_mm=26.0, tube_mm=2.5)
    fit = seat(short)
    assert fit.outcome == "seated"
    assert fit.sealed and fit.occluded
    (text,) = said_missing(fit)
    assert "the end of LSPV" in text
    whole = seat(rounded_hole(8.0, 2.0, edge_mm=0.7, plate_mm=26.0, tube_mm=22.0))
    assert fit.depth_mm == pytest.approx(whole.depth_mm, abs=0.05)


def test_a_leak_stands_although_the_contact_meets_the_cut_end():
    stiff = replace(
        SETTINGS,
        ring_stiffness_kpa_per_mm=1e5,
        body_stiffness_kpa_per_mm=1e5,
        shape_stiffness_n_per_mm=1e12,
    )
    fit = seat(hole(10.0, ratio=0.55, plate_mm=26.0, tube_mm=0.8), settings=stiff)
    assert fit.outcome == "seated"
    assert not fit.occluded and not fit.sealed
    # Sphere on an elliptical hole: √(a² + R² − b²) − R.
    assert fit.leak_width_mm == pytest.approx(np.sqrt(100 + 14**2 - 5.5**2) - 14.0, abs=0.2)
    assert any("the end of LSPV" in text for text in said_missing(fit))


@pytest.mark.parametrize(("size", "assessed"), [(1.6, True), (4.5, False)])
def test_a_hole_matters_only_where_it_reaches_across_the_contact(size, assessed):
    place = seat(ROUNDED).clock[0].sealing_depth_mm
    fit = seat(with_hole(ROUNDED, np.array([0.0, 9.5, -place]), size))
    assert fit.centre is not None
    assert fit.depth_mm is not None
    if assessed:
        assert fit.sealed
        (text,) = said_missing(fit)
        assert "a hole of 4 mm on the posterior side" in text
    else:
        assert fit.outcome == "not assessed"
        assert fit.reason.startswith("missing wall decides whether the vein is sealed: a hole of")
        assert fit.occluded is fit.sealed is None
        assert fit.leaks == ()


def closed_at_the_mitral_side(plate_mm, lid=True):
    """A plate cut close to the ostium by the program; the input goes on to 40 mm."""
    arc = rounded(8.0, 4.0, 0.7)
    whole = np.vstack(
        [
            walk([(8.0, -20.0), tuple(arc[0])], 0.8)[:-1],
            arc[:-1],
            walk([(12.0, 0.0), (40.0, 0.0)], 1.0),
        ]
    )
    given = revolve(whole, sectors=72)
    kept = int((whole[:, 0] <= plate_mm).sum()) if lid else len(whole)
    n = 72
    near = (given.faces < kept * n).all(axis=1)
    wall = Surface(given.points[: kept * n], given.faces[near])
    phantom = as_phantom(wall, ellipse(12.0, 12.0))
    ordered = Surface(given.points, np.concatenate([given.faces[near], given.faces[~near]]))
    return Phantom(replace(phantom.anatomy, given_wall=ordered), phantom.vein)


def test_wall_that_the_program_cut_off_is_wall():
    phantom = closed_at_the_mitral_side(14.0)
    wall, ends = wall_before(phantom.anatomy, phantom.vein)
    assert len(wall.faces) == len(phantom.anatomy.given_wall.faces)
    assert np.linalg.norm(wall.points[ends], axis=1) == pytest.approx(40.0), (
        "the atrium ends at the far side of what was cut off"
    )
    fit, whole = seat(phantom), seat(closed_at_the_mitral_side(40.0, lid=False))
    assert fit.sealed and whole.sealed
    assert not said_missing(fit)
    assert fit.depth_mm == pytest.approx(whole.depth_mm, abs=1e-6)
    assert fit.contact_area_mm2 == pytest.approx(whole.contact_area_mm2, rel=1e-6)


def test_the_lid_of_the_vein_itself_is_no_wall():
    open_wall = hole(9.0, edge_mm=1.0, plate_mm=30.0, tube_mm=4.0)
    loops = boundary_loops(open_wall.anatomy.wall)
    own = min(loops, key=lambda loop: open_wall.anatomy.wall.points[loop, 2].mean())
    given, _ = cap_loops(open_wall.anatomy.wall, [own])
    phantom = Phantom(replace(open_wall.anatomy, given_wall=given), open_wall.vein)
    wall, _ = wall_before(phantom.anatomy, phantom.vein)
    assert len(wall.faces) == len(open_wall.anatomy.wall.faces)
    assert len(wall.points) == len(open_wall.anatomy.wall.points)
    assert seat(phantom).depth_mm == seat(open_wall).depth_mm


def test_the_lid_of_a_neighbour_is_wall_and_its_middle_is_atrium():
    open_wall = hole(9.0, edge_mm=1.0, plate_mm=30.0, tube_mm=20.0)
    wall = open_wall.anatomy.wall
    rim = max(boundary_loops(wall), key=lambda loop: wall.points[loop, 2].mean())
    given, _ = cap_loops(wall, [rim])
    other = replace(open_wall.vein, name="LIPV", end_rims=(rim,))
    anatomy = replace(
        open_wall.anatomy, given_wall=given, veins=(open_wall.vein, other), mitral=None
    )
    surface, ends = wall_before(anatomy, open_wall.vein)
    assert len(surface.faces) == len(given.faces)
    assert len(ends) == 1
    assert ends[0] < len(surface.points)


def test_a_patch_knows_the_rims_within_it_and_the_reduced_wall_keeps_them():
    patch = wall_patch(ROUNDED.anatomy, ROUNDED.vein, 14.0, SETTINGS)
    names = {wall.name: wall for wall in patch.missing}
    assert set(names) == {"the end of LSPV", "the mitral side"}
    end = names["the end of LSPV"]
    assert end.kind == "vein"
    pairs, _, counts = edges(patch.surface)
    assert np.isin(end.rim, pairs[counts == 1]).all()
    assert np.allclose(patch.surface.points[end.rim, 2], -22.0)
    assert np.allclose(end.cap[:, 2], -22.0)
    assert np.linalg.norm(end.cap[:, :2], axis=1).max() < 8.0
    near = patch.surface.points[:, 2] < -15.0
    reduced = reduce_wall(patch, near)
    kept = {wall.name: wall for wall in reduced.missing}["the end of LSPV"]
    assert np.array_equal(reduced.kept[kept.rim], end.rim)
    assert kept.nodes.max() < reduced.node_count
    assert len({wall.name: wall for wall in reduced.missing}["the mitral side"].rim) == 0
