"""Frames that are wrong: refused with the remedy, or a warning before everything else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from veinfit.anatomy import find_anatomy
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.naming.frame_check import (
    ALL_AXES,
    HALF_TURN,
    MIRRORED_LEFT_RIGHT,
    STATED,
    FlatSide,
    OtherFrame,
    StatedFrame,
    rarity,
    seen_in,
)
from veinfit.anatomy.naming.names import name_candidates
from veinfit.case import read_case
from veinfit.errors import InputError
from veinfit.settings import Settings
from veinfit.surface import Surface

SAMPLES = Path(__file__).parents[3] / "sample_meshes"
INPUTS = {
    "larkmoor-01.ply": None,
    "larkmoor-02.stl": None,
    "larkmoor-03.nii.gz": "larkmoor-03.labels.toml",
    "larkmoor-04.ply": None,
}


def lumen_of(name, **options):
    labels = INPUTS[name] and SAMPLES / INPUTS[name]
    return read_case(SAMPLES / name, labels=labels, **options).lumen


def test_there_are_48_frames_with_the_same_axes():
    assert len(set(ALL_AXES)) == 48
    assert ALL_AXES[0] == STATED
    points = np.arange(3.0)[None] + 1.0
    assert len({tuple(seen_in(axes, points)[0]) for axes in ALL_AXES}) == 48


@pytest.mark.parametrize(("angle", "misfit"), [(0.0, 0.0), (25.0, 0.5), (50.0, 2.0), (90.0, 3.0)])
def test_a_flat_side_counts_by_its_angle_to_the_front_back_axis(angle, misfit):
    # Half the square of the deviations, of 25 degrees, and at most 3.
    path = np.array([0.0, np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    assert FlatSide(path, 1.0).misfit(STATED) == pytest.approx(misfit, abs=1e-9)
    assert FlatSide(-path, 0.5).misfit(STATED) == pytest.approx(0.5 * misfit, abs=1e-9)


@pytest.mark.parametrize(
    ("axes", "cost"),
    [
        (HALF_TURN, 0.0),
        ((1, -2, -3), 0.0),
        ((-1, 2, 3), 1.0),
        ((1, -3, 2), 2.0),  # a scene on its side
        ((1, 3, 2), 3.0),
    ],
)
def test_a_file_is_more_seldom_in_a_mirrored_frame_and_in_one_with_exchanged_axes(axes, cost):
    assert rarity(axes) == cost


@pytest.mark.parametrize(
    ("axes", "stated", "words"),
    [
        (HALF_TURN, StatedFrame("lps"), "pass --frame ras if the file is in RAS"),
        (HALF_TURN, StatedFrame("ras"), "pass --frame lps if the file is in LPS"),
        (HALF_TURN, StatedFrame(from_volume=True), "correct the orientation in its header"),
        # x is read from the third axis of the file, y from its first, z from its second.
        ((3, 1, 2), StatedFrame("lps"), "axes point to the patient's back, head and left"),
        ((3, 1, 2), StatedFrame("ras"), "axes point to the patient's front, foot and left"),
        ((1, -3, 2), StatedFrame("lps"), "axes point to the patient's left, head and front"),
    ],
)
def test_a_refusal_tells_what_was_found_and_every_remedy(axes, stated, words):
    text = OtherFrame(axes, 20.0).refusal(stated)
    assert words in text
    assert "--trust-frame" in text
    assert "\n" not in text


@pytest.mark.parametrize(
    ("better_by", "axes", "refused", "doubted", "most"),
    [
        (9.0, HALF_TURN, True, True, 0.5),
        (9.0, MIRRORED_LEFT_RIGHT, False, True, 0.5),
        (5.0, HALF_TURN, False, True, 0.5),
        # The odds of 1 to e that the other frame is the right one.
        (-1.0, HALF_TURN, False, True, 0.7311),
        (-1.0, MIRRORED_LEFT_RIGHT, False, True, 0.5),
        (-3.0, HALF_TURN, False, False, 1.0),
    ],
)
def test_what_follows_from_how_much_better_another_frame_fits(
    better_by, axes, refused, doubted, most
):
    other = OtherFrame(axes, better_by)
    assert (other.is_refused, other.is_doubted) == (refused, doubted)
    assert other.most_confidence == pytest.approx(most, abs=1e-4)
    note = other.note(StatedFrame())
    assert (note is not None) == doubted
    # What prints a warning puts a colon before it: another would be the second in one sentence.
    assert note is None or (note.severity == "warning" and ":" not in note.text)


def test_a_frame_that_is_doubted_and_not_refused_is_told_with_the_remedy():
    note = OtherFrame(HALF_TURN, 5.0).note(StatedFrame("lps"))
    assert "pass --frame ras if the file is in RAS" in note.text


@pytest.mark.slow
def test_the_sample_with_a_common_trunk_in_the_wrong_frame_is_refused_unless_trusted():
    with pytest.raises(InputError, match="pass --frame lps if the file is in LPS") as caught:
        find_anatomy(lumen_of("larkmoor-02.stl", frame="ras"), Settings(), "ras")
    assert "--trust-frame" in str(caught.value)
    trusted = lumen_of("larkmoor-02.stl", frame="ras", trust_frame=True)
    anatomy = find_anatomy(trusted, Settings(), "ras")
    assert [n.severity for n in anatomy.notes].count("warning") == 1
    assert max(vein.name_confidence for vein in anatomy.veins) <= 0.5


@pytest.mark.slow
def test_a_mirrored_sample_is_warned_of_and_not_refused():
    lumen = lumen_of("larkmoor-02.stl")
    mirrored = Surface(lumen.surface.points * [-1.0, 1.0, 1.0], lumen.surface.faces)
    anatomy = find_anatomy(LumenInput(mirrored), Settings())
    (note,) = [n for n in anatomy.notes if n.severity == "warning"]
    assert "mirrored left to right" in note.text
    assert max(vein.name_confidence for vein in anatomy.veins) <= 0.5


def told_in(axes, lumen):
    """Find a sample's veins in another frame; None where it is refused."""
    surface = Surface(seen_in(axes, lumen.surface.points), lumen.surface.faces)
    hints = {k: seen_in(axes, points) for k, points in lumen.hints.items()}
    try:
        return find_anatomy(replace(lumen, surface=surface, hints=hints), Settings())
    except InputError as error:
        assert "--trust-frame" in str(error), axes
        return None


@pytest.mark.slow
@pytest.mark.parametrize("name", INPUTS)
def test_no_sample_passes_silently_in_any_of_48_frames(name, monkeypatch):
    """What was found is looked at in all frames; some are found anew, which tells the same."""
    lumen, asked = lumen_of(name), []

    def named(candidates, common_trunk_mm, stated):
        asked.append((candidates, stated))
        return name_candidates(candidates, common_trunk_mm, stated)

    monkeypatch.setattr("veinfit.anatomy.naming.with_bulges.name_candidates", named)
    find_anatomy(lumen, Settings())
    ((candidates, stated),) = asked
    verdicts = {}
    for axes in ALL_AXES:
        seen = [
            replace(
                candidate,
                place=seen_in(axes, candidate.place[None])[0],
                direction=seen_in(axes, candidate.direction[None])[0],
            )
            for candidate in candidates
        ]
        flat = FlatSide(seen_in(axes, stated.flat.thinnest[None])[0], stated.flat.clear)
        try:
            naming = name_candidates(
                seen, Settings().anatomy.common_trunk_mm, replace(stated, flat=flat)
            )
        except InputError as error:
            assert "--trust-frame" in str(error), axes
            verdicts[axes] = "refused"
            continue
        verdicts[axes] = "warned" if naming.other_frame.note(stated) else "silent"
    assert [axes for axes, said in verdicts.items() if said == "silent"] == [STATED]
    # As files are that say LPS for RAS, or stand on their head.
    assert {verdicts[axes] for axes in (HALF_TURN, (1, -2, -3), (-1, 2, -3))} == {"refused"}
    # All but the right one and its mirror image, which labels of single veins contradict, and at
    # most one more that is mirrored, as few files are.
    refused = sum(said == "refused" for said in verdicts.values())
    assert refused >= (46 if INPUTS[name] else 45)

    # Every second one mirrored, the others in one of the frames that are refused.
    axes = (MIRRORED_LEFT_RIGHT, (3, 1, 2))[list(INPUTS).index(name) % 2]
    anatomy = told_in(axes, lumen)
    assert (anatomy is None) == (verdicts[axes] == "refused"), axes
    assert anatomy is None or "warning" in {note.severity for note in anatomy.notes}, axes
