"""Veins cut aslant near their ostium are told."""

from __future__ import annotations

import numpy as np
import pytest
from atria import atrium

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.settings import Settings
from veinfit.surface.mesh import face_middles, select_faces
from veinfit.vectors import perpendicular_basis


def cut_aslant(surface, vein, past_mm, aslant_deg):
    """Take off what lies past a plane through the vein's axis, some way past its ostium."""
    across, _ = perpendicular_basis(vein.axis)
    angle = np.radians(aslant_deg)
    normal = np.cos(angle) * vein.axis + np.sin(angle) * across
    middles = face_middles(surface)
    offset = middles - (vein.ostium.centre + past_mm * vein.axis)
    beside = np.linalg.norm(offset - (offset @ vein.axis)[:, None] * vein.axis, axis=1)
    part, _ = select_faces(surface, ~((offset @ normal > 0.0) & (beside < 16.0)))
    return part


@pytest.mark.slow
@pytest.mark.parametrize(("past_mm", "aslant_deg", "told"), [(9.0, 45.0, True), (9.0, 10.0, False)])
def test_a_cut_of_45_degrees_near_the_ostium_is_told(past_mm, aslant_deg, told):
    made = atrium("four", 3)
    (vein,) = [v for v in made.truth.veins if v.name == "LSPV"]
    surface = cut_aslant(made.open_surface(1.6), vein, past_mm, aslant_deg)
    anatomy = find_anatomy(LumenInput(surface), Settings())
    notes = [n for n in anatomy.notes if "cut obliquely" in n.text]
    assert [n.subject for n in notes] == (["LSPV"] if told else [])
    if told:
        degrees = float(notes[0].text.split("obliquely, by ")[1].split(" degrees")[0])
        assert degrees == pytest.approx(aslant_deg, abs=8.0)
        assert notes[0].severity == "caution"
