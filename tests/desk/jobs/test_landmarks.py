"""Landmarks that are clicked leave the file that was given as it is, and what else it holds."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.desk.jobs import landmarks, setting_up
from veinfit.desk.jobs.setting_up import assign_parts
from veinfit.desk.store.cases import SIGNED, CaseFolder
from veinfit.desk.store.parts import Assigned
from veinfit.errors import InputError
from veinfit.io.inputs.landmarks import read_landmarks

GIVEN = b"""# frame: ras
# traced by hand
name,x_mm,y_mm,z_mm
right_phrenic_nerve,-41.23456,20.5,60.1
right_phrenic_nerve,-42,19.8,48.3
oesophagus,1,2,3
"""
NERVE_LPS = [[41.23456, -20.5, 60.1], [42.0, -19.8, 48.3]]
CLICKED = {"septal_crossing": [[-20.0, -20.0, 30.0]]}


def set_in(client, marks, **more):
    return client.told("case/a/landmarks", {"marks": marks, **more})


def of(case: CaseFolder):
    return read_landmarks(case.path / case.options.landmarks)


@pytest.mark.parametrize("looked_at", [True, False])
def test_what_is_clicked_stands_beside_what_was_given(client, ready, looked_at):
    case = ready("a")
    client.send("a", "landmarks.csv", GIVEN)
    if looked_at:
        client.told("case/a/setup")
    assert set_in(client, CLICKED) == {}
    assert (case.path / "inputs" / "landmarks.csv").read_bytes() == GIVEN
    found = of(case)
    assert found.frame == "ras"
    np.testing.assert_allclose(found["right_phrenic_nerve"], NERVE_LPS, rtol=0, atol=1e-9)
    np.testing.assert_allclose(found["septal_crossing"], CLICKED["septal_crossing"], atol=1e-9)
    assert list(found) == ["right_phrenic_nerve", "oesophagus", "septal_crossing"]
    # The run takes them, and finds every file as it is told.
    assert {one.path for one in case.options.files} >= {
        "inputs/landmarks.csv", "inputs/desk.landmarks.csv",
    }  # fmt: skip


def test_a_landmark_that_was_seen_can_be_taken_away(client, ready):
    case = ready("a")
    client.send("a", "landmarks.csv", GIVEN)
    marks = client.told("case/a/setup")["marks"]
    seen = list(marks)
    del marks["oesophagus"]
    marks["right_phrenic_nerve"].append([43.0, -19.0, 40.0])
    assert set_in(client, marks, seen=seen) == {}
    found = of(case)
    assert list(found) == ["right_phrenic_nerve"]
    assert found["right_phrenic_nerve"][-1].tolist() == [43.0, -19.0, 40.0]
    told = set_in(client, {}, seen=seen)
    assert told["fault"] == (
        "landmarks.csv holds landmarks: to do without them, remove that file first"
    )
    assert list(of(case)) == ["right_phrenic_nerve"]
    client.told("case/a/take-out", {"path": "inputs/landmarks.csv"})
    assert set_in(client, {}, seen=seen) == {}
    assert client.told("case/a/setup")["marks"] == {} and case.options.landmarks == ""


def test_points_that_nobody_moved_keep_all_their_digits(client, ready):
    case = ready("a")
    client.send("a", "landmarks.csv", GIVEN)
    marks = client.told("case/a/setup")["marks"]
    assert marks["right_phrenic_nerve"][0] == [41.23, -20.5, 60.1]
    assert set_in(client, {**marks, **CLICKED}, seen=list(marks)) == {}
    np.testing.assert_allclose(of(case)["right_phrenic_nerve"], NERVE_LPS, rtol=0, atol=1e-9)


@pytest.mark.parametrize("looked_at", [True, False])
def test_what_cannot_be_read_is_not_passed_over(client, ready, looked_at):
    case = ready("a")
    bad = GIVEN.replace(b"19.8", b"nineteen")
    client.send("a", "landmarks.csv", bad)
    if looked_at:
        client.told("case/a/setup")
    assert set_in(client, CLICKED)["fault"] == (
        "landmarks landmarks.csv: line 5: y_mm 'nineteen' is not a number; correct the file or "
        "remove it, then set landmarks again"
    )
    assert (case.path / "inputs" / "landmarks.csv").read_bytes() == bad
    assert not (case.path / "inputs" / "desk.landmarks.csv").exists()
    client.told("case/a/take-out", {"path": "inputs/landmarks.csv"})
    assert set_in(client, CLICKED) == {} and list(of(case)) == ["septal_crossing"]


@pytest.mark.parametrize("seen", ["oesophagus", [1], {}])
def test_names_that_were_seen_are_a_list(client, ready, seen):
    ready("a")
    assert "list of names" in set_in(client, CLICKED, seen=seen)["fault"]


def test_a_label_map_that_was_given_stays(client, ready):
    case = ready("a")
    given = b"# mine\n[labels]\nleft_atrium = 1\n"
    client.send("a", "labels.toml", given)
    client.send("a", "a.nii.gz", b"x")
    assign_parts(case, [Assigned("a.nii.gz", 2, "left_atrium")], "reader 1", case.path.parent)
    assert (case.path / "inputs" / "labels.toml").read_bytes() == given
    assert case.options.labels == "inputs/desk.labels.toml"


@pytest.mark.parametrize("name", ["desk.landmarks.csv", "Desk.Labels.TOML"])
def test_no_file_that_is_sent_gets_a_name_of_the_desk_itself(client, ready, name):
    ready("a")
    assert client.send("a", name, GIVEN)["path"] == f"inputs/given-{name}"


@pytest.mark.parametrize("what", ["landmarks", "parts"])
def test_a_case_that_is_signed_on_the_way_is_left_as_it_is(client, ready, monkeypatch, what):
    case = ready("a")
    client.send("a", "a.nii.gz", b"x")
    module, name = (landmarks, "is_structure_name") if what == "landmarks" else (
        setting_up, "map_text")  # fmt: skip
    real = getattr(module, name)

    def signed_meanwhile(given):
        case.put_state(SIGNED, {"who": "reader 2"})
        return real(given)

    monkeypatch.setattr(module, name, signed_meanwhile)
    before = sorted(path.name for path in (case.path / "inputs").iterdir())
    with pytest.raises(InputError, match="signed"):
        if what == "landmarks":
            landmarks.set_landmarks(case, CLICKED, "reader 1")
        else:
            part = Assigned("a.nii.gz", 1, "left_atrium")
            assign_parts(case, [part], "reader 1", case.path.parent)
    assert sorted(path.name for path in (case.path / "inputs").iterdir()) == before
