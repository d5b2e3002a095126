"""Bulges of the wall in the naming, from places and directions alone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from veinfit.anatomy.naming.frame_check import StatedFrame, seen_in
from veinfit.anatomy.naming.names import TEMPLATE, CandidateFeatures, name_candidates
from veinfit.anatomy.naming.with_bulges import BULGE_CONFIDENCE, name_with_bulges
from veinfit.errors import InputError
from veinfit.vectors import unit

UPSIDE_DOWN = (1, -2, -3)
VEINS = ("LSPV", "LIPV", "RSPV", "RIPV")


def blind(role, index, is_bulge=False):
    place, direction = (unit(np.array(v)) for v in TEMPLATE[role])
    d_mm = 34.0 if role == "MV" else 16.0
    has_ostium, slenderness = not is_bulge and role != "MV", 0.0 if is_bulge else 1.5
    return CandidateFeatures(
        (index,), place, direction, d_mm, False, has_ostium, slenderness, None, is_bulge=is_bulge
    )


def turned_over(role, index):
    """A candidate as it lies in a file turned upside down."""
    right = blind(role, index)
    return dataclasses.replace(
        right,
        place=seen_in(UPSIDE_DOWN, right.place[None])[0],
        direction=seen_in(UPSIDE_DOWN, right.direction[None])[0],
    )


def bulges(first):
    names = ("LSPV", "RSPV", "RIPV")
    return [blind(role, first + k, is_bulge=True) for k, role in enumerate(names)]


def test_what_is_refused_is_no_surer_for_bulges_where_its_veins_should_be():
    few = [turned_over(role, k) for k, role in enumerate(("LSPV", "LIPV", "MV"))]
    more = [*few, *bulges(3)]
    assert max(name_candidates(more, 10.0).confidence.values()) > 0.98
    naming, by_bulges = name_with_bulges(few, lambda: more, 10.0, StatedFrame())
    assert by_bulges
    assert max(naming.confidence.values()) <= BULGE_CONFIDENCE
    without = name_candidates(few, 10.0, StatedFrame(trusted=True))
    assert naming.other_frame.axes == without.other_frame.axes
    note = naming.other_frame.note(StatedFrame())
    assert note is not None
    assert note.severity == "warning"


def test_what_is_refused_stays_refused_where_no_bulge_is_a_vein():
    few = [turned_over(role, k) for k, role in enumerate(("LSPV", "LIPV", "MV"))]
    right = [blind(r, k) for k, r in enumerate(VEINS)]
    with pytest.raises(InputError, match="contradicts the frame"):
        name_with_bulges(few, lambda: right, 10.0, StatedFrame())


def test_bulges_are_not_looked_for_where_no_vein_is_missing():
    def looked_for():
        raise AssertionError("bulges were looked for")

    whole = [blind(r, k) for k, r in enumerate((*VEINS, "LAA"))]
    naming, by_bulges = name_with_bulges(whole, looked_for, 10.0, StatedFrame())
    assert not by_bulges
    assert set(naming.roles) == {*VEINS, "LAA"}
