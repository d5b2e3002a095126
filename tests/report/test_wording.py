from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from veinfit.report.wording import (
    MISSING,
    balloon_size,
    balloon_title,
    figures,
    headline,
    hours,
    leak_mm,
    leaks_words,
    likelihood,
    mark,
    number,
    place,
    push_words,
    safe_file_name,
    scale_words,
    vein_in_words,
    verdict,
    verdict_sentence,
)
from veinfit.seating.model import ClockReading, Fit, Leak
from veinfit.settings import ReportSettings

SETTINGS = ReportSettings()

SEATED = Fit("LSPV", "28 mm", 28.0, "coaxial", "seated")


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (None, 1, MISSING),
        (0.0, 1, "0.0"),
        (-0.04, 1, "0.0"),
        (-0.06, 1, "−0.1"),
        (12.345, 2, "12.35"),
        (-11.43, 1, "−11.4"),
        (359.6, 0, "360"),
    ],
)
def test_numbers(value: float | None, digits: int, text: str) -> None:
    assert number(value, digits) == text


@pytest.mark.parametrize(
    ("clock", "text"),
    [
        (0.0, "12 o'clock"),
        (11.97, "12 o'clock"),
        (0.06, "12 o'clock"),
        (9.7, "10 o'clock"),
        (6.5, "7 o'clock"),
        (7.5, "8 o'clock"),
        (0.5, "1 o'clock"),
        (11.5, "12 o'clock"),
    ],
)
def test_hours(clock: float, text: str) -> None:
    assert hours(clock).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("clocks", "told"),
    [
        ((6.6, 7.4), ("between 6 and 7", "between 7 and 8")),
        ((6.6, 7.1), ("between 6 and 7", "7")),
        ((11.6, 0.4), ("between 11 and 12", "between 12 and 1")),
        # Those that an hour tells apart stay at the hour.
        ((6.4, 7.4), ("6", "7")),
        ((9.6, 3.0, 10.3), ("between 9 and 10", "3", "between 10 and 11")),
    ],
)
def test_neighbouring_leaks_are_told_apart(clocks, told):
    """Two leaks "inferior, 7 o'clock" would pass for one told twice."""
    leaks = [
        Leak("LSPV", "28 mm", "coaxial", k, 1.0, 20.0, 1.0, hour, "inferior", 0.0, 0.0, 0.0)
        for k, hour in enumerate(clocks, 1)
    ]
    places = [words.replace("\u00a0", " ").split("inferior, ")[1] for words in leaks_words(leaks)]
    assert places == [f"{words} o'clock" for words in told]


@pytest.mark.parametrize(
    ("width", "text"),
    [(None, MISSING), (0.0, "0.00 mm"), (0.54, "0.54 mm"), (1.04, "1.04 mm"), (12.2, "12.20 mm")],
)
def test_a_narrow_leak_shows_on_which_side_of_the_tolerance_it_is(
    width: float | None, text: str
) -> None:
    assert leak_mm(width).replace("\u00a0", " ") == text


def test_places() -> None:
    assert place("", None) == MISSING
    assert place("inferior", None) == "inferior"
    assert place("inferior", 6.0).replace("\u00a0", " ") == "inferior, 6 o'clock"


@pytest.mark.parametrize(
    ("fit", "words"),
    [
        (replace(SEATED, occluded=True, sealed=True), "sealed"),
        (replace(SEATED, occluded=True, sealed=True, deep=True), "sealed, but deep"),
        (replace(SEATED, occluded=True, sealed=False), "occluded, not sealed"),
        (replace(SEATED, occluded=False, sealed=False), "leak"),
        (SEATED, "seated, seal not assessed"),
        (replace(SEATED, occluded=True, sealed=None), "occluded, cold contact not assessed"),
        (replace(SEATED, outcome="passes through"), "no seat: passes through"),
        (replace(SEATED, outcome="cannot reach"), "no seat: cannot reach"),
        (replace(SEATED, outcome="not assessed"), "not assessed"),
    ],
)
def test_verdicts(fit: Fit, words: str) -> None:
    assert verdict(fit) == words
    assert verdict_sentence(fit)


def test_a_balloon_before_the_ostium_that_counts_as_deep_does_so_by_its_contact() -> None:
    """Its equator's depth is negative, in the atrium: "deep" beside it would contradict it."""
    seat = replace(SEATED, centre=np.zeros(3), depth_mm=-13.5, nose_depth_mm=-0.2, deep=True)
    assert "depth of the equator −13.5 mm; " in figures(seat).lower()
    assert "; the contact counts as deep. " in figures(seat)
    assert "deep" not in figures(replace(seat, deep=False))


def test_a_leak_between_contacts_is_told_beside_a_circumference_in_contact() -> None:
    """By the clock the wall touches everywhere, yet at 1 o'clock a passage runs between."""

    def pressed(gap_mm: float) -> Fit:
        clock = tuple(
            ClockReading("LSPV", "28 mm", "coaxial", hour, "", gap_mm if hour == 1.0 else -1.0,
                         None, None, None, None)
            for hour in (1.0, 5.0, 9.0)
        )  # fmt: skip
        return replace(SEATED, centre=np.zeros(3), occluded=False, leak_width_mm=0.56,
                       leak_clock_h=0.4, contact_arc_deg=360.0, clock=clock)  # fmt: skip

    words = ", the leak running between contacts"
    assert f"360° of the circumference{words}" in figures(pressed(-3.3))
    assert words not in figures(pressed(0.56))
    assert words not in figures(replace(pressed(-3.3), occluded=True))


def test_the_probability_of_an_antral_seal_is_called_that() -> None:
    """A try that seals and lies deep is no part of it: beside a sealed seat it may be small."""
    seat = replace(SEATED, occluded=True, sealed=True, seal_probability=0.28,
                   seal_probability_low=0.08, seal_probability_high=0.55)  # fmt: skip
    assert headline(seat, SETTINGS).startswith("Antral seal unlikely: 0.28 (0.08 to 0.55).")


@pytest.mark.parametrize(
    ("probability", "sign", "word"),
    [
        (None, "none", ""),
        (0.0, "empty", "unlikely"),
        (0.33, "empty", "unlikely"),
        (0.34, "half", "uncertain"),
        (0.65, "half", "uncertain"),
        (0.66, "full", "likely"),
        (1.0, "full", "likely"),
    ],
)
def test_the_sign_follows_the_probability_and_never_the_seat(
    probability: float | None, sign: str, word: str
) -> None:
    for sealed in (True, False):
        fit = replace(SEATED, occluded=True, sealed=sealed, seal_probability=probability)
        assert "likely:" not in headline(fit, SETTINGS)  # without an interval there is no word
        fit = replace(fit, seal_probability_low=probability, seal_probability_high=probability)
        assert mark(fit, SETTINGS) == sign
        assert likelihood(probability, SETTINGS) == word
        said = headline(fit, SETTINGS)
        assert said.startswith(f"Antral seal {word}: " if word else "Nominal seat")
        assert "Nominal seat" in said


def test_an_interval_into_the_opposite_word_makes_it_uncertain() -> None:
    assert likelihood(0.9, SETTINGS, (0.34, 1.0)) == "likely"
    assert likelihood(0.9, SETTINGS, (0.33, 1.0)) == "uncertain"
    assert likelihood(0.1, SETTINGS, (0.0, 0.65)) == "unlikely"
    assert likelihood(0.1, SETTINGS, (0.0, 0.66)) == "uncertain"
    # 42 of 64 tries are told as 0.66, which is likely.
    assert likelihood(42 / 64, SETTINGS, (0.37, 0.89)) == "likely"
    assert likelihood(0.334, SETTINGS) == "unlikely"
    assert likelihood(0.336, SETTINGS) == "uncertain"
    assert likelihood(0.9, SETTINGS, (0.334, 1.0)) == "uncertain"


def test_the_thresholds_are_those_of_the_settings() -> None:
    strict = replace(SETTINGS, likely_from=0.9, unlikely_to=0.5)
    assert likelihood(0.8, strict) == "uncertain" and likelihood(0.5, strict) == "unlikely"
    assert "0.9 or more" in scale_words(strict) and "0.5 or less" in scale_words(strict)


@pytest.mark.parametrize(
    ("push", "word"), [(0.1, "light"), (0.33, "light"), (0.5, "moderate"), (0.67, "firm")]
)
def test_a_push_is_told_beside_the_greatest_one(push: float, word: str) -> None:
    assert push_words(push, 1.0, SETTINGS) == word
    assert push_words(2.0 * push, 2.0, SETTINGS) == word


def test_a_verdict_that_is_not_a_seat_says_why() -> None:
    fit = replace(SEATED, outcome="not assessed", reason="the band meets a cut end")
    assert verdict_sentence(fit) == "Not assessed: the band meets a cut end"


def test_vein_names_are_spelt_out() -> None:
    assert vein_in_words("RIPV") == "right inferior pulmonary vein"
    assert vein_in_words("RMPV-2") == "further right middle pulmonary vein, number 2"
    assert vein_in_words("extra-1") == "additional pulmonary vein, number 1"
    assert vein_in_words("something else") == ""


@pytest.mark.parametrize("name", ["28", "28 mm", " 28 mm "])
def test_a_plain_balloon_is_named_by_its_size(name: str) -> None:
    fit = replace(SEATED, balloon=name)
    assert balloon_size(fit).replace("\u00a0", " ") == "28 mm"
    assert balloon_title(fit).replace("\u00a0", " ") == "28 mm balloon"


def test_a_named_balloon_keeps_its_name() -> None:
    fit = replace(SEATED, balloon="prototype 28")
    assert balloon_title(fit).replace("\u00a0", " ") == "prototype 28 (28 mm)"


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("LSPV", "LSPV"),
        ("../../etc/passwd", "etc_passwd"),
        ("a b/c\\d:e", "a_b_c_d_e"),
        ("\u0000", "unnamed"),
        ("..", "unnamed"),
        ("", "unnamed"),
        ("Vène", "V_ne"),
        ("x" * 200, "x" * 60),
    ],
)
def test_file_names_are_safe(name: str, safe: str) -> None:
    assert safe_file_name(name) == safe
