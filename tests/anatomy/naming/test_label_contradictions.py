"""Labels that name a vein otherwise than its place does: told, and the name is in doubt."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.naming.label_contradictions import contradiction_notes
from veinfit.anatomy.naming.names import TEMPLATE, CandidateFeatures, name_candidates
from veinfit.case import read_case
from veinfit.settings import Settings
from veinfit.vectors import unit

SAMPLES = Path(__file__).parents[3] / "sample_meshes"
FOUR = ("LSPV", "LIPV", "RSPV", "RIPV")


def labelled(**labels):
    """The four veins, the appendage and the mitral side, with labels where some are given."""
    candidates = []
    for index, role in enumerate((*FOUR, "LAA", "MV")):
        place, direction = (unit(np.array(v)) for v in TEMPLATE[role])
        d_mm = {"MV": 34.0, "LAA": 15.0}.get(role, 16.0)
        candidates.append(
            CandidateFeatures(
                (index,), place, direction, d_mm, role != "LAA", role != "MV", 1.5, None,
                hint=labels.get(role, ""),
            )
        )  # fmt: skip
    return candidates


def test_right_labels_and_none_contradict_nothing():
    for labels in ({}, {role: role for role in FOUR}, {role: "some vein" for role in FOUR}):
        naming = name_candidates(labelled(**labels), 10.0)
        assert not naming.contradicted
        assert min(naming.confidence[role] for role in FOUR) > 0.9


@pytest.mark.parametrize(("first", "second"), [("LSPV", "RSPV"), ("LSPV", "LIPV")])
def test_exchanged_labels_are_told_whether_place_or_label_names_the_vein(first, second):
    labels = {role: role for role in FOUR} | {first: second, second: first}
    naming = name_candidates(labelled(**labels), 10.0)
    assert set(naming.contradicted) == {first, second}
    assert {naming.runner_up[first], naming.runner_up[second]} == {first, second}
    assert max(naming.confidence[role] for role in (first, second)) <= 0.5


def test_a_label_of_a_trunk_contradicts_none_of_its_branches():
    naming = name_candidates(labelled(LSPV="LCPV"), 10.0)
    assert "LSPV" not in naming.contradicted


def test_a_caution_says_which_of_the_two_names_the_vein():
    others = {"LSPV": "RSPV", "RIPV": "RSPV"}
    by_place, by_label = contradiction_notes(others, {"LSPV": "RSPV", "RIPV": "RIPV"})
    assert "lies where LSPV does, but its label says RSPV" in by_place.text
    assert "has the name of its label, but lies where RSPV does" in by_label.text
    assert {by_place.severity, by_label.severity} == {"caution"}


@pytest.mark.slow
def test_a_sample_whose_label_map_exchanges_two_veins_says_so(tmp_path):
    right = (SAMPLES / "larkmoor-03.labels.toml").read_text(encoding="utf-8")
    wrong = tmp_path / "labels.toml"
    for first, second in (("LSPV = 2", "RSPV = 5"), ("LSPV = 2", "LIPV = 3")):
        names = [entry.split(" = ")[0] for entry in (first, second)]
        text = right.replace(first, first.replace(names[0], "X")).replace(
            second, second.replace(names[1], names[0])
        )
        wrong.write_text(text.replace("X = ", f"{names[1]} = "), encoding="utf-8")
        lumen = read_case(SAMPLES / "larkmoor-03.nii.gz", labels=wrong).lumen
        anatomy = find_anatomy(lumen, Settings())
        doubted = {v.name for v in anatomy.veins if v.name_confidence <= 0.5}
        assert doubted == set(names)
        told = [n for n in anatomy.notes if "labels may be exchanged" in n.text]
        assert {n.subject for n in told} == set(names)
