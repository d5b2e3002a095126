"""Ostia in the middle of those on perturbed walls."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from atria import atrium
from scipy.spatial.transform import Rotation

from veinfit import Settings
from veinfit.anatomy import find, perturbed_walls
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.perturbed_walls import LOOSE_MM, SURE_MM, middle_of, middle_share
from veinfit.surface.contours import passes


def test_one_place_far_off_pulls_no_more_than_one_that_is_near():
    near = np.array([[0.0, 0.0, 0.0], [0.4, 0.0, 0.0], [0.0, 0.4, 0.0], [0.0, 0.0, 0.4]])
    middles = [middle_of(np.vstack([near, [[x, 0.0, 0.0]]]))[0] for x in (10.0, 20.0)]
    assert np.linalg.norm(middles[0] - near.mean(axis=0)) < 0.5
    assert np.linalg.norm(middles[1] - middles[0]) < 0.05


def test_of_places_nearer_than_a_millimetre_the_mean_counts():
    points = np.random.default_rng(3).normal(0.0, 0.1, (7, 3))
    middle, weights = middle_of(points)
    assert np.allclose(middle, points.mean(axis=0), atol=0.01)
    assert weights.sum() == pytest.approx(1.0)


def test_the_middle_turns_with_the_places():
    points = np.random.default_rng(4).normal(0.0, 3.0, (7, 3))
    turn = Rotation.from_rotvec([0.3, -0.2, 0.5]).as_matrix()
    assert np.allclose(middle_of(points @ turn.T)[0], turn @ middle_of(points)[0], atol=1e-6)


@pytest.fixture(scope="module")
def runs():
    """What is found of a short-veined atrium: ``in_the_middle``'s veins, and before and after."""
    seen = {}

    def watched(lumen, spheres, branches, candidates, veins, settings):
        after = perturbed_walls.in_the_middle(lumen, spheres, branches, candidates, veins, settings)
        seen.update(veins=veins, before=candidates, after=after, branches=branches)
        return after

    patch = pytest.MonkeyPatch()
    patch.setattr(find, "in_the_middle", watched)
    with patch.context():
        find.find_anatomy(LumenInput(atrium("four", 3).open_surface(1.6)), Settings())
    patch.undo()
    return seen


def test_what_is_sure_stays_and_what_is_not_moves(runs):
    sure, moved = [], []
    for k in runs["veins"].values():
        before, after = runs["before"][k], runs["after"][k]
        if before.ostium is None:
            continue
        if before.ostium.error_mm <= SURE_MM or len(before.members) > 1:
            assert after is before
            sure.append(k)
        else:
            off = np.linalg.norm(after.ostium.centre - before.ostium.centre)
            assert off <= before.ostium.error_mm
            assert after.ostium.error_mm == before.ostium.error_mm
            moved.append(off)
    assert sure
    assert max(moved) > 0.05


def test_no_ostium_takes_in_a_vein_that_it_did_not(runs):
    paths = {
        n: [runs["branches"].branches[m].path for m in runs["after"][k].members]
        for n, k in runs["veins"].items()
    }
    for name, k in runs["veins"].items():
        for when in ("before", "after"):
            ostium = runs[when][k].ostium
            if ostium is None or len(runs["after"][k].members) > 1:
                continue
            plane = ostium.contour.points, ostium.centre, ostium.normal
            assert not any(passes(p, *plane) for n in paths if n != name for p in paths[n])


def test_the_share_grows_with_the_bound(runs):
    ostium = next(o for c in runs["before"] if (o := c.ostium) is not None)
    bounds = [SURE_MM - 1.0, SURE_MM, 0.5 * (SURE_MM + LOOSE_MM), LOOSE_MM, LOOSE_MM + 3.0]
    shares = [middle_share(replace(ostium, error_mm=bound)) for bound in bounds]
    assert shares == pytest.approx([0.0, 0.0, 0.5, 1.0, 1.0])


def test_what_lies_farther_off_than_the_bound_does_not_count(runs):
    candidate = next(
        c for c in runs["before"] if c.ostium is not None and c.ostium.error_mm > SURE_MM
    )
    own = candidate.ostium

    def away(share):
        centre = own.centre + share * own.error_mm * own.normal
        return replace(candidate, ostium=replace(own, centre=centre))

    far = perturbed_walls._moved(candidate, [away(-1.5)] * 4, [])
    assert far.perturbed == ()
    assert np.linalg.norm(far.ostium.centre - own.centre) < 0.01
    near = perturbed_walls._moved(candidate, [away(-0.2)] * 4, [])
    assert len(near.perturbed) == 4
    assert np.linalg.norm(near.ostium.centre - own.centre) > 0.01
