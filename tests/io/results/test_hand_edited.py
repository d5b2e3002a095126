"""Finished cases that somebody edited by hand, with right check sums: used whole, or refused."""

from __future__ import annotations

import io
import json
import random
import zipfile
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

import jsonschema
import numpy as np
import pytest
from hand_edits import NO_NUMBERS, WRONG, edited, kinds_of_places

from veinfit.case import load_case
from veinfit.case.picturing import picture
from veinfit.cli import main
from veinfit.errors import InputError
from veinfit.io.results.archive_check import SEVERAL, SHAPES, WITH_GAPS
from veinfit.io.results.archive_types import TYPES, type_of
from veinfit.io.results.document import case_document, case_json, case_schema, read_document
from veinfit.io.results.schema_check import schema_fault
from veinfit.io.results.tables import case_tables

CASE = Path(__file__).parents[1] / "case_0_1.npz"
"""An invented atrium, with corrections, growth, plans and crossings."""


@pytest.fixture(scope="module")
def archive() -> tuple[Any, dict[str, np.ndarray]]:
    with np.load(CASE) as file:
        arrays = {name: file[name] for name in file.files}
    return json.loads(arrays.pop("tree").tobytes()), arrays


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("record")
    (folder / "case.npz").write_bytes(CASE.read_bytes())
    return json.loads(case_json(case_document(load_case(folder), ["veins.csv"])))


def write_archive(folder: Path, tree: Any, arrays: dict[str, np.ndarray]) -> Path:
    """Write an archive as numpy and zipfile do: all check sums are right."""
    text = np.frombuffer(json.dumps(tree).encode(), dtype=np.uint8)
    folder.mkdir(exist_ok=True)
    with zipfile.ZipFile(folder / "case.npz", "w") as file:
        for name, array in {"tree": text, **arrays}.items():
            member = io.BytesIO()
            np.lib.format.write_array(member, array, allow_pickle=False)
            file.writestr(f"{name}.npy", member.getvalue())
    return folder


def use(folder: Path) -> None:
    """Do with a case what the commands do, without drawing in space and without a new search."""
    result = load_case(folder)
    repr(result)
    case_tables(result)
    case_json(case_document(result))
    fit = result.fits[0]
    result.fit(fit.vein, fit.balloon, fit.approach)
    picture(result, fit, view="aim")


@pytest.mark.parametrize("share", range(4))
def test_an_edited_archive_is_used_or_refused_in_one_line(archive, tmp_path, share):
    tree, arrays = archive
    kinds = kinds_of_places(tree)
    rng = random.Random(share)
    refused = 0
    for _ in range(60):
        wrong, how = edited(tree, kinds, rng, (*WRONG, *NO_NUMBERS))
        folder = write_archive(tmp_path / "case", wrong, arrays)
        try:
            use(folder)
        except InputError as error:
            refused += 1
            told = str(error)
            assert "\n" not in told and len(told) < 400, how
            assert (
                told.endswith(("assess the case again", "assess it again")) or "there is no" in told
            )
            assert "case.npz" in told or "no aim map" in told, (told, how)
        except Exception as error:
            pytest.fail(f"{how}: {type(error).__name__}: {error}")
    assert 30 <= refused < 60


def test_an_edited_array_of_an_archive_is_used_or_refused_in_one_line(archive, tmp_path):
    tree, arrays = archive
    for name, array in arrays.items():
        for wrong in (
            array[:1], array[:0], array.ravel(), array.astype(float), array * 0,
            np.concatenate([array, array]), array.astype("<i8") * 1000, array[:3].astype("U9"),
        ):  # fmt: skip
            folder = write_archive(tmp_path / "case", tree, {**arrays, name: wrong})
            try:
                use(folder)
            except InputError as error:
                assert "case.npz" in str(error) and "\n" not in str(error)


def test_every_array_of_an_archive_has_a_shape_to_be_held_against():
    def arrays_in(hint: Any) -> bool:
        return get_origin(hint) is np.ndarray or any(map(arrays_in, get_args(hint)))

    held = {(name, part) for name, parts in SHAPES.items() for part in parts}
    hints = {(n, p): hint for n in TYPES for p, hint in get_type_hints(type_of(n)).items()}
    assert held == {place for place, hint in hints.items() if arrays_in(hint)}
    several = {place[1] for place in held if get_origin(hints[place]) is not np.ndarray}
    assert several >= SEVERAL
    assert {tuple(place.split(".")) for place in WITH_GAPS} <= set(hints)


@pytest.mark.parametrize(
    ("where", "value", "told"),
    [
        (("takeoff_frontal_deg",), "steep", r"Vein\.takeoff_frontal_deg is the text 'steep'"),
        (("name_confidence",), float("nan"), r"Vein\.name_confidence is no number"),
        (("trunk_length_mm",), 10**400, r"Vein\.trunk_length_mm is a number out of range"),
        (("notes",), {"map": {}}, r"Vein\.notes is a mapping"),
        (("axis", "shape"), [1, 3], r"Vein\.axis has the shape \(1, 3\)"),
        (("axis", "kind"), "<i8", r"Vein\.axis is an array of int64"),
        (("end_rims", "tuple", 0, "array", 0), 10**6, "rim of LSPV is of vertices that the wall"),
        (("end_rims", "tuple", 0, "array", 0), -1, "end_rims holds one that holds numbers below 0"),
    ],
)  # fmt: skip
def test_what_was_edited_is_named(archive, tmp_path, where, value, told):
    tree, arrays = archive
    wrong = json.loads(json.dumps(tree))
    at = wrong["value"]["parts"]["anatomy"]["parts"]["veins"]["tuple"][0]["parts"]
    for step in where[:-1]:
        at = at[step]
    at[where[-1]] = value
    with pytest.raises(InputError, match=rf"was changed since it was written \(.*{told}"):
        load_case(write_archive(tmp_path / "case", wrong, arrays))


def test_the_record_is_held_to_its_schema_as_a_whole_validator_does(record):
    schema = case_schema()
    whole = jsonschema.Draft202012Validator(schema)
    assert whole.is_valid(record) and not schema_fault(record, schema)
    # The whole validator takes a tenth of a second for all veins and fits.
    record = with_two_of_a_kind(record)
    assert whole.is_valid(record) and not schema_fault(record, schema)
    kinds = kinds_of_places(record)
    rng = random.Random(7)
    # A whole number beyond all others is valid there, and no use here.
    written = tuple(one for one in WRONG if one != 10**400)
    valid = 0
    for _ in range(300):
        wrong, how = edited(record, kinds, rng, written)
        fault = schema_fault(wrong, schema)
        assert whole.is_valid(wrong) == (not fault), (how, fault)
        valid += not fault
    assert 15 <= valid <= 150


def with_two_of_a_kind(value):
    """The same record with two objects at most in each list of objects."""
    if isinstance(value, dict):
        return {key: with_two_of_a_kind(each) for key, each in value.items()}
    if isinstance(value, list):
        kept = value[:2] if any(isinstance(each, dict) for each in value) else value
        return [with_two_of_a_kind(each) for each in kept]
    return value


def test_a_record_of_another_version_may_have_and_lack_parts(record):
    other = {**record, "surprise": 1}
    del other["comparisons"]
    assert schema_fault(other, case_schema()) == "comparisons is missing"
    assert schema_fault(other, case_schema(), same_version=False) == ""
    other["fits"] = {}
    assert schema_fault(other, case_schema(), same_version=False) == "fits is an object"


def test_commands_refuse_an_edited_case_with_exit_code_2(archive, record, tmp_path, capsys):
    tree, arrays = archive
    wrong = json.loads(json.dumps(tree))
    wrong["value"]["parts"]["anatomy"]["parts"]["veins"]["tuple"] = "LSPV"
    folder = write_archive(tmp_path / "case", wrong, arrays)
    told = json.loads(json.dumps(record))
    told["fits"][0]["depth_mm"] = "deep"
    (folder / "case.json").write_text(json.dumps(told))
    with pytest.raises(InputError, match=r"fits\[0\]\.depth_mm is the text 'deep'"):
        read_document(folder)
    picture_of = ["picture", str(folder), "--vein", "LSPV", "--balloon", "28"]
    for command in (
        [*picture_of, "--out", str(tmp_path / "a.png")],
        [*picture_of, "--view", "aim", "--out", str(tmp_path / "a.svg")],
        ["review", str(folder), "--no-browser"],
        ["changes", str(folder), str(folder), "--out", str(tmp_path / "changes")],
        ["agree", "--predictions", str(folder), "--template", str(tmp_path / "observed.csv")],
    ):
        assert main(command) == 2
        out, err = capsys.readouterr()
        assert out == ""
        (line,) = [line for line in err.splitlines() if "error" in line]
        assert str(folder) in line and line.endswith("assess the case again")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["case"]
