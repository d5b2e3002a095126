"""Veins that are hard to see, on lumens built of a bag and tubes: every one is measured."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.labels import LabelMap, LabelVolume, lumen_input
from veinfit.settings import Settings
from veinfit.vectors import perpendicular_basis, unit

EDGE_MM = 1.0
BAG_MM = np.array([30.0, 22.0, 26.0])
"""Semi-axes of the bag: left-right, front-back, up-down."""

NAMES = {
    "left_atrium": 1, "LSPV": 2, "LIPV": 3, "LCPV": 4, "RSPV": 5, "RIPV": 6, "RMPV": 7,
}  # fmt: skip


def on_bag(direction):
    return unit(np.asarray(direction, dtype=float)) / np.linalg.norm(
        unit(np.asarray(direction, dtype=float)) / BAG_MM
    )


def tube(points, name, place, direction, semi_axes, length, flare=0.0):
    """Voxels of an elliptical tube from the bag's wall outward, cut flat; and its name."""
    start, axis = on_bag(place), unit(np.asarray(direction, dtype=float))
    e1, e2 = perpendicular_basis(axis)
    d = points - start
    along = d @ axis
    wide = 1.0 + flare * np.exp(-np.maximum(along, 0.0) / 3.0)
    across = ((d @ e1) / (semi_axes[0] * wide)) ** 2 + ((d @ e2) / (semi_axes[1] * wide)) ** 2
    return name, (across < 1.0) & (along > -15.0) & (along < length)


def volume(*veins):
    """A label volume of the bag and its veins, flat at the mitral side."""
    half = np.array([62, 50, 50])
    index = np.indices(2 * half + 1).reshape(3, -1).T
    points = (index - half) * EDGE_MM
    values = np.zeros(len(points), dtype=np.uint8)
    mitral = unit(np.array([0.38, -0.45, -0.80]))
    bag = (((points / BAG_MM) ** 2).sum(axis=1) < 1.0) & (points @ mitral < 17.0)
    for vein in veins:
        name, held = tube(points, *vein)
        values[held] = NAMES[name]
    values[bag] = NAMES["left_atrium"]
    affine = np.diag([EDGE_MM] * 3 + [1.0])
    affine[:3, 3] = -half * EDGE_MM
    return LabelVolume(values.reshape(2 * half + 1), affine)


def found(*veins, labelled=True):
    names = ("left_atrium", *(vein[0] for vein in veins))
    held = volume(*veins)
    if not labelled:
        held = LabelVolume((held.values > 0).astype(np.uint8), held.affine)
    chosen = LabelMap({name: (NAMES[name],) for name in names}, {}) if labelled else None
    settings = Settings()
    read = lumen_input(held, chosen, settings.surface)
    return find_anatomy(LumenInput(read.surface, read.hints, read.resolution_mm), settings)


LEFT_TRUNK = ("LCPV", (0.87, 0.20, 0.38), (0.9, 0.2, 0.25), (9.5, 14.0), 14.0)
RIGHT_UPPER = ("RSPV", (-0.78, -0.10, 0.60), (-0.8, -0.2, 0.55), (8.0, 7.0), 14.0)
RIGHT_LOWER = ("RIPV", (-0.72, 0.65, -0.10), (-0.7, 0.7, -0.15), (8.0, 7.0), 14.0)
LEFT_UPPER = ("LSPV", (0.76, -0.10, 0.64), (0.78, -0.2, 0.6), (8.0, 7.0), 14.0)
LEFT_LOWER = ("LIPV", (0.80, 0.50, -0.05), (0.75, 0.6, -0.1), (7.0, 6.0), 14.0)


@pytest.mark.slow
def test_a_labelled_trunk_of_28_by_19_mm_and_two_right_veins_are_three_veins():
    anatomy = found(LEFT_TRUNK, RIGHT_UPPER, RIGHT_LOWER)
    assert {v.name for v in anatomy.veins} == {"LCPV", "RSPV", "RIPV"}
    assert not anatomy.unmeasured
    trunk = anatomy.veins[0]
    for section in (s for s in trunk.sections if 3.0 < s.s_mm < 12.0):
        assert section.measures.d_max_mm == pytest.approx(28.0, abs=1.5)
        assert section.measures.d_min_mm == pytest.approx(19.0, abs=1.5)


@pytest.mark.slow
@pytest.mark.parametrize("stub_mm", [7.0, 5.0])
def test_short_stubs_are_measured(stub_mm):
    veins = [(*v[:4], stub_mm) for v in (LEFT_UPPER, LEFT_LOWER, RIGHT_UPPER, RIGHT_LOWER)]
    anatomy = found(*veins)
    assert {v.name for v in anatomy.veins} == {"LSPV", "LIPV", "RSPV", "RIPV"}
    assert not anatomy.unmeasured
    for vein, (_, place, direction, semi, _) in zip(
        anatomy.veins,
        sorted(veins, key=lambda v: ("LSPV", "LIPV", "RSPV", "RIPV").index(v[0])),
        strict=True,
    ):
        # Its middle is within its bound of where the tube's axis meets the bag.
        away = vein.ostium.centre - on_bag(place)
        axis = unit(np.asarray(direction))
        assert np.linalg.norm(away - (away @ axis) * axis) < 2.0
        assert abs(away @ axis) < vein.ostium.error_mm + 3.0
        assert 2.0 * semi[1] - 1.0 < vein.ostium.measures.d_area_mm < 2.0 * semi[0] + 5.0


@pytest.mark.slow
def test_a_thin_vein_beside_a_thick_one_is_measured():
    thin = ("RMPV", (-0.92, 0.30, 0.22), (-0.95, 0.15, 0.10), (3.5, 3.5), 12.0)
    anatomy = found(LEFT_UPPER, LEFT_LOWER, RIGHT_UPPER, RIGHT_LOWER, thin)
    assert {v.name for v in anatomy.veins} == {"LSPV", "LIPV", "RSPV", "RIPV", "RMPV"}
    middle = next(v for v in anatomy.veins if v.name == "RMPV")
    assert middle.sections[-1].measures.d_area_mm == pytest.approx(7.0, abs=0.8)


@pytest.mark.slow
def test_two_veins_of_one_funnel_keep_an_ostium_each():
    wide = [(*v, 0.6) for v in (RIGHT_UPPER, RIGHT_LOWER)]
    anatomy = found(LEFT_UPPER, LEFT_LOWER, *wide, labelled=False)
    assert {"RSPV", "RIPV"} <= {v.name for v in anatomy.veins}
    for vein in anatomy.veins:
        assert vein.ostium.measures.d_area_mm < 24.0
