"""Where labels meet, against a border that is known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.labels import lumen_input
from veinfit.labels.model import LabelMap, LabelVolume
from veinfit.settings import Settings
from veinfit.vectors import angle_deg, unit

BODY, VEIN, OTHER, UNNAMED = 1, 2, 3, 9
AXIS = unit(np.array([0.8, 0.3, 0.52]))
OSTIUM_MM = 27.0
RADIUS_MM = 7.0


def oblique(spacing=(0.8, 0.8, 1.2)):
    turn, _ = np.linalg.qr(np.array([[1.0, 0.1, 0.0], [-0.1, 1.0, 0.2], [0.0, -0.2, 1.0]]))
    affine = np.eye(4)
    affine[:3, :3] = turn * np.sign(np.diag(turn)) * spacing
    affine[:3, 3] = -affine[:3, :3] @ np.array([60.0, 60.0, 40.0])
    return affine


def drawn(extra=None):
    """A ball of 24 mm with a straight vein, whose label begins at a plane across its axis."""
    affine = oblique()
    index = np.indices((120, 120, 80)).reshape(3, -1).T
    points = index @ affine[:3, :3].T + affine[:3, 3]
    along = points @ AXIS
    aside = np.linalg.norm(points - along[:, None] * AXIS, axis=1)
    values = np.zeros(len(points), dtype=np.uint8)
    values[np.linalg.norm(points, axis=1) < 24.0] = BODY
    tube = (aside < RADIUS_MM) & (along > 0.0) & (along < 42.0)
    values[tube & (along < OSTIUM_MM)] = BODY
    values[tube & (along >= OSTIUM_MM)] = VEIN
    if extra is not None:
        extra(values, points)
    return LabelVolume(values.reshape(120, 120, 80), affine)


def labelled(volume, **labels):
    names = {"left_atrium": (BODY,), "LSPV": (VEIN,), **labels}
    return lumen_input(volume, LabelMap(names, {}), Settings().surface)


def test_a_border_lies_where_the_label_begins():
    border = labelled(drawn()).borders["LSPV"]
    # Closed form: a disc across the axis; voxels of 0.8 mm step by half of that about it.
    assert border.centre @ AXIS == pytest.approx(OSTIUM_MM, abs=0.15)
    assert np.linalg.norm(border.centre - (border.centre @ AXIS) * AXIS) < 0.2
    assert angle_deg(border.normal, AXIS) < 3.0
    # On the rim the voxel behind may lie outside the tube: up to half of a voxel is lost there.
    assert np.pi * (RADIUS_MM - 0.4) ** 2 < border.area_mm2 <= np.pi * RADIUS_MM**2


def test_specks_of_the_label_elsewhere_move_nothing():
    def specks(values, points):
        values[np.linalg.norm(points - [-10.0, 0.0, 5.0], axis=1) < 3.0] = VEIN

    border = labelled(drawn(specks)).borders["LSPV"]
    assert border.centre @ AXIS == pytest.approx(OSTIUM_MM, abs=0.15)


def test_a_label_that_touches_no_body_has_no_border():
    def parted(values, points):
        past = (points @ AXIS >= OSTIUM_MM) & (values == VEIN)
        values[past & (points @ AXIS < 35.0)] = OTHER

    found = labelled(drawn(parted), LIPV=(OTHER,))
    assert set(found.borders) == {"LIPV"}
    assert found.values["LIPV"] == (OTHER,)


def test_an_unnamed_label_that_touches_the_lumen_is_a_caution():
    def beside(values, points):
        # A piece of the vein, 8 mm long, and one that touches nothing.
        far = (values == VEIN) & (points @ AXIS > 34.0)
        values[far] = UNNAMED
        values[np.linalg.norm(points - [-30.0, 25.0, 20.0], axis=1) < 3.0] = 7

    notes = labelled(drawn(beside)).notes
    (told,) = [note for note in notes if "touches the lumen" in note.text]
    assert told.severity == "caution"
    assert "label 9, which the label map does not name" in told.text
    # The section of the vein, 154 mm2, in steps of voxels: at most the square root of 3 more.
    area = float(told.text.split("over ")[1].split(" mm²")[0])
    assert np.pi * RADIUS_MM**2 * 0.95 < area < np.pi * RADIUS_MM**2 * 1.8
