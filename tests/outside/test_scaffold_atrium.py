"""The outside atrium is what the other checks take it for.

Stated numbers are the scaffold's own parameters (scaffoldmaker 0.21, heart
atria scaffold, "Human 1").
"""

from __future__ import annotations

import sys

import numpy as np
import pytest
from outside.scaffold_atrium import (
    APPENDAGE,
    BODY,
    LEFT_VEINS,
    LONG_TUBES_MM,
    RIGHT_VEINS,
    ScaffoldAtrium,
    closed_with_caps,
    left_atrium,
    perimeter_mm,
    scaffold_atrium,
)
from scipy.sparse.csgraph import connected_components

from veinfit.surface.mesh import (
    edge_graph,
    edges,
    enclosed_volume,
    face_areas,
    face_normals,
    total_area,
)
from veinfit.vectors import angle_deg

WALL_MM = 1.6
"""Stated thickness of the atrial free wall: 0.02 of the unit scale."""


@pytest.fixture(scope="module", params=[None, LONG_TUBES_MM], ids=["own tubes", "long tubes"])
def atrium(request: pytest.FixtureRequest) -> ScaffoldAtrium:
    return scaffold_atrium(ostium_length_mm=request.param)


def test_surface_is_one_sheet_open_at_four_veins_and_the_mitral_rim(atrium):
    surface = atrium.surface
    pairs, _, counts = edges(surface)
    assert counts.max() == 2
    assert connected_components(edge_graph(surface))[0] == 1

    boundary = pairs[counts == 1]
    rims, rim_of_vertex = np.unique(boundary, return_inverse=True)
    assert np.all(np.bincount(rim_of_vertex.ravel()) == 2)  # no two rims touch
    assert len(boundary) == len(rims)
    loops = [*(vein.end_mm for vein in atrium.veins), atrium.mitral_mm]
    assert sum(map(len, loops)) == len(boundary)

    # a sphere with five holes and no handle: V − E + F = 2 − 5
    euler = len(surface.points) - len(pairs) + len(surface.faces)
    assert euler == 2 - len(loops) == -3
    assert face_areas(surface).min() > 1e-6


def test_faces_wind_one_way_and_outward(atrium):
    half = atrium.surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    assert len(np.unique(half, axis=0)) == len(half)
    closed = closed_with_caps(atrium)
    assert edges(closed)[2].tolist() == [2] * len(edges(closed)[2])
    assert enclosed_volume(closed) > 0
    # vein walls face away from the line between the tube's end and its ring
    for vein in atrium.veins:
        near = vein.end_centre_mm - 1.0 * vein.end_axis
        centroid = atrium.surface.points[atrium.surface.faces].mean(axis=1)
        close = np.linalg.norm(centroid - near, axis=1) < 0.6 * vein.inner_diameter_mm
        outward = np.sum(face_normals(atrium.surface) * (centroid - near), axis=1)[close]
        assert close.sum() > 20
        assert np.all(outward > 0)


def test_vein_ends_are_plane_circles_of_the_stated_diameter(atrium):
    assert [vein.name for vein in atrium.veins] == ["LSPV", "LIPV", "RSPV", "RIPV"]
    assert [vein.inner_diameter_mm for vein in atrium.veins] == pytest.approx([8.8, 8.8, 9.6, 9.6])
    for vein in atrium.veins:
        spoke = vein.end_mm - vein.end_centre_mm
        assert np.abs(spoke @ vein.end_axis).max() < 1e-6
        # cubic arcs through points on the circle stay inside it, chords more so
        measured = 2 * np.linalg.norm(spoke, axis=1)
        assert 0.997 * vein.inner_diameter_mm < measured.min()
        assert measured.max() < 1.0001 * vein.inner_diameter_mm
        assert 0.998 < measured.mean() / vein.inner_diameter_mm < 1.0
        assert 0.997 < perimeter_mm(vein.end_mm) / np.pi / vein.inner_diameter_mm < 1.0


@pytest.mark.slow
def test_vein_diameter_and_tube_length_follow_the_request():
    wide = scaffold_atrium(ostium_length_mm=20.0, vein_diameter_mm=12.0)
    own, long = scaffold_atrium(), scaffold_atrium(ostium_length_mm=LONG_TUBES_MM)
    for a, b, c in zip(own.veins, long.veins, wide.veins, strict=True):
        assert a.tube_length_mm == pytest.approx(3.2)
        assert perimeter_mm(c.end_mm) / np.pi == pytest.approx(12.0, rel=3e-3)
        # arcs of one bend from one root: their ends lie on one chord, at half the bend
        half_bend = np.radians(a.bend_deg) / 2
        assert a.bend_deg == pytest.approx(10.0)
        added = b.end_centre_mm - a.end_centre_mm
        chord = (LONG_TUBES_MM - a.tube_length_mm) * np.sin(half_bend) / half_bend
        # the mean of an end's points is its centre but for rounding: they are not evenly spaced
        assert np.linalg.norm(added) == pytest.approx(chord, abs=1e-3)
        assert angle_deg(added, a.end_axis) == pytest.approx(a.bend_deg / 2, abs=0.01)
        assert a.end_axis == pytest.approx(b.end_axis, abs=1e-5)


def test_common_ring_is_the_stated_stadium_seen_from_inside_the_wall(atrium):
    for vein in atrium.veins:
        outer = np.pi * vein.ring_width_mm + 2 * vein.vein_distance_mm
        # one wall further in on a flat wall; the wall bulges outward, so a little less
        assert outer - 2 * np.pi * WALL_MM < perimeter_mm(vein.ring_mm) < outer


def test_volume_and_mitral_size_are_those_of_a_human_left_atrium(atrium):
    volume_ml = enclosed_volume(closed_with_caps(atrium)) / 1000.0
    # normal adults 18 to 58 ml (Lang et al., J Am Soc Echocardiogr 2005; from memory)
    assert 18.0 < volume_ml < 58.0
    # annulus 25 to 45 mm across: common practice, no source
    assert 25.0 < perimeter_mm(atrium.mitral_mm) / np.pi < 45.0


def test_longer_tubes_add_their_own_volume():
    short, long = scaffold_atrium(), scaffold_atrium(ostium_length_mm=LONG_TUBES_MM)
    added = enclosed_volume(closed_with_caps(long)) - enclosed_volume(closed_with_caps(short))
    cylinders = sum(
        np.pi / 4 * vein.inner_diameter_mm**2 * (LONG_TUBES_MM - vein_short.tube_length_mm)
        for vein, vein_short in zip(long.veins, short.veins, strict=True)
    )
    # between flare and waist a tube is within a few percent of its end's diameter
    assert 0.9 * cylinders < added < 1.1 * cylinders


def test_anatomy_is_the_right_way_round_in_lps(atrium):
    lspv, lipv, rspv, ripv = (vein.end_centre_mm for vein in atrium.veins)
    body = atrium.surface.points[np.unique(atrium.surface.faces[atrium.regions == BODY])]
    appendage = atrium.surface.points[np.unique(atrium.surface.faces[atrium.regions == APPENDAGE])]
    middle, mitral = body.mean(axis=0), atrium.mitral_mm.mean(axis=0)
    assert min(lspv[0], lipv[0]) > middle[0] > max(rspv[0], ripv[0])  # +x is left
    assert lspv[2] > lipv[2]
    assert rspv[2] > ripv[2]  # +z is superior
    assert lipv[1] > lspv[1]
    assert ripv[1] > rspv[1]  # inferior veins are the more posterior
    assert appendage[:, 1].mean() < middle[1]  # +y is posterior
    assert mitral[2] < middle[2]
    assert atrium.mitral_axis[2] < -0.9
    for vein in atrium.veins:
        assert vein.end_axis @ (vein.end_centre_mm - middle) > 0
        assert vein.end_axis[0] * (1 if vein.name[0] == "L" else -1) > 0.3


def test_regions_say_which_faces_are_veins(atrium):
    assert atrium.regions.shape == (len(atrium.surface.faces),)
    assert set(atrium.regions.tolist()) == {BODY, APPENDAGE, LEFT_VEINS, RIGHT_VEINS}
    for vein in atrium.veins:
        region = LEFT_VEINS if vein.name[0] == "L" else RIGHT_VEINS
        other = LEFT_VEINS + RIGHT_VEINS - region
        points = atrium.surface.points
        mine = points[np.unique(atrium.surface.faces[atrium.regions == region])]
        theirs = points[np.unique(atrium.surface.faces[atrium.regions == other])]
        assert np.isin(vein.end_mm, mine).all()
        assert not (vein.end_mm[:, None] == theirs).all(axis=2).any()


@pytest.mark.slow
def test_refinement_converges():
    coarse, fine = left_atrium(refinement=4), left_atrium(refinement=8)
    assert len(fine.faces) > 3.9 * len(coarse.faces)
    assert total_area(coarse) == pytest.approx(total_area(fine), rel=5e-3)


@pytest.mark.slow
def test_generation_is_silent_repeatable_and_untouched_by_other_calls(capfd):
    generate = scaffold_atrium.__wrapped__
    first = generate(refinement=2)
    generate(refinement=2, ostium_length_mm=LONG_TUBES_MM, vein_diameter_mm=12.0)
    second = generate(refinement=2)
    assert capfd.readouterr() == ("", "")
    assert np.array_equal(first.surface.points, second.surface.points)
    assert np.array_equal(first.surface.faces, second.surface.faces)
    assert left_atrium() is left_atrium()


@pytest.mark.parametrize(
    "package", ["cmlibs.zinc.context", "scaffoldmaker.meshtypes.meshtype_3d_heartatria1"]
)
def test_missing_package_skips(monkeypatch, package):
    if not package.startswith("cmlibs"):
        # The bindings are asked for first: without them the other is never missed.
        pytest.importorskip("cmlibs.zinc.context", exc_type=ImportError)
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(pytest.skip.Exception, match=package):
        scaffold_atrium.__wrapped__()
