"""Balloons: built in, by diameter, from TOML, and what is refused."""

from __future__ import annotations

import dataclasses

import pytest

from veinfit.case.options import chosen_balloons, given_twice
from veinfit.case.stages import read_balloon
from veinfit.errors import InputError
from veinfit.seating.balloon import Balloon, sphere
from veinfit.seating.balloon_defaults import BUILT_IN
from veinfit.seating.balloon_file import balloon_from_toml, built_in, parse_balloon, parse_balloons
from veinfit.seating.seat import next_sizes

DESCRIPTION = """
name = "trial"
equatorial_diameter_mm = 27.5
axial_length_mm = 27.5
inflation_pressure_kpa = 17.0

[freezing_zone]
from_deg = 30.0
to_deg = 100.0

[freezing]
growth_mm = 1.5
"""


@pytest.mark.parametrize("name", BUILT_IN)
def test_built_in_balloons_are_spheres_of_their_name_that_freeze_in_front(name):
    balloon = built_in(name)
    diameter = float(name.split()[0])
    assert balloon == Balloon(name, diameter, diameter, "sphere", 0.0, 90.0, 0.0, None)
    assert balloon.radius_mm == diameter / 2


@pytest.mark.parametrize("text", ["28", "28.0", " 28 mm", "28mm"])
def test_a_known_diameter_gives_the_built_in_balloon(text):
    assert parse_balloon(text) == built_in("28 mm")


def test_another_diameter_gives_a_sphere_named_by_it():
    assert parse_balloon("25.5") == sphere(25.5)
    assert sphere(25.5).name == "25.5 mm"


def test_a_description_is_read_whole(tmp_path):
    file = tmp_path / "trial.toml"
    file.write_text(DESCRIPTION, "utf-8")
    balloon = parse_balloon(str(file))
    assert balloon == Balloon("trial", 27.5, 27.5, "sphere", 30.0, 100.0, 1.5, 17.0)
    assert balloon.grown().equatorial_mm == 29.0
    assert balloon.grown().growth_mm == 0.0


def test_nothing_asked_for_gives_the_standard_two():
    assert [balloon.name for balloon in parse_balloons([])] == ["28 mm", "31 mm"]


def test_a_range_of_diameters_is_seated_at_both_ends(tmp_path):
    file = tmp_path / "range.toml"
    text = 'name = "range"\nequatorial_diameter_mm = 28.0\n'
    file.write_text(text + "largest_diameter_mm = 31.0\n", "utf-8")
    small, large = parse_balloons([str(file)])
    assert (small.name, large.name) == ("range 28 mm", "range 31 mm")
    assert (small.equatorial_mm, large.equatorial_mm) == (28.0, 31.0)
    assert dataclasses.replace(small, name="") == dataclasses.replace(sphere(28), name="")
    assert dataclasses.replace(large, name="") == dataclasses.replace(sphere(31), name="")
    assert next_sizes((small, large)) == (large, None)
    assert chosen_balloons([read_balloon(file)]) == (small, large)
    file.write_text(text + "largest_diameter_mm = 27.0\n", "utf-8")
    with pytest.raises(InputError, match="27 must be above 28"):
        parse_balloons([str(file)])


def test_a_balloon_named_twice_is_tried_once():
    assert [balloon.name for balloon in parse_balloons(["23", "23 mm", "31"])] == ["23 mm", "31 mm"]


def test_balloons_given_twice_are_named(tmp_path):
    file = tmp_path / "trial.toml"
    file.write_text(DESCRIPTION, "utf-8")
    assert given_twice(["28", 28, "31", file, sphere(40, "wide"), str(file)]) == ("28 mm", "trial")
    assert given_twice(["28", "31"]) == ()


def test_two_different_balloons_of_one_name_are_refused(tmp_path):
    file = tmp_path / "trial.toml"
    file.write_text(DESCRIPTION.replace('"trial"', '"28 mm"'), "utf-8")
    with pytest.raises(InputError, match="the name '28 mm' is already taken"):
        parse_balloons(["28", str(file)])


@pytest.mark.parametrize("text", ["0", "-3", "500", "9.9", "50.1"])
def test_an_implausible_diameter_is_refused_with_the_range(text):
    with pytest.raises(InputError, match="is not plausible; give 10 to 50 mm"):
        parse_balloon(text)


@pytest.mark.parametrize("text", ["nan", "inf", "large", ""])
def test_what_is_neither_a_number_nor_a_file_is_refused(text):
    with pytest.raises(InputError, match="give a diameter in mm or a TOML file"):
        parse_balloon(text)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"balloon file .*gone\.toml cannot be read: No such file"):
        balloon_from_toml(tmp_path / "gone.toml")


def test_what_is_not_toml_is_refused(tmp_path):
    file = tmp_path / "broken.toml"
    file.write_text("name = ", "utf-8")
    with pytest.raises(InputError, match="is not TOML"):
        balloon_from_toml(file)


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        ('name = "trial"', "", "name must be a text"),
        ("equatorial_diameter_mm = 27.5", "", "equatorial_diameter_mm is missing"),
        ("27.5\naxial", '"wide"\naxial', "equatorial_diameter_mm must be a number"),
        ("= 27.5\naxial_length_mm = 27.5", "= 500\naxial_length_mm = 500", "outside 10 to 50"),
        ("axial_length_mm = 27.5", "axial_length_mm = 30.0", "a sphere's are equal"),
        ("axial_length_mm = 27.5", 'profile = "pear"', "there is sphere, spheroid, table"),
        ("axial_length_mm", "axial_lenght_mm", "unknown key axial_lenght_mm"),
        ("growth_mm", "grows_mm", "unknown key freezing.grows_mm; there are growth_mm"),
        ("from_deg = 30.0", "from_deg = 120.0", "must be below to_deg"),
        ("[freezing]\ngrowth_mm = 1.5", "[freezing]\ngrowth_mm = -1", "outside 0 to 10"),
    ],
)
def test_a_faulty_description_is_refused_and_says_why(tmp_path, before, after, message):
    file = tmp_path / "trial.toml"
    assert before in DESCRIPTION
    file.write_text(DESCRIPTION.replace(before, after), "utf-8")
    with pytest.raises(InputError) as refusal:
        balloon_from_toml(file)
    assert message in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_every_fault_is_named_at_once():
    from veinfit.seating.balloon_file import balloon_from_mapping

    with pytest.raises(InputError) as refusal:
        balloon_from_mapping({"nmae": "x", "equatorial_diameter_mm": 5.0})
    assert {"unknown key nmae", "name must be", "outside 10 to 50"} <= {
        part
        for part in ("unknown key nmae", "name must be", "outside 10 to 50")
        if part in str(refusal.value)
    }


def test_a_balloon_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        sphere(28).name = "other"
