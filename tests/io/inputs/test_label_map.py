"""The label map: what it may say, and that every fault is named."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from veinfit.errors import InputError
from veinfit.io.inputs.label_map import label_map_from_mapping, read_label_map
from veinfit.labels import LABEL_NAMES

GOOD = """
# Larkmoor, invented
[labels]
left_atrium = 1
LSPV = 2
LIPV = [3, 13]
RMPV-2 = 4
extra-1 = 5
appendage = 6
septum = 7

[structures]
oesophagus = 8
right_phrenic_nerve = [9, 10]
"Vena cava sup" = 11
"""


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "map.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refused(text: str | bytes, folder: Path) -> str:
    path = written(folder, text)
    with pytest.raises(InputError) as caught:
        read_label_map(path)
    message = str(caught.value)
    assert "\n" not in message
    assert str(path) in message
    return message


def test_names_and_values(tmp_path):
    read = read_label_map(written(tmp_path, GOOD))
    assert read.labels["LIPV"] == (3, 13)
    assert read.labels["RMPV-2"] == (4,)
    assert list(read.labels) == [
        "left_atrium", "LSPV", "LIPV", "RMPV-2", "extra-1", "appendage", "septum",
    ]  # fmt: skip
    assert read.structures == {
        "oesophagus": (8,), "right_phrenic_nerve": (9, 10), "Vena cava sup": (11,),
    }  # fmt: skip


def test_every_label_name_is_taken():
    content = {"labels": {name: k for k, name in enumerate(LABEL_NAMES, start=1)}}
    assert set(label_map_from_mapping(content).labels) == set(LABEL_NAMES)


def test_byte_order_mark_and_dos_line_ends(tmp_path):
    text = "\ufeff[labels]\r\nleft_atrium = 1\r\n"
    assert read_label_map(written(tmp_path, text)).labels == {"left_atrium": (1,)}


def test_structures_may_be_missing_and_a_value_may_be_repeated_under_its_name():
    read = label_map_from_mapping({"labels": {"left_atrium": [4, 4, 5]}})
    assert read.labels == {"left_atrium": (4, 5)}
    assert read.structures == {}


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("lspv", "LSPV"),
        ("LPSV", "LSPV"),
        ("left_artium", "left_atrium"),
        ("Pulmonary_Vein", "pulmonary_veins"),
        ("apendage", "appendage"),
        ("RMPV2", "RMPV-2"),
    ],
)
def test_misspelt_name_offers_the_nearest(tmp_path, name, nearest):
    message = refused(f"[labels]\nleft_atrium = 1\n{name} = 2\n", tmp_path)
    assert f"unknown label {name!r}; did you mean {nearest!r}?" in message


@pytest.mark.parametrize("name", ["mitral", "extra-0", "extra-x", '"x y"'])
def test_name_without_a_near_one_lists_all(tmp_path, name):
    message = refused(f"[labels]\nleft_atrium = 1\n{name} = 2\n", tmp_path)
    assert "unknown label" in message


def test_far_name_lists_all(tmp_path):
    message = refused("[labels]\nleft_atrium = 1\nzzz = 2\n", tmp_path)
    assert all(name in message for name in LABEL_NAMES)


@pytest.mark.parametrize("value", ["0", "-1", "1.5", "true", '"1"', "[]", "[1, 0]"])
def test_values_are_whole_numbers_from_one(tmp_path, value):
    message = refused(f"[labels]\nleft_atrium = 9\nLSPV = {value}\n", tmp_path)
    assert "LSPV = " in message
    assert "whole number from 1 up" in message


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[labels]\nleft_atrium = 1\nLSPV = [2, 1]\n", "1 stands under both left_atrium and LSPV"),
        (
            "[labels]\nleft_atrium = 1\n[structures]\noesophagus = 1\n",
            "1 stands under both left_atrium and oesophagus",
        ),
        ("[labels]\nLSPV = 1\n", "must give the value of left_atrium"),
        ("[structures]\noesophagus = 1\n", "must give the value of left_atrium"),
        ("[label]\nleft_atrium = 1\n", "unknown table 'label'; did you mean 'labels'?"),
        ("labels = 3\n", "[labels] must be a table"),
        ("[labels]\nleft_atrium = 1\n[structures]\nseptum = 2\n", "septum belongs in [labels]"),
        ('[labels]\nleft_atrium = 1\n[structures]\n"a,b" = 2\n', "letters, digits"),
        ('[labels]\nleft_atrium = 1\n[structures]\n"" = 2\n', "letters, digits"),
        ("[labels\nleft_atrium = 1\n", "is not TOML"),
        (b"\xff\xfe\x00", "is not TOML"),
        ("", "is empty"),
    ],
)
def test_other_faults(tmp_path, text, says):
    assert says in refused(text, tmp_path)


def test_all_faults_are_listed_at_once(tmp_path):
    text = "[labels]\nleft_atrium = 0\nlspv = 2\nLIPV = 2\n[structure]\na = 1\n"
    message = refused(text, tmp_path)
    for says in ("left_atrium = 0", "'LSPV'?", "2 stands under both", "unknown table"):
        assert says in message


def test_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match=r"gone\.toml does not exist"):
        read_label_map(tmp_path / "gone.toml")
    with pytest.raises(InputError, match="is a folder"):
        read_label_map(tmp_path)


def test_the_maps_in_the_readme_can_be_read():
    readme = Path(__file__).parents[3] / "veinfit" / "io" / "README.md"
    maps = re.findall(r"```toml\n(.*?)```", readme.read_text(), re.S)
    found = [label_map_from_mapping(tomllib.loads(text)) for text in maps if "[labels]" in text]
    assert [map.labels for map in found] == [
        # The first explains what a map is.
        {"left_atrium": (1,), "pulmonary_veins": (2, 3), "appendage": (4,), "septum": (5,)},
        # The collection's README: 2 left atrium, 8 appendage, 10 all pulmonary veins.
        {"left_atrium": (2,), "appendage": (8,), "pulmonary_veins": (10,)},
        # As redistributed with the challenge: 36 body, 37 appendage, 76 to 79 the veins.
        {
            "left_atrium": (36,), "appendage": (37,),
            "RSPV": (76,), "RIPV": (77,), "LSPV": (78,), "LIPV": (79,),
        },
        {},
        {},
    ]  # fmt: skip
    # Class names as in the tables of its README.
    assert found[3].parts["pulmonary_veins"].file == "pulmonary_vein.nii.gz"
    assert found[4].parts["left_atrium"].at_least == 0.5
