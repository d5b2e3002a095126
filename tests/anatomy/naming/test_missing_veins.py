"""Veins that should be there and were not found."""

import atria
import numpy as np
import pytest
from handmade import circle

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.naming.missing_veins import absent_notes, labelled_but_missing
from veinfit.anatomy.ostium.certainty import Evidence
from veinfit.anatomy.ostium.plane import known_for, with_evidence
from veinfit.settings import Settings


def test_a_labelled_vein_that_was_not_found_is_told():
    labelled = ("left_atrium", "LSPV", "LIPV", "RIPV", "appendage")
    assert list(labelled_but_missing(labelled, ("LSPV", "RSPV", "RIPV", "MV"))) == ["LIPV"]
    assert labelled_but_missing(labelled, ("LCPV", "RIPV")) == {}
    assert labelled_but_missing(("LCPV",), ("LSPV", "LIPV")) == {}
    assert list(labelled_but_missing(("RSPV",), ())) == ["RSPV"]


def test_a_usual_vein_of_which_nothing_was_told_is_a_caution():
    assert absent_notes(("LSPV", "ICPV", "RSPV", "MV")) == []
    (note,) = absent_notes(("LCPV", "RSPV", "LAA"))
    assert (note.subject, note.severity) == ("RIPV", "caution")


@pytest.mark.slow
def test_a_hint_without_a_branch_is_listed_as_not_measured():
    atrium = atria.atrium("four", 3)
    # A label of a few voxels on the roof, where no vein stands out.
    top = atrium.open_surface().points
    spot = top[np.argmax(top[:, 2] - np.abs(top[:, 0]))]
    hints = {"RMPV": spot + np.zeros((4, 3))}
    anatomy = find_anatomy(LumenInput(atrium.open_surface(), hints), Settings())
    assert list(anatomy.unmeasured) == ["RMPV"]
    assert any(n.subject == "RMPV" and n.severity == "caution" for n in anatomy.notes)


@pytest.mark.parametrize("room_mm", [12.0, 7.0, 3.0, 1.0])
def test_an_ostium_near_the_veins_end_is_less_sure(room_mm):
    contour, measures = circle((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 16.0)
    fit = Evidence(0.1, 1.0, 0.1, 1.0, 0.0)
    found = Ostium(
        np.zeros(3), np.array([0.0, 0.0, 1.0]), contour, measures, np.zeros((0, 3)), 0.1, 0.0, 0.0
    )
    sure = with_evidence(found, fit)
    less, notes = known_for(sure, room_mm)
    assert len(notes) == (room_mm < 6.0)
    if room_mm > 10.0:
        assert (less.error_mm, less.confidence) == (sure.error_mm, sure.confidence)
    else:
        nearer, _ = known_for(sure, room_mm - 1.0)
        assert nearer.confidence < less.confidence < sure.confidence
        assert nearer.error_mm > less.error_mm
