"""What is archived of a case comes back as it was, and a bad file is told in one line."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import get_args, get_origin, get_type_hints

import handmade
import numpy as np
import pytest

from veinfit.anatomy.lumen_input import LumenInput
from veinfit.case import CaseResult, load_case
from veinfit.errors import InputError
from veinfit.io.results import archive
from veinfit.io.results.archive import LONG, archived, load_archive
from veinfit.io.results.archive_types import RENAMED_PARTS, TYPES, type_of
from veinfit.io.results.tables import case_tables
from veinfit.labels.image import ImageVolume
from veinfit.labels.model import LabelBorder
from veinfit.notes import Note
from veinfit.seating.uncertainty.aim_field import AimField
from veinfit.settings import Settings
from veinfit.surface import Surface


def through(value: object, folder: Path) -> object:
    path = folder / "archive.npz"
    path.write_bytes(archived(value))
    return load_archive(path)


def surface(count: int) -> Surface:
    rng = np.random.default_rng(3)
    return Surface(rng.normal(0, 40, (count, 3)), rng.integers(0, count, (2 * count, 3)))


@pytest.mark.parametrize(
    "value",
    [
        None, True, 3, -2.5, float("inf"), "ä\n</script>", (), (1, (2.0, "b")), [1, None],
        {"a": (1,), "b": {}}, Note("input", "text", "LSPV", "caution"), Settings(),
    ],
)  # fmt: skip
def test_plain_values_come_back(value: object, tmp_path: Path) -> None:
    back = through(value, tmp_path)
    assert back == value and type(back) is type(value)


def test_short_arrays_come_back_to_the_last_bit(tmp_path: Path) -> None:
    for array in (np.array([0.1, 1 / 3, np.pi]), np.arange(6).reshape(2, 3), np.zeros((0, 3))):
        back = through(array, tmp_path)
        assert np.array_equal(back, array) and back.dtype == array.dtype
        assert back.shape == array.shape


def test_long_arrays_come_back_to_half_a_micrometre(tmp_path: Path) -> None:
    was = surface(LONG)
    now = through(was, tmp_path)
    assert np.abs(now.points - was.points).max() <= 5.01e-4
    assert np.array_equal(now.faces, was.faces)
    gap = np.linspace(-3, 60, LONG + 1)
    gap[[0, 7]] = np.nan
    assert np.allclose(through(gap, tmp_path), gap, atol=5.01e-4, equal_nan=True)
    # What the steps cannot hold is stored as it is.
    for odd in (np.full(LONG + 1, np.inf), np.full(LONG + 1, 1e9), np.full(LONG + 1, 2**40)):
        assert np.array_equal(through(odd, tmp_path), odd)


def test_what_veins_are_found_from_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    """Of a frame in doubt half a micrometre changed the names that a review found again."""
    fine = surface(LONG)
    single = Surface(fine.points.astype(np.float32).astype(float), fine.faces)
    border = LabelBorder(fine.points[0] / 3, np.array([0.6, 0.0, 0.8]), 212.3)
    sources = [
        LumenInput(each, {"RSPV": fine.points / 7}, 0.7, label_borders={"RSPV": border})
        for each in (fine, single)
    ]
    # The same surface elsewhere in a case takes no more room than before.
    back = through((fine, *sources, fine), tmp_path)
    assert np.abs(back[0].points - fine.points).max() > 0 and back[3] is back[0]
    for was, now in zip(sources, back[1:3], strict=True):
        assert now.surface.points.dtype == np.float64
        assert np.array_equal(now.surface.points, was.surface.points)
        assert np.array_equal(now.surface.faces, was.surface.faces)
        assert np.array_equal(now.hints["RSPV"], was.hints["RSPV"])
        assert np.array_equal(now.label_borders["RSPV"].centre, border.centre)
    assert len(archived(sources[1])) < len(archived(sources[0]))


def test_what_is_shared_stays_shared_and_the_bytes_are_the_same(tmp_path: Path) -> None:
    one = surface(LONG)
    back = through((one, one, {"again": one}), tmp_path)
    assert back[0] is back[1] is back[2]["again"]
    assert archived(back) == archived(through(back, tmp_path))


def test_an_ostium_that_no_half_turn_confirms_comes_back(tmp_path: Path) -> None:
    ostium = replace(
        handmade.anatomy().veins[0].ostium,
        half_turn_points=np.zeros((0, 3)), residual_mm=float("nan"), kind="separation",
    )  # fmt: skip
    back = through(ostium, tmp_path)
    assert np.isnan(back.residual_mm) and back.kind == "separation"


def test_a_whole_hand_made_case_comes_back(tmp_path: Path) -> None:
    anatomy, fit = handmade.anatomy(), handmade.fit()
    back, seat = through((anatomy, fit), tmp_path)
    assert [v.name for v in back.veins] == [v.name for v in anatomy.veins]
    assert seat.depth_mm == fit.depth_mm and seat.notes == fit.notes


def test_other_kinds_are_refused() -> None:
    with pytest.raises(TypeError, match="set"):
        archived({"a": {1, 2}})


def _with_tree(path: Path, tree: object) -> Path:
    text = np.frombuffer(json.dumps(tree).encode(), dtype=np.uint8)
    np.savez_compressed(path, tree=text)
    return path


def test_bad_files_are_told_in_one_line(tmp_path: Path) -> None:
    good = archived((surface(LONG), Note("a", "b")))
    bad = tmp_path / "bad.npz"
    with pytest.raises(InputError, match="missing"):
        load_archive(bad)
    for content in (
        b"",
        b"PK\x03\x04",
        good[: len(good) // 2],
        good[:60] + b"\0" * 40 + good[100:],
    ):
        bad.write_bytes(content)
        with pytest.raises(InputError, match=r"damaged.*assess the case again"):
            load_archive(bad)


def test_an_archive_that_unpacks_to_more_than_any_case_is_not_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "case.npz"
    file.write_bytes(archived(np.zeros(300_000)))
    assert file.stat().st_size < 10_000
    assert load_archive(file).shape == (300_000,)
    monkeypatch.setattr(archive, "LARGEST_BYTES", 1_000_000)
    with pytest.raises(InputError, match=r"damaged.*assess the case again"):
        load_archive(file)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("veinfit.notes:Nothing", "another version"),
        ("veinfit.notes:Note", "other parts"),
        ("os:system", "damaged"),
        ("veinfit.io.results.archive:archived", "another version"),
        ("veinfit.io.results.archive:json", "another version"),
        ("veinfit.../x:Note", "damaged"),
    ],
)
def test_only_the_programs_own_dataclasses_are_made(name: str, told: str, tmp_path: Path) -> None:
    tree = {"form": 1, "value": {"class": name, "parts": {"unknown": 1}}}
    with pytest.raises(InputError, match=told):
        load_archive(_with_tree(tmp_path / "x.npz", tree))


def test_a_part_that_came_later_takes_its_default(tmp_path: Path) -> None:
    parts = {"stage": "input", "text": "a remark"}
    tree = {"form": 1, "value": {"class": "veinfit.notes:Note", "parts": parts}}
    assert load_archive(_with_tree(tmp_path / "x.npz", tree)) == Note("input", "a remark")
    del parts["text"]
    with pytest.raises(InputError, match="other parts"):
        load_archive(_with_tree(tmp_path / "x.npz", tree))


def test_a_form_of_the_future_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="another version"):
        load_archive(_with_tree(tmp_path / "x.npz", {"form": 99, "value": None}))


def test_an_archived_value_is_no_reference_to_the_given_one(tmp_path: Path) -> None:
    was = surface(LONG)
    moved = replace(was, points=was.points + 1.0)
    assert archived(was) != archived(moved)


def test_every_type_of_a_case_has_a_name_that_stays() -> None:
    reached: set[type] = set()

    def visit(kind: object) -> None:
        if isinstance(kind, type) and is_dataclass(kind) and kind not in reached:
            reached.add(kind)
            for part in get_type_hints(kind).values():
                visit(part)
        for part in get_args(kind):
            visit(part)

    visit(CaseResult)
    # Archives keep neither the tries behind the aim maps nor the image that labels were drawn on.
    assert reached - {AimField, ImageVolume} == {type_of(name) for name in TYPES}


UNITS = ("_mm", "_mm2", "_ml", "_deg", "_h", "_n", "_kpa")


def test_a_name_with_a_unit_is_of_numbers_never_of_a_tuple() -> None:
    kinds = [type_of(name) for name in TYPES]
    parts = {(k, n): kind for k in kinds for n, kind in get_type_hints(k).items()}
    united = {place: kind for place, kind in parts.items() if place[1].endswith(UNITS)}
    assert len(united) > 50
    assert not [
        place for place, kind in united.items()
        if tuple in {get_origin(kind), *map(get_origin, get_args(kind))}
        and get_origin(kind) is not np.ndarray
    ]  # fmt: skip


def test_parts_that_are_renamed_are_there() -> None:
    for name, parts in RENAMED_PARTS.items():
        now = {field.name for field in fields(type_of(name))}
        assert set(filter(None, parts.values())) <= now
        assert not set(parts) & now


def test_a_renamed_part_is_read_by_its_earlier_name(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    earlier = {"stage": "input", "wording": "a remark", "colour": "red"}
    tree = {"form": 2, "value": {"type": "Note", "parts": earlier}}
    path = _with_tree(tmp_path / "x.npz", tree)
    with pytest.raises(InputError, match="other parts"):
        load_archive(path)
    parts = {"Note": {"wording": "text", "colour": None}}
    monkeypatch.setattr("veinfit.io.results.archive.RENAMED_PARTS", parts)
    assert load_archive(path) == Note("input", "a remark")


def test_a_case_of_the_last_release_still_loads(tmp_path: Path) -> None:
    """``case_0_1.npz``: an invented atrium, with corrections, growth, plans and crossings.

    Written by version 0.1.0; walls at the balloons are left out to keep it small.
    """
    (tmp_path / "case.npz").write_bytes((Path(__file__).parents[1] / "case_0_1.npz").read_bytes())
    result = load_case(tmp_path)
    assert result.provenance.versions["veinfit"] == "0.1.0"
    assert [vein.name for vein in result.anatomy.veins] == ["LSPV", "LIPV", "RSPV", "RIPV"]
    first = result.fits[0]
    assert (first.vein, first.balloon, first.outcome) == ("LSPV", "28 mm", "seated")
    assert first.margin and first.growth and first.aims and result.crossings and result.by_hand
    assert len(case_tables(result)) >= 12
