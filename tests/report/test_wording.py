from __future__ import annotations

from dataclasses import replace

import pytest

from veinfit.report.wording import (
    MISSING,
    balloon_size,
    balloon_title,
    hours,
    leak_mm,
    mark,
    number,
    place,
    safe_file_name,
    vein_in_words,
    verdict,
    verdict_sentence,
)
from veinfit.seating.model import Fit

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
    ("clock", "text"), [(0.0, "12.0 h"), (11.97, "12.0 h"), (0.06, "0.1 h"), (10.5, "10.5 h")]
)
def test_hours(clock: float, text: str) -> None:
    assert hours(clock).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("width", "text"),
    [(None, MISSING), (0.0, "0.00 mm"), (0.54, "0.54 mm"), (1.04, "1.0 mm"), (12.2, "12.2 mm")],
)
def test_a_narrow_leak_shows_on_which_side_of_the_tolerance_it_is(
    width: float | None, text: str
) -> None:
    assert leak_mm(width).replace("\u00a0", " ") == text


def test_places() -> None:
    assert place("", None) == MISSING
    assert place("inferior", None) == "inferior"
    assert place("inferior", 6.0).replace("\u00a0", " ") == "inferior (6.0 h)"


@pytest.mark.parametrize(
    ("fit", "sign", "words"),
    [
        (replace(SEATED, occluded=True, sealed=True), "closed", "sealed"),
        (replace(SEATED, occluded=True, sealed=False), "half", "occluded, not sealed"),
        (replace(SEATED, occluded=False, sealed=False), "open", "open"),
        (SEATED, "none", "seated, closure not assessed"),
        (
            replace(SEATED, occluded=True, sealed=None),
            "half",
            "occluded, cold contact not assessed",
        ),
        (replace(SEATED, outcome="passes through"), "none", "no seat: passes through"),
        (replace(SEATED, outcome="cannot reach"), "none", "no seat: cannot reach"),
        (replace(SEATED, outcome="not assessed"), "none", "not assessed"),
    ],
)
def test_verdicts(fit: Fit, sign: str, words: str) -> None:
    assert mark(fit) == sign
    assert verdict(fit) == words
    assert verdict_sentence(fit)


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
