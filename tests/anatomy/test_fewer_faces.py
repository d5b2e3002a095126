"""Fine surfaces: found on fewer faces, measured on all, and the answers stay."""

from __future__ import annotations

import numpy as np
import pytest
from atria import atrium

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.branches.lumen import prepare_lumen
from veinfit.anatomy.fewer_faces import ENOUGH_FACES, WORTH_IT, for_finding
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.settings import Settings
from veinfit.surface.refine import refine
from veinfit.vectors import angle_deg

SETTINGS = Settings()


@pytest.fixture(scope="module")
def coarse():
    return atrium("four", 3).open_surface(1.6)


@pytest.fixture(scope="module")
def fine(coarse):
    return refine(coarse, 0.55).surface


def test_few_faces_are_used_as_they_are(coarse):
    lumen, _ = prepare_lumen(coarse, SETTINGS.surface)
    assert for_finding(lumen) is lumen


@pytest.mark.slow
def test_what_is_found_in_keeps_openings_and_volume(fine):
    assert len(fine.faces) > WORTH_IT * ENOUGH_FACES
    lumen, _ = prepare_lumen(fine, SETTINGS.surface)
    rough = for_finding(lumen)
    assert len(rough.wall.surface.faces) < 1.05 * ENOUGH_FACES
    assert rough.openings is lumen.openings
    assert rough.wall.is_cap.any()


@pytest.mark.slow
def test_a_refined_mesh_has_the_same_answers(coarse, fine):
    # The surface is the very same, with sixteen times the faces.
    known = {v.name: v for v in find_anatomy(LumenInput(coarse), SETTINGS).veins}
    found = find_anatomy(LumenInput(fine), SETTINGS)
    assert {v.name for v in found.veins} == set(known)
    assert len(found.wall.faces) > WORTH_IT * ENOUGH_FACES
    for vein in found.veins:
        other = known[vein.name]
        assert np.linalg.norm(vein.ostium.centre - other.ostium.centre) < 0.1, vein.name
        for measure in ("d_area_mm", "d_max_mm", "d_min_mm"):
            before, after = (getattr(v.ostium.measures, measure) for v in (other, vein))
            assert after == pytest.approx(before, abs=0.1), (vein.name, measure)
        assert angle_deg(vein.axis, other.axis) < 0.5
