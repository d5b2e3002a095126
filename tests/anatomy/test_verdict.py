"""What the input is worth: told from what is known of it."""

from __future__ import annotations

import atria
import numpy as np
import pytest
from benchmarks.cut_stubs import cut_short
from scipy.spatial import cKDTree

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.verdict import COST_OF_EDGE, input_verdict
from veinfit.notes import Note, verdict_first
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.surface.mesh import edges, select_faces


def sheet(edge_mm: float) -> Surface:
    """Right triangles on a square sheet: two edges of three have this length."""
    n = 6
    points = np.stack(np.meshgrid(np.arange(n), np.arange(n), [0.0]), -1).reshape(-1, 3) * edge_mm
    corner = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate(
        [
            np.stack([corner, corner + 1, corner + n], 1),
            np.stack([corner + 1, corner + n + 1, corner + n], 1),
        ]
    )
    return Surface(points, faces)


def judged(edge_mm=1.0, voxel_mm=None, short=(), lost=(), holes=(0, 0), repairs=()):
    wall = sheet(edge_mm)
    return input_verdict(wall, voxel_mm, {"LSPV": 12.0}, short, lost, holes, repairs)


def test_a_fine_whole_input_is_sound():
    verdict = judged()
    assert verdict.is_sound and verdict.note.severity == "info"
    assert verdict.edge_mm == pytest.approx(1.0)
    assert "edges of 1.0 mm" in verdict.note.text and "nothing was repaired" in verdict.note.text


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"short": ("RIPV",)}, "too short for a certain axis: RIPV"),
        ({"lost": ("RIPV",)}, "not measured: RIPV"),
        ({"holes": (0, 2)}, "2 further openings belong to no vein and stay open"),
        ({"holes": (0, 1)}, "1 further opening belongs to no vein and stays open"),
        ({"voxel_mm": 3.0}, "voxels of up to 3.0 mm"),
        ({"edge_mm": 2.5}, "edges of 2.5 mm"),
        ({"edge_mm": 4.0}, "the error that it causes is not known"),
    ],
)
def test_what_needs_care_is_told_and_a_caution(values, said):
    verdict = judged(**values)
    assert not verdict.is_sound
    assert said in verdict.note.text and verdict.note.severity == "caution"


def test_what_was_found_in_an_input_comes_before_what_is_true_of_all():
    text = judged(short=("LSPV",), repairs=("2 parts were joined",)).note.text
    told = ("too short for a certain axis: LSPV", "edges of", "repaired: 2 parts", "errors were")
    at = [text.index(words) for words in told]
    assert at == sorted(at) and at[0] == 0


def test_costs_lie_between_those_measured():
    rows = np.array(COST_OF_EDGE)
    # No resolution is free, and a coarser one costs no less.
    assert np.all(rows[:, 1:] > 0) and np.all(np.diff(rows, axis=0) >= 0)
    assert np.all(rows[:, 1::2] < rows[:, 2::2])
    between = judged(edge_mm=2.5)
    assert rows[2, 1] <= between.d_area_error_mm <= rows[3, 1]
    assert judged(edge_mm=4.0).d_area_error_mm is None


def test_it_comes_before_every_other_note():
    notes = [Note("input", "a", severity="caution"), Note("verdict", "b"), Note("input", "a")]
    assert [note.text for note in verdict_first(notes)] == ["b", "a", "a"]


@pytest.mark.slow
def test_a_hole_that_is_filled_is_counted():
    surface = atria.open_surface()
    middle = surface.points[surface.faces].mean(axis=1)
    pairs, _, counts = edges(surface)
    rims = surface.points[np.unique(pairs[counts == 1])]
    # One triangle, as far from every cut end as can be.
    far = int(np.argmax(cKDTree(rims).query(middle)[0]))
    holed, _ = select_faces(surface, np.arange(len(surface.faces)) != far)
    found = find_anatomy(LumenInput(holed), Settings())
    assert found.verdict is not None
    assert (found.verdict.holes_filled, found.verdict.holes_open) == (1, 0)
    assert "1 holes under 3 mm across were filled" in found.verdict.note.text
    assert found.notes[0] == found.verdict.note
    assert set(found.verdict.stub_mm) == {v.name for v in found.veins}


@pytest.mark.slow
def test_it_names_the_veins_whose_axis_is_told_to_be_uncertain():
    surface = atria.open_surface()
    first = find_anatomy(LumenInput(surface), Settings())
    short = cut_short(surface, first.veins[:2], 3.0, is_open=True)
    for found, some in ((first, False), (find_anatomy(LumenInput(short), Settings()), True)):
        cautioned = {note.subject for note in found.notes if "the axis is uncertain" in note.text}
        assert found.verdict is not None and set(found.verdict.short_stubs) == cautioned
        assert bool(cautioned) == some
