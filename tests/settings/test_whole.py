"""Settings: numbers of any size are refused in one line; a basis agrees with its value."""

from __future__ import annotations

import math
import re

import pytest

from veinfit.errors import InputError
from veinfit.seating.balloon_file import balloon_from_mapping
from veinfit.settings import Settings, describe


@pytest.mark.parametrize(
    "value",
    [10**400, -(10**400), 10**6000, 1e300, 10**20],
    ids=["400", "-400", "6000", "300", "20"],
)
@pytest.mark.parametrize("name", ["margin.seed", "margin.samples", "seating.greatest_push_n"])
def test_a_number_of_any_size_is_refused_in_one_line(name, value):
    group, _, setting = name.partition(".")
    with pytest.raises(InputError) as told:
        Settings.from_mapping({group: {setting: value}})
    said = str(told.value)
    assert said.startswith(f"settings: {name} ") and len(said) < 100 and "\n" not in said


def test_what_is_outside_is_told_as_it_was_written():
    with pytest.raises(InputError, match=r"^settings: margin.seed = -1 is outside 0 to 2147483647"):
        Settings.from_mapping({"margin": {"seed": -1}})
    with pytest.raises(InputError, match=r"margin.seed must be a whole number$"):
        Settings.from_mapping({"margin": {"seed": math.nan}})
    with pytest.raises(InputError, match=r"greatest_push_n = inf is outside"):
        Settings.from_mapping({"seating": {"greatest_push_n": math.inf}})


@pytest.mark.parametrize("value", [10**400, -(10**400)], ids=["above", "below"])
def test_so_is_one_of_a_balloon(value):
    with pytest.raises(
        InputError, match=r"^balloon: equatorial_diameter_mm = .* is outside"
    ) as told:
        balloon_from_mapping({"name": "x", "equatorial_diameter_mm": value})
    assert len(str(told.value)) < 150


@pytest.mark.parametrize(("name", "deviations"), [("push_spread", 4.0), ("stiffness_spread", 2.0)])
def test_a_spread_is_told_as_the_ratio_that_it_is(name, deviations):
    """A spread is the SD of the logarithm."""
    ((value, basis),) = [
        (value, about["basis"])
        for group, setting, value, about in describe(Settings())
        if (group, setting) == ("margin", name)
    ]
    told = re.fullmatch(
        r"a ratio of (\d\.\d) from (one|two) standard deviations? .*, no source", basis
    )
    assert float(told[1]) == round(math.exp(deviations * value), 1)
    assert not re.search(r"\bN\b|kPa", basis)
