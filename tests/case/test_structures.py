"""Structures on the wrong side, or far away, are told."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from veinfit.case.structures import structure_notes

OSTIA = {
    "LSPV": (30.0, -5.0, 15.0),
    "LIPV": (30.0, 10.0, 0.0),
    "RSPV": (-30.0, -5.0, 15.0),
    "RIPV": (-28.0, 12.0, 0.0),
}


@pytest.fixture
def anatomy():
    """The ostia of an atrium whose wall is a ball of 30 mm."""
    around = np.random.default_rng(1).normal(size=(500, 3))
    wall = 30.0 * around / np.linalg.norm(around, axis=1)[:, None]
    veins = [
        SimpleNamespace(name=name, ostium=SimpleNamespace(centre=np.array(centre)))
        for name, centre in OSTIA.items()
    ]
    return SimpleNamespace(wall=SimpleNamespace(points=wall), veins=veins)


NERVE = np.array([[-45.0, -15.0, z] for z in (-20.0, 0.0, 20.0)])


def test_structures_where_their_names_say_call_for_nothing(anatomy):
    there = {"right_phrenic_nerve": NERVE, "oesophagus": np.array([[5.0, 40.0, 0.0]])}
    assert structure_notes(anatomy, there) == ()


def test_a_right_structure_on_the_left_is_told(anatomy):
    (note,) = structure_notes(anatomy, {"right_phrenic_nerve": NERVE * [-1.0, -1.0, 1.0]})
    assert "right phrenic nerve lies nearer to the left veins than to the right ones" in note.text
    assert (note.severity, note.subject) == ("caution", "right_phrenic_nerve")


def test_a_structure_far_from_the_atrium_is_told(anatomy):
    (note,) = structure_notes(anatomy, {"oesophagus": np.array([[0.0, 130.0, 0.0]])})
    assert "oesophagus lies 10" in note.text and "mm from the atrium" in note.text
