"""The same heart, lying another way in space, has the same ostia."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from veinfit import Settings
from veinfit.anatomy import find_anatomy
from veinfit.case import read_case
from veinfit.surface import Surface
from veinfit.vectors import angle_deg

SAMPLES = Path(__file__).parents[2] / "sample_meshes"

# The turn moves vertices by 1e-14 mm; a path may take the other of two ways that are as long.
SAME_MM, SAME_DEG = 0.01, 0.01


@pytest.mark.parametrize("turned_deg", [15.0, pytest.param(-25.0, marks=pytest.mark.slow)])
@pytest.mark.parametrize(
    "sample", ["larkmoor-01.ply", pytest.param("larkmoor-04.ply", marks=pytest.mark.slow)]
)
def test_a_turned_heart_has_the_same_ostia_and_axes(sample, turned_deg):
    lumen = replace(read_case(SAMPLES / sample).lumen, trust_frame=True)
    turn = Rotation.from_rotvec(np.radians(turned_deg) * np.array([0.48, -0.6, 0.64])).as_matrix()
    points = lumen.surface.points @ turn.T
    first = find_anatomy(lumen, Settings())
    again = find_anatomy(replace(lumen, surface=Surface(points, lumen.surface.faces)), Settings())
    there = {vein.name: vein for vein in again.veins}
    assert sorted(there) == sorted(vein.name for vein in first.veins)
    for vein in first.veins:
        other = there[vein.name]
        assert np.linalg.norm(turn @ vein.ostium.centre - other.ostium.centre) < SAME_MM
        assert angle_deg(turn @ vein.axis, other.axis) < SAME_DEG
        assert other.ostium.error_mm == pytest.approx(vein.ostium.error_mm, abs=SAME_MM)
