"""The truth of invented atria against closed forms and brute force."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from scipy import ndimage
from scipy.optimize import brentq
from synthetic.drawn_atria import drawn

from veinfit.anatomy import vein_axis
from veinfit.surface.cuts import plane_contours
from veinfit.synthetic import AtriumShape, BodyShape, VeinShape, build
from veinfit.synthetic.shape.phantoms import TubePhantom, sphere_with_tubes
from veinfit.synthetic.truth import survey
from veinfit.synthetic.truth.carina import carina, carina_mm, tube_index
from veinfit.synthetic.truth.ostia import fit_plane
from veinfit.synthetic.truth.survey import survey_veins
from veinfit.synthetic.truth.truth import VeinTruth
from veinfit.vectors import angle_deg, unit

AXIS = unit([0.5, 0.3, 0.6])
DIRECTION = (0.5, 0.3, 0.6)


def vein_of(shape: AtriumShape) -> VeinTruth:
    return survey_veins(shape, build(shape).implicit)[0]


def half_turn_of_phantom(sphere: float, tube: float, fillet: float) -> tuple[float, float, float]:
    """Radius, height and whole turn (degrees) of the half turn, in closed form.

    With sphere distance r(1 − cos t) and tube distance r(1 − sin t) the fillet's
    normal is cos t times the radial direction plus sin t times the tube's.
    """

    def place(t: float) -> tuple[float, float]:
        rho = tube + fillet * (1.0 - np.sin(t))
        distance = sphere + fillet * (1.0 - np.cos(t))
        return rho, float(np.sqrt(distance**2 - rho**2))

    def psi(t: float) -> float:
        rho, z = place(t)
        polar = np.arctan2(rho, z)
        normal = np.cos(t) * np.array([np.sin(polar), np.cos(polar)]) + [np.sin(t), 0.0]
        return float(np.degrees(np.arctan2(normal[1], normal[0])))

    t = np.linspace(0.0, np.pi / 2, 2001)
    top = float(t[np.argmax([psi(value) for value in t])])
    half = brentq(lambda value: psi(value) - 0.5 * psi(top), top, np.pi / 2)
    return (*place(half), psi(top))


# Narrow fillets only: on a sphere the two distances that the blend rounds are not square to each
# other, and a fillet of 8 mm departs from the quarter torus by 0.2 mm and 2 degrees.
@pytest.mark.parametrize(("sphere", "tube", "fillet"), [(25.0, 8.0, 3.0), (30.0, 9.0, 1.0)])
def test_half_turn_of_a_tube_on_a_sphere(sphere: float, tube: float, fillet: float) -> None:
    rho, z, turn = half_turn_of_phantom(sphere, tube, fillet)
    vein = vein_of(sphere_with_tubes(sphere, [TubePhantom(DIRECTION, tube, 30.0, fillet)]))
    ostium = vein.ostium
    assert ostium.centre == pytest.approx(z * AXIS, abs=0.01)
    assert angle_deg(ostium.normal, AXIS) < 0.01
    assert ostium.d_area_mm == pytest.approx(2.0 * rho, abs=0.02)
    assert ostium.d_max_mm / ostium.d_min_mm == pytest.approx(1.0, abs=1e-3)
    assert ostium.turn_deg == pytest.approx(turn, abs=0.1)
    assert ostium.sectors_found == 72
    assert ostium.residual_mm < 1e-6
    assert ostium.sector_spread_mm < 1e-6
    assert ostium.closed


@pytest.mark.parametrize("fillet", [1.0, 5.0, 10.0])
def test_half_turn_on_a_flat_wall_is_half_way_round_the_quarter_torus(fillet: float) -> None:
    # A sphere so large that its wall is flat to 0.01 mm across the ostium.
    wall = 20_000.0
    vein = vein_of(sphere_with_tubes(wall, [TubePhantom(DIRECTION, 9.0, 40.0, fillet)]))
    share = np.sqrt(0.5)
    height = wall + fillet * (1.0 - share)
    assert vein.ostium.centre @ AXIS == pytest.approx(height, abs=0.01)
    assert vein.ostium.d_area_mm == pytest.approx(2.0 * (9.0 + fillet * (1.0 - share)), abs=0.02)
    assert vein.ostium.turn_deg == pytest.approx(90.0, abs=1.0)
    assert vein.station is not None
    # The flare ends where the torus meets the tube, a fillet radius above the wall.
    flare_end = vein.station.centre @ AXIS - vein.station.distal_to_flare_mm
    assert flare_end == pytest.approx(wall + fillet, abs=0.06)


def test_half_turn_at_a_sharp_edge_is_the_edge() -> None:
    vein = vein_of(sphere_with_tubes(25.0, [TubePhantom(DIRECTION, 8.0, 30.0, 0.0)]))
    # Plane of a hole of radius 8 in a sphere of radius 25.
    assert vein.ostium.centre == pytest.approx(23.685439 * AXIS, abs=0.02)
    assert vein.ostium.d_area_mm == pytest.approx(16.0, abs=0.02)


def test_a_straight_oval_vein_has_the_station_axis_and_length_of_its_parameters() -> None:
    vein = VeinShape(
        name="LSPV",
        exit=(1.0, 0.0, 0.0),
        direction=(1.0, 0.0, 0.0),
        end_direction=(1.0, 0.0, 0.0),
        length_mm=32.0,
        d_long_mm=20.0,
        d_short_mm=14.0,
        taper=1.0,
        fillet_mm=4.0,
    )
    truth = vein_of(AtriumShape(BodyShape((26.0,) * 3, 2.0), (vein,), centre=(5.0, 6.0, 7.0)))
    assert truth.station is not None
    assert truth.station.distal_to_flare_mm == pytest.approx(10.0)
    assert truth.station.d_max_mm == pytest.approx(20.0, abs=0.01)
    assert truth.station.d_min_mm == pytest.approx(14.0, abs=0.01)
    assert truth.station.area_mm2 == pytest.approx(np.pi * 70.0, rel=1e-3)
    for axis in (truth.axis, truth.section_axis, truth.ostium.normal):
        assert angle_deg(axis, [1.0, 0.0, 0.0]) < 0.1
    assert truth.takeoff_wall_deg < 0.1
    assert truth.takeoff_frontal_deg == pytest.approx(0.0, abs=0.1)
    assert truth.trunk_cut
    end = 5.0 + 26.0 + 32.0
    assert truth.trunk_length_mm == pytest.approx(end - truth.ostium.centre[0], abs=1e-3)
    assert truth.end_centres == pytest.approx(np.array([[end, 6.0, 7.0]]), abs=1e-6)
    assert truth.axis_length_mm == pytest.approx(10.0)


def test_the_truth_moves_with_the_atrium() -> None:
    shape = sphere_with_tubes(25.0, [TubePhantom((0.7, 0.1, 0.4), 8.0, 28.0, 3.0)])
    shift = np.array([40.0, -70.0, 12.5])
    here = vein_of(shape)
    there = vein_of(dataclasses.replace(shape, centre=(40.0, -70.0, 12.5)))
    assert there.ostium.centre == pytest.approx(here.ostium.centre + shift, abs=1e-3)
    assert there.ostium.d_area_mm == pytest.approx(here.ostium.d_area_mm, abs=1e-3)
    assert there.axis == pytest.approx(here.axis, abs=1e-6)


@pytest.mark.parametrize("variant", ["left_common_long", "early_branch"])
def test_sections_split_where_the_carina_is_said_to_be(variant: str) -> None:
    atrium = drawn(variant)
    field = atrium.implicit
    vein = next(vein for vein in atrium.shape.veins if vein.branches)
    trunk = field.tubes[tube_index(field, vein.name)]
    branches = [field.tubes[tube_index(field, b.name)] for b in vein.branches]
    place = carina(field, *branches)
    one = np.ones(1)
    end, tangent = trunk.curve.position(one)[0], trunk.curve.tangent(one)[0]
    along, across = (axis[0] for axis in trunk.curve.axes(one))
    grid = np.arange(-20.0, 20.0, 0.2)
    centres = [branch.curve.position(np.array([0.3]))[0] for branch in branches]
    joined = []
    for offset in (-0.4, 0.4):
        z = carina_mm(field, vein) - trunk.curve.total_mm + offset
        plane = end + z * tangent + grid[:, None, None] * along + grid[None, :, None] * across
        blood = field.value(plane.reshape(-1, 3)).reshape(len(grid), len(grid)) < 0.0
        pieces = ndimage.label(blood)[0]
        at = [
            pieces[
                np.searchsorted(grid, (centre - end) @ along),
                np.searchsorted(grid, (centre - end) @ across),
            ]
            for centre in centres
        ]
        assert all(at)
        joined.append(at[0] == at[1])
    assert joined == [True, False]
    assert field.value(place[None])[0] == pytest.approx(0.0, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("variant", "names"),
    [
        ("four", {"LSPV", "LIPV", "RSPV", "RIPV"}),
        ("left_common_long", {"LCPV", "RSPV", "RIPV"}),
        ("left_common_short", {"LSPV", "LIPV", "RSPV", "RIPV"}),
        ("early_branch", {"LSPV", "LIPV", "RSPV", "RIPV"}),
    ],
)
def test_a_trunk_is_one_vein_from_ten_millimetres_on(variant: str, names: set[str]) -> None:
    truth = drawn(variant).truth
    assert {vein.name for vein in truth.veins} == names
    for vein in truth.veins:
        named = [b for b in vein.branches if not b.startswith(vein.name)]
        if named:
            assert vein.trunk_length_mm >= 10.0
            assert not vein.trunk_cut
            assert len(vein.end_centres) == 2
    if variant == "early_branch":
        early = next(vein for vein in truth.veins if vein.branches)
        assert 0.0 < early.trunk_length_mm < 7.0


@pytest.mark.slow
def test_the_mesh_has_the_trunk_diameters_of_the_truth() -> None:
    atrium = drawn("four")
    surface = atrium.open_surface(edge_mm=1.1)
    for vein in atrium.truth.veins:
        station = vein.station
        assert station is not None
        loops = plane_contours(surface, station.centre, station.direction)
        gap = [np.linalg.norm(loop.points.mean(axis=0) - station.centroid) for loop in loops]
        points = loops[int(np.argmin(gap))].points
        area = 0.5 * np.linalg.norm(
            np.cross(points - points[0], np.roll(points, -1, axis=0) - points[0]).sum(axis=0)
        )
        d_area = 2.0 * np.sqrt(area / np.pi)
        # Chords lie inside: never over.
        assert station.d_area_mm - 0.06 < d_area < station.d_area_mm + 0.005


@pytest.mark.slow
def test_the_half_turn_points_lie_on_the_wall_around_the_vein() -> None:
    atrium = drawn("four")
    for vein in atrium.truth.veins:
        points = vein.ostium.half_turn_points
        assert np.abs(atrium.implicit.value(points)).max() < 0.01
        assert np.abs(atrium.implicit.value(vein.ostium.contour)).max() < (
            0.01 if vein.ostium.closed else 5.0
        )
        assert np.linalg.norm(points - vein.ostium.centre, axis=1).max() < 25.0
        assert vein.ostium.unsettled_mm < 1.0
        # Directions published for the veins: superior ones up, and outward on their side.
        side = 1.0 if vein.name.startswith("L") else -1.0
        assert side * vein.axis[0] > 0.0
        assert (vein.axis[2] > 0.0) or vein.name.endswith("IPV")


def test_a_plane_fit_leaves_out_a_few_sectors_that_lie_elsewhere(
    rng: np.random.Generator,
) -> None:
    phi = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    tilt = np.array([0.2, -0.1])
    height = 1.5 + 8.0 * (np.cos(phi) * tilt[0] + np.sin(phi) * tilt[1])
    height += rng.normal(0.0, 0.05, 72)
    height[:14] += 5.0
    points = np.stack([8.0 * np.cos(phi), 8.0 * np.sin(phi), height], axis=1)
    middle, normal = fit_plane(points, np.array([0.0, 0.0, 1.0]))
    assert angle_deg(normal, [-tilt[0], -tilt[1], 1.0]) < 0.5
    expected = 1.5 + tilt @ middle[:2]
    assert middle[2] == pytest.approx(expected, abs=0.05)


def test_truth_is_written_as_plain_numbers() -> None:
    truth = drawn("four").truth
    text = json.dumps(truth.as_mapping(3, curves=False))
    assert "contour" not in text
    assert json.loads(text)["veins"][0]["name"] == "LSPV"
    assert len(json.loads(json.dumps(truth.as_mapping()))["veins"][0]["ostium"]["contour"]) == 360
    with pytest.raises(KeyError, match="no vein RMPV"):
        truth.vein("RMPV")


def test_truth_and_detector_fit_the_axis_from_the_same_distance_on() -> None:
    assert survey.CLEAR_MM == vein_axis.CLEAR_MM
