"""Corrections by hand: they do what they say, to what they name and to nothing else."""

from __future__ import annotations

from dataclasses import replace

import atria
import numpy as np
import pytest

from veinfit.anatomy import detect, measure
from veinfit.anatomy.corrections import added_vein, apply
from veinfit.anatomy.corrections.apply import Correction, correct
from veinfit.anatomy.corrections.hand_set import HAND_SET_ERROR_MM
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.perturbed_walls import middle_share
from veinfit.errors import InputError
from veinfit.frames import clock_direction
from veinfit.io.inputs.corrections import corrections_from_mapping, read_corrections
from veinfit.io.results.corrections_text import correction_entry, corrections_text
from veinfit.result.input_mark import InputMark
from veinfit.settings import Settings
from veinfit.vectors import angle_deg

WHO = {"who": "reader 2", "why": "seen otherwise"}


@pytest.fixture(scope="module")
def found():
    return detect(LumenInput(atria.open_surface()), Settings(), "lps", lambda stage: None)


@pytest.fixture(scope="module")
def automatic(found):
    return measure(found)


@pytest.fixture(scope="module")
def veins(automatic):
    return {v.name: v for v in automatic.veins}


@pytest.fixture
def corrected(found, automatic):
    return lambda *entries: correct(found, automatic, entries)


def one(vein: str, **values) -> Correction:
    return Correction(vein, **WHO, **values)


def by_name(anatomy):
    return {v.name: v for v in anatomy.veins}


def same(vein, other) -> bool:
    """Whether two veins are one and the same but for the numbering of their end's vertices."""
    return all(
        getattr(vein, name) is getattr(other, name)
        for name in ("ostium", "centreline", "sections", "axis", "notes", "takeoff_wall_deg")
    )


def test_no_correction_changes_nothing(corrected, automatic):
    assert corrected() is automatic


def test_a_shift_moves_one_ostium_along_its_centreline_and_no_other(corrected, veins, automatic):
    result = corrected(one("RSPV", shift_mm=2.0))
    after = by_name(result)
    old, new = veins["RSPV"].ostium, after["RSPV"].ostium
    # The plane keeps its normal and goes through the centreline's point at 2 mm.
    assert angle_deg(new.normal, old.normal) < 1e-6
    line = veins["RSPV"].centreline
    point = np.array([np.interp(2.0, line.s_mm, line.points[:, k]) for k in range(3)])
    assert abs((new.centre - point) @ new.normal) < 1e-9
    assert 1.0 < np.linalg.norm(new.centre - old.centre) < 3.0
    # Toward the vein its flare narrows.
    assert new.measures.d_area_mm < old.measures.d_area_mm
    assert new.error_mm == HAND_SET_ERROR_MM
    assert all(same(after[name], veins[name]) for name in veins if name != "RSPV")
    widths = {(r.start, r.end): r.width_mm for r in automatic.ridges}
    for ridge in result.ridges:
        touched = "RSPV" in (ridge.start, ridge.end)
        assert (ridge.width_mm == widths[ridge.start, ridge.end]) != touched


def test_a_plane_is_set_as_it_is_given(corrected, veins):
    old = veins["LIPV"].ostium
    again = by_name(corrected(one("LIPV", centre=old.centre, normal=old.normal)))["LIPV"].ostium
    assert again.measures.area_mm2 == pytest.approx(old.measures.area_mm2, rel=1e-9)
    assert np.linalg.norm(again.centre - old.centre) < 1e-6


def test_a_tilt_turns_the_normal_by_its_angle_toward_its_hour(corrected, veins):
    vein = veins["RSPV"]
    moved = by_name(corrected(one("RSPV", shift_mm=2.0, tilt_deg=5.0, tilt_toward_h=3.0)))["RSPV"]
    assert angle_deg(moved.ostium.normal, vein.ostium.normal) == pytest.approx(5.0, abs=1e-6)
    turned = moved.ostium.normal - vein.ostium.normal
    assert turned @ clock_direction(3.0, vein.axis) > 0.07


def test_both_values_are_kept_side_by_side_with_who_and_why(corrected, veins):
    result = corrected(one("RSPV", shift_mm=2.0))
    (record,) = result.corrections
    assert record.automatic is veins["RSPV"]
    assert record.corrected is by_name(result)["RSPV"]
    assert (record.who, record.why) == ("reader 2", "seen otherwise")
    note = record.corrected.notes[0]
    moved = np.linalg.norm(record.corrected.ostium.centre - record.automatic.ostium.centre)
    assert f"moved {moved:.1f} mm" in note.text
    assert note.text.endswith("(reader 2: seen otherwise)")
    assert note in result.notes


def test_names_can_be_exchanged_and_measures_stay(corrected, veins):
    after = by_name(corrected(one("RSPV", rename="RIPV"), one("RIPV", rename="RSPV")))
    assert after["RIPV"].ostium is veins["RSPV"].ostium
    assert after["RSPV"].ostium is veins["RIPV"].ostium
    assert after["RIPV"].name_confidence == 1.0
    assert (after["RIPV"].found_as, after["RSPV"].found_as) == ("RSPV", "RIPV")
    assert after["LSPV"].found_as == ""
    assert all(n.subject == "RIPV" for n in after["RIPV"].notes)
    assert same(after["LSPV"], veins["LSPV"])


def test_a_dropped_vein_is_gone_and_told(corrected, veins):
    result = corrected(one("LIPV", drop=True))
    # Its end is no opening that somebody should look after.
    assert result.verdict.holes_open == 0 and "further opening" not in result.verdict.note.text
    assert result.notes.count(result.verdict.note) == 1
    after = by_name(result)
    assert set(after) == set(veins) - {"LIPV"}
    assert all(same(after[name], veins[name]) for name in after)
    assert not any("LIPV" in (r.start, r.end) for r in result.ridges)
    assert [n.subject for n in result.notes if n.stage == "corrections"] == ["LIPV"]


def test_a_vein_that_was_dropped_is_found_again_from_a_point_in_it(corrected, veins):
    old = veins["RIPV"]
    point = old.sections[len(old.sections) // 2].centre
    after = by_name(corrected(one("RIPV", drop=True), one("RMPV", add_at=point)))
    assert set(after) == set(veins) - {"RIPV"} | {"RMPV"}
    assert after["RMPV"].ostium.measures.d_area_mm == old.ostium.measures.d_area_mm


def test_a_branch_that_was_not_seen_is_followed_from_a_point(found, automatic, veins):
    # As if the search had missed it: its branch and candidate are taken out of what was found.
    index = found.roles["RSPV"]
    lost = replace(found.candidates[index], tube=None, ostium=None)
    candidates = tuple(lost if k == index else c for k, c in enumerate(found.candidates))
    roles = {k: v for k, v in found.roles.items() if k != "RSPV"}
    blind = replace(found, candidates=candidates, roles=roles)
    line = veins["RSPV"].centreline
    result = correct(blind, measure(blind), [one("RSPV", add_at=line.points[-4])])
    again = by_name(result)["RSPV"].ostium
    assert np.linalg.norm(again.centre - veins["RSPV"].ostium.centre) < 1.0
    assert again.measures.d_area_mm == pytest.approx(
        veins["RSPV"].ostium.measures.d_area_mm, abs=0.7
    )
    assert len(by_name(result)["RSPV"].end_rims) == 1


def blinded(found, name):
    """Return what would have been found had the search missed a vein, and the way into it."""
    index = found.roles[name]
    seen = found.candidates[index]
    lost = replace(seen, tube=None, ostium=None)
    candidates = tuple(lost if k == index else c for k, c in enumerate(found.candidates))
    roles = {k: v for k, v in found.roles.items() if k != name}
    past = (seen.tube.path - seen.ostium.centre) @ seen.ostium.normal
    return replace(found, candidates=candidates, roles=roles), seen.tube.path, past


@pytest.fixture(scope="module")
def parallel():
    """An atrium whose left superior vein runs beside the appendage."""
    surface = atria.atrium("four", 1).open_surface()
    return detect(LumenInput(surface), Settings(), "lps", lambda stage: None)


@pytest.mark.parametrize("past_mm", [8.0, 12.0])
def test_a_point_lies_in_no_neighbour_that_a_plane_through_both_cuts(parallel, past_mm):
    blind, path, past = blinded(parallel, "LSPV")
    point = path[np.argmin(np.abs(past - past_mm))]
    added = added_vein.with_part(blind, "LSPV", point)
    ostium = added.candidates[added.roles["LSPV"]].ostium
    old = parallel.candidates[parallel.roles["LSPV"]].ostium
    assert np.linalg.norm(ostium.centre - old.centre) < 1.0
    # What does lie in the appendage still is its.
    tube = parallel.candidates[parallel.roles["LAA"]].tube
    with pytest.raises(InputError, match="lies in LAA"):
        added_vein.with_part(blind, "LSPV", tube.centres[len(tube.centres) // 2])


def test_an_added_vein_has_its_unsure_ostium_steadied_like_one_that_was_found(parallel):
    blind, path, past = blinded(parallel, "RSPV")
    point = path[np.argmin(np.abs(past - 5.0))]
    old = parallel.candidates[parallel.roles["RSPV"]].ostium
    alone = added_vein.with_part(blind, "RSPV", point)
    alone = alone.candidates[alone.roles["RSPV"]].ostium
    assert middle_share(alone) > 0.5
    automatic = measure(blind)
    result = correct(blind, automatic, [one("RSPV", add_at=point)])
    ostium = by_name(result)["RSPV"].ostium
    off = [np.linalg.norm(each.centre - old.centre) for each in (alone, ostium)]
    assert off[1] < 0.5 < 1.0 < off[0]
    before = by_name(automatic)
    assert all(same(vein, before[vein.name]) for vein in result.veins if vein.name != "RSPV")


def test_whoever_corrects_again_does_not_wait_for_what_was_added_before(parallel, monkeypatch):
    blind, path, past = blinded(parallel, "RSPV")
    add = one("RSPV", add_at=path[np.argmin(np.abs(past - 5.0))])
    automatic, calls, kept = measure(blind), [], {}
    steadied = apply.steadied
    monkeypatch.setattr(apply, "steadied", lambda *a: calls.append(1) or steadied(*a))

    def after(*entries):
        return by_name(correct(blind, automatic, entries, False, kept))

    alone = after(add)["RSPV"]
    moved = after(add, one("LIPV", shift_mm=1.0))
    assert len(calls) == 1
    assert np.array_equal(moved["RSPV"].ostium.centre, alone.ostium.centre)
    assert moved["LIPV"].ostium.by_hand
    # Another point, and another set of veins, are other questions.
    after(one("RSPV", add_at=path[np.argmin(np.abs(past - 8.0))]))
    after(add, one("LIPV", drop=True))
    assert len(calls) == 3 and len(kept) == 1


def test_an_added_vein_whose_ostium_is_set_keeps_it(parallel):
    blind, path, past = blinded(parallel, "RSPV")
    point = path[np.argmin(np.abs(past - 5.0))]
    old = parallel.candidates[parallel.roles["RSPV"]].ostium
    entry = one("RSPV", add_at=point, centre=old.centre, normal=old.normal)
    ostium = by_name(correct(blind, measure(blind), [entry]))["RSPV"].ostium
    assert np.linalg.norm(ostium.centre - old.centre) < 0.1
    assert ostium.by_hand


def test_a_point_from_which_no_ostium_can_be_told_is_refused_with_a_remedy(
    found, veins, monkeypatch
):
    seen = added_vein.single_candidate
    monkeypatch.setattr(
        added_vein, "single_candidate", lambda *given: replace(seen(*given), ostium=None)
    )
    index = found.roles["RSPV"]
    lost = replace(found.candidates[index], tube=None, ostium=None)
    candidates = tuple(lost if k == index else c for k, c in enumerate(found.candidates))
    roles = {k: v for k, v in found.roles.items() if k != "RSPV"}
    blind = replace(found, candidates=candidates, roles=roles)
    point = veins["RSPV"].centreline.points[-4]
    with pytest.raises(InputError, match="no ostium can be told from the atrium; give a point"):
        correct(blind, measure(blind), [one("RSPV", add_at=point)])


def test_the_appendage_and_a_vein_can_be_exchanged(corrected, veins, automatic):
    result = corrected(one("LSPV", rename="LAA"), one("LAA", rename="LSPV"))
    assert np.allclose(result.appendage.centre, veins["LSPV"].ostium.centre)
    assert "LSPV" in {*by_name(result), *result.unmeasured}
    assert same(by_name(result)["RSPV"], veins["RSPV"])


def test_what_cannot_be_followed_is_refused_in_one_line(corrected, veins, automatic):
    old = veins["RSPV"]
    plane = {"centre": old.ostium.centre, "normal": old.ostium.normal}
    far = old.ostium.centre + [60.0, 0.0, 0.0]
    for entries, said in (
        ([one("RMPV", drop=True)], "RMPV is no vein of this case; found were LSPV"),
        ([one("RSPV", rename="RIPV")], "RIPV would be the name of two veins"),
        ([one("RSPV", drop=True), one("RSPV", shift_mm=1.0)], "RSPV is dropped and corrected"),
        ([one("RSPV", shift_mm=1.0), one("RSPV", shift_mm=2.0)], "has its ostium set twice"),
        ([one("LAA", drop=True)], "LAA can be renamed"),
        ([one("RSPV", centre=far, normal=plane["normal"])], "does not cut it"),
        ([one("LSPV", **plane)], "does not cut it"),
        ([one("RSPV", centre=plane["centre"], normal=-plane["normal"])], "points to the atrium"),
        ([one("RSPV", centre=old.centreline.points[-1], normal=old.axis)], "cut"),
        ([one("RSPV", centre=automatic.body_centre, normal=[1.0, 0, 0])], "does not cut it"),
        ([one("RSPV", shift_mm=60.0)], "goes beyond that end"),
        ([one("RMPV", add_at=np.array([0.0, 0.0, 300.0]))], "outside the blood"),
        ([one("RMPV", add_at=old.sections[3].centre)], "lies in RSPV"),
        ([one("RMPV", add_at=automatic.body_centre)], "no vein could be followed"),
    ):
        with pytest.raises(InputError, match="corrections: ") as refused:
            corrected(*entries)
        assert said in str(refused.value)
        assert "\n" not in str(refused.value)


# --- the file


def entry(**values) -> dict:
    return {"correction": [{"vein": "LSPV", **WHO, **values}]}


def test_a_file_is_read_into_lps(tmp_path):
    path = tmp_path / "c.toml"
    path.write_text(
        'frame = "ras"\nwho = "reader 2"\n[[correction]]\nvein = "LSPV"\n'
        'centre_mm = [1, 2.5, 3]\nnormal = [0, 3, 4]\nwhy = "drawn"\n'
    )
    (read,) = read_corrections(path)
    # RAS to LPS changes the sign of x and y (DICOM PS3.3 C.7.6.2.1.1; nifti1.h).
    assert read.centre.tolist() == [-1.0, -2.5, 3.0]
    assert read.normal == pytest.approx([0.0, -0.6, 0.8])
    assert (read.who, read.why) == ("reader 2", "drawn")


def test_what_is_written_reads_back(tmp_path, veins):
    said = (
        one("LSPV", centre=veins["LSPV"].ostium.centre, normal=veins["LSPV"].ostium.normal),
        one("RSPV", rename="RMPV", shift_mm=-1.25, tilt_deg=3.0, tilt_toward_h=4.5),
        Correction("LIPV", 'a "quoted"\\ reader', "ümlaut", drop=True),
        one("extra-1", add_at=np.array([1.0, 2.0, -3.0])),
    )
    path = tmp_path / "c.toml"
    mark = InputMark("0123456789abcdef" * 4, "ras", "cm")
    path.write_text(corrections_text(said, "Larkmoor, invented"), encoding="utf-8")
    assert read_corrections(path).made_on is None
    text = corrections_text(said, "Larkmoor, invented\nsecond line", mark)
    path.write_text(text, encoding="utf-8")
    assert read_corrections(path).made_on == mark
    for read, written in zip(read_corrections(path), said, strict=True):
        for name in ("vein", "who", "why", "rename", "drop", "shift_mm", "tilt_deg"):
            assert getattr(read, name) == getattr(written, name)
        for name, most in (("centre", 6e-4), ("normal", 1e-6), ("add_at", 6e-4)):
            a, b = getattr(read, name), getattr(written, name)
            assert (a is None) == (b is None)
            assert a is None or np.abs(a - b).max() < most


def test_the_entry_to_paste_needs_who_and_why_alone(veins, tmp_path):
    text = correction_entry(veins["LSPV"])
    path = tmp_path / "c.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=r"who is missing; correction 1 \(LSPV\): why is missing"):
        read_corrections(path)
    path.write_text(text.replace('who = ""', 'who = "x"').replace('why = ""', 'why = "y"'))
    (read,) = read_corrections(path)
    assert read.vein == "LSPV" and not read.sets_ostium
    path.write_text(path.read_text().replace("shift_mm", "# ").replace("# centre", "centre")
                    .replace("# normal", "normal"))  # fmt: skip
    (read,) = read_corrections(path)
    assert np.abs(read.centre - veins["LSPV"].ostium.centre).max() < 6e-3


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ({}, "holds no [[correction]]"),
        ({"correction": 3}, "a table of its own"),
        ({"frame": "xyz", **entry(drop=True)}, "frame 'xyz' is not known"),
        ({"corections": 1, **entry(drop=True)}, "did you mean correction?"),
        (entry(shift=2.0), "key 'shift' is not known; did you mean shift_mm?"),
        (entry(), "corrects nothing"),
        (entry(rename="LSVP"), "did you mean LSPV?"),
        (entry(drop=True, shift_mm=1.0), "cannot stand beside shift_mm"),
        (entry(drop="yes"), "drop must be true or false"),
        (entry(centre_mm=[1, 2, 3]), "centre_mm and normal go together"),
        (entry(centre_mm=[1, 2], normal=[0, 0, 1]), "centre_mm must be three numbers"),
        # Whose length is none of a computer's numbers.
        (entry(centre_mm=[1, 2, 3], normal=[1e308, 0, 1]), "normal must be three numbers up to"),
        (
            entry(centre_mm=[1, 2, 3], normal=[0, 0, 0]),
            "normal must be three numbers that are not all zero",
        ),
        (entry(centre_mm=[1, 2, 3], normal=[0, 0, 1], shift_mm=1), "do one of the two"),
        (entry(shift_mm=float("nan")), "shift_mm must be a number from -30 to 30"),
        (entry(tilt_deg=3), "go together"),
        (entry(add_at_mm=[1, 2, 3], rename="LIPV"), "has its name in vein"),
        ({"correction": [{"vein": "LSPV", "drop": True}]}, "who is missing"),
        ({"made_on": "a.ply", **entry(drop=True)}, "made_on is a table, headed [made_on]"),
        ({"made_on": {}, **entry(drop=True)}, "made_on: input must be the SHA-256"),
        (
            {"made_on": {"input": "A" * 64}, **entry(drop=True)},
            "made_on: input must be the SHA-256",
        ),
        ({"made_on": {"imput": "a" * 64}, **entry(drop=True)}, "did you mean input?"),
        (
            {"made_on": {"input": "a" * 64, "frame": ["lps"]}, **entry(drop=True)},
            "made_on: frame ['lps'] is not known; state lps or ras",
        ),
        (
            {"made_on": {"input": "a" * 64, "unit": "inch"}, **entry(drop=True)},
            "made_on: unit 'inch' is not known; state mm or cm or m or um",
        ),
        (entry(why="two\nlines", drop=True), "why must be a text of one line"),
    ],
)
def test_every_fault_of_a_file_is_told(content, said):
    with pytest.raises(InputError) as refused:
        corrections_from_mapping(content)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


def test_all_faults_are_told_at_once():
    with pytest.raises(InputError, match=r"correction 1 .*correction 2 "):
        corrections_from_mapping(
            {"correction": [{"vein": "LSPV"}, {"vein": "nobody", "drop": True, **WHO}]}
        )
