"""Which cases a folder, a pattern and a list stand for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from veinfit.cohort.batch.cases import BatchCase, find_cases
from veinfit.cohort.batch.plan import case_key
from veinfit.errors import InputError


def touch(folder, *names):
    for name in names:
        (folder / name).write_bytes(b"x")


def test_folder_holds_meshes_and_volumes_with_what_lies_beside(tmp_path):
    touch(tmp_path, "b.nii.gz", "b.labels.toml", "b.landmarks.csv", "a.ply", "notes.txt", ".c.ply")
    touch(tmp_path, "b.corrections.toml")
    found = find_cases([tmp_path], frame="ras", unit="cm")
    assert found.remarks == ("corrections by hand are used in 1 cases",)
    assert found.cases == (
        BatchCase("a", str(tmp_path / "a.ply"), frame="ras", unit="cm"),
        BatchCase(
            "b",
            str(tmp_path / "b.nii.gz"),
            str(tmp_path / "b.labels.toml"),
            str(tmp_path / "b.landmarks.csv"),
            str(tmp_path / "b.corrections.toml"),
        ),
    )


def test_common_label_map_is_for_volumes_without_their_own(tmp_path):
    touch(tmp_path, "a.nrrd", "b.nrrd", "b.labels.toml", "c.stl")
    found = find_cases([tmp_path], labels="map.toml").cases
    assert [c.labels for c in found] == ["map.toml", str(tmp_path / "b.labels.toml"), None]


def test_a_dicom_file_is_a_case(tmp_path):
    touch(tmp_path, "a.dcm")
    (found,) = find_cases([tmp_path / "a.dcm"]).cases
    assert (found.case, found.input) == ("a", str(tmp_path / "a.dcm"))


def test_further_volumes_are_part_of_the_key(tmp_path):
    for name in ("a.nii", "b.nii", "c.nii"):
        (tmp_path / name).write_bytes(name.encode())
    (tmp_path / "map.toml").write_text('[labels]\nleft_atrium = 1\nLSPV = "c.nii"\n')
    case = BatchCase("a", str(tmp_path / "a.nii"), labels=str(tmp_path / "map.toml"))
    further = replace(case, also=(str(tmp_path / "b.nii"),))
    keys = [case_key(case, "plan"), case_key(further, "plan")]
    for name in ("b.nii", "c.nii"):
        (tmp_path / name).write_bytes(b"other")
        keys += [case_key(case, "plan"), case_key(further, "plan")]
    # Only the case that has b knows of it; c, which the map names, both.
    assert keys[2] == keys[0] and len({keys[0], keys[1], *keys[3:]}) == 5


def test_pattern(tmp_path):
    touch(tmp_path, "a1.ply", "a2.stl", "b1.ply", "a3.txt")
    assert [c.case for c in find_cases([f"{tmp_path}/a*"]).cases] == ["a1", "a2"]


def test_a_name_with_brackets_is_a_file_when_there_is_one(tmp_path):
    touch(tmp_path, "a[1].ply")
    assert [c.case for c in find_cases([tmp_path / "a[1].ply"]).cases] == ["a[1]"]


def test_list_of_cases(tmp_path):
    (tmp_path / "list.csv").write_text(
        "\ufeffcase, input,labels,landmarks,frame,unit,phase,ward,also\n"
        'two,sub/b.nii,map.toml,,,,"35 %",W,sub/c.nii; d.dcm\n'
        "\n"
        "one,a.ply,,marks.csv,RAS,cm,,W,\n",
        encoding="utf-8",
    )
    found = find_cases([tmp_path / "list.csv"])
    assert found.cases == (
        BatchCase(
            "one",
            str(tmp_path / "a.ply"),
            landmarks=str(tmp_path / "marks.csv"),
            frame="ras",
            unit="cm",
        ),
        BatchCase(
            "two",
            str(tmp_path / "sub/b.nii"),
            str(tmp_path / "map.toml"),
            None,
            phase="35 %",
            also=(str(tmp_path / "sub/c.nii"), str(tmp_path / "d.dcm")),
        ),
    )
    (remark,) = found.remarks
    assert "not used: ward" in remark


@pytest.mark.parametrize(
    ("separator", "encoding"), [(";", "utf-8-sig"), ("\t", "utf-16"), (",", "utf-8")]
)
def test_a_list_as_spreadsheets_save_it(tmp_path, separator, encoding):
    rows = [["case", "input", "also"], ["Björk 1", "a.nii", '"b.nii; c.nii"']]
    text = "\r\n".join(separator.join(row) for row in rows)
    (tmp_path / "list.csv").write_bytes(text.encode(encoding))
    (case,) = find_cases([tmp_path / "list.csv"]).cases
    assert (case.case, case.input) == ("Björk 1", str(tmp_path / "a.nii"))
    assert case.also == (str(tmp_path / "b.nii"), str(tmp_path / "c.nii"))


def test_a_path_that_is_not_there_is_told(tmp_path):
    with pytest.raises(InputError, match="gone does not exist; check the path"):
        find_cases([tmp_path / "gone"])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("case,path\na,b.ply\n", "lacks input"),
        ("case,input,landmark\na,b.ply,c\n", "did you mean 'landmarks'"),
        ("case,input\n", "holds no case"),
        (
            "case,input\na,\n,b.ply\n",
            "line 2: input is empty; give the case's file; line 3: case is empty; name it",
        ),
        ("case,input\na,b.ply,c,d\n", "line 2: has more values"),
        ("case,input\na,b.doc\n", "extension '.doc'"),
        ("case,input,frame\na,b.ply,xyz\n", "frame 'xyz' is not known; give lps or ras"),
        ("case,input,unit\na,b.nii,cm\n", "unit is for meshes"),
        ("case,input,also\na,b.ply,c.nii\n", "also is for label volumes"),
        ("case,input,case\na,b.ply,c\n", "case appears twice"),
        ("case,input\na,b.ply\na,c.ply\n", "the cases a appear twice"),
    ],
)
def test_what_is_wrong_in_a_list_is_named(tmp_path, text, told):
    (tmp_path / "list.csv").write_text(text)
    with pytest.raises(InputError, match=r"(?s).") as error:
        find_cases([tmp_path / "list.csv"])
    assert told in str(error.value)


def test_list_that_is_no_text(tmp_path):
    (tmp_path / "list.csv").write_bytes(b"case,input\n\xff\xfe\n")
    with pytest.raises(InputError, match="UTF-8"):
        find_cases([tmp_path / "list.csv"])


def test_files_of_one_name_are_refused(tmp_path):
    touch(tmp_path, "a.ply", "a.stl")
    with pytest.raises(InputError, match="cases a appear twice"):
        find_cases([tmp_path])


@pytest.mark.parametrize("what", ["empty", "none*.ply", "missing.doc"])
def test_nothing_found(tmp_path, what):
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"holds no case|no case matches|does not exist"):
        find_cases([tmp_path / what])
