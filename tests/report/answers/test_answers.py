"""The line of a vein: what it says of known fits, and that it never instructs."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from veinfit.report.answers.answers import Answer, answer, in_doubt_first
from veinfit.report.answers.tables import fit_groups
from veinfit.seating.compare import comparisons
from veinfit.seating.further import Growth, GrowthStep
from veinfit.seating.model import Aim, Chance, Fit, FreezeDrift, Margin
from veinfit.settings import Settings

SETTINGS = Settings()

SEALED_UNTIL_IT_GROWS = (
    FreezeDrift(0.0, "seated", 0.0, True, True),
    FreezeDrift(1.5, "seated", 1.0, True, False),
)


def margin(probability: float, shares: dict[str, float], push: float = 0.0) -> Margin:
    """A margin whose probability moves by this with the push."""
    chance = Chance(probability, probability - 0.3, probability + 0.1, 0.03, (probability,) * 4,
                    sensitivities={"push": push})  # fmt: skip
    return Margin(
        32, 32, 0, chance, chance, chance, chance, chance, 0.0, None, 1.0, (), (0.1, 0.4, 1.0),
        shares,
    )  # fmt: skip


def line(*fits: Fit) -> Answer:
    sides = comparisons(fits, SETTINGS.seating, SETTINGS.comparison)
    return answer(fits[0].vein, fits, sides, SETTINGS)


def points(*fits: Fit) -> dict[str, str]:
    return {label: text.replace("\xa0", " ") for label, text in line(*fits).points}


def test_a_tie_is_told_with_both_figures(
    fits: tuple[Fit, ...],
) -> None:
    shares = {"push and stiffness": 0.55, "direction": 0.3, "together": 0.15}
    small = replace(fits[0], seal_probability=0.5, margin=margin(0.5, shares))
    large = replace(fits[1], seal_probability=0.6, margin=margin(0.6, shares, push=0.061))
    told = line(small, large)
    assert told.apart == "A tie: 0.50 and 0.60; difference 0.10 (−0.02 to 0.22)."
    assert points(small, large)["Depends on"] == (
        "push against stiffness of the wall, then direction of the shaft"
    )
    apart = replace(large, seal_probability=0.9, margin=margin(0.9, shares))
    clear = line(replace(small, margin=margin(0.2, shares)), apart)
    assert clear.apart == "An antral seal is likelier with 31 mm by 0.70 (0.70 to 0.70)."


def test_a_large_difference_is_no_tie_though_it_may_be_none(fits: tuple[Fit, ...]) -> None:
    """As for 0.20 beside 0.62 with wide intervals: the figures are told, and the doubt."""
    small = replace(fits[0], seal_probability=0.62, margin=margin(0.62, {}, push=0.3))
    large = replace(fits[1], seal_probability=0.2, margin=margin(0.2, {}))
    told = line(small, large)

    assert told.apart == (
        "An antral seal is likelier with 28 mm by 0.42 (−0.17 to 1.00), which may be zero."
    )


def test_what_the_probability_depends_on_names_a_cause_even_where_none_decides(
    fits: tuple[Fit, ...],
) -> None:
    shares = {"direction": 0.12, "push and stiffness": 0.08, "together": 0.8}
    told = points(replace(fits[0], margin=margin(0.5, shares)))["Depends on"]
    assert told == ("many causes acting together; the largest single one is direction of the shaft")
    assert "Depends on" not in points(replace(fits[0], margin=margin(0.5, {"together": 1.0})))


def test_a_word_that_only_a_wide_interval_makes_says_so(fits: tuple[Fit, ...]) -> None:
    """As for uncertain 0.83 beside likely 0.67."""
    wide = replace(fits[0], seal_probability=0.83, seal_probability_low=0.2,
                   seal_probability_high=0.99)  # fmt: skip
    narrow = replace(wide, seal_probability=0.67, seal_probability_low=0.5)
    sizes = [line(one).sizes[0].one for one in (wide, narrow)]
    assert [(one.word, one.interval) for one in sizes] == [
        ("uncertain", "0.20 to 0.99, wide"), ("likely", "0.50 to 0.99"),
    ]  # fmt: skip


def test_pushes_are_told_in_words(fits: tuple[Fit, ...]) -> None:
    greatest = SETTINGS.seating.greatest_push_n
    told = points(replace(fits[0], push_to_seal_n=0.1 * greatest), fits[1])["Push to seal"]
    assert told == f"28 mm light ({0.1 * greatest:.2f} N), 31 mm not at any push tried"
    assert "Push to seal" not in points(fits[0])


def test_depth_freezing_and_neighbours_are_told_with_each_size(fits: tuple[Fit, ...]) -> None:
    near = {"right_phrenic_nerve": 4.25}
    small = replace(fits[0], deep=True, deep_seal_probability=0.07, distances_mm=near)
    grown = (FreezeDrift(0.0, "seated"), FreezeDrift(1.5, "seated"))
    large = replace(
        fits[1], deep=False, freeze_loss_probability=0.11, distances_mm=near, freezing=grown
    )
    told = points(small, large)
    assert told["Sealed but deep"] == "28 mm in 0.07 of tries"
    assert told["Lost as freezing starts"] == "grown by 1.5 mm: 31 mm in 0.11 of tries"
    lost = (
        FreezeDrift(0.0, "seated", 0.0, True, True),
        FreezeDrift(1.5, "seated", 1.0, True, False),
    )
    sealed = replace(small, occluded=True, sealed=True, sealed_after_freeze=True, freezing=lost)
    assert points(sealed, large)["Nominal seat"].startswith("28 mm sealed, but deep")
    assert points(sealed, large)["Lost as freezing starts"] == (
        "grown by 1.5 mm: 31 mm in 0.11 of tries; 28 mm at the nominal seat"
    )
    assert told["Near, mm"] == "28 mm, 31 mm: right phrenic nerve 4.2, 4.2"


def test_what_a_growing_balloon_does_where_it_lies_is_told(fits: tuple[Fit, ...]) -> None:
    steps = tuple(
        GrowthStep("LSPV", "coaxial", "28", "31", size, "seated", sealed=sealed,
                   seal_probability=chance, distances_mm={"oesophagus": 30.0 - size})
        for size, sealed, chance in ((28.0, True, 0.8), (29.5, False, 0.5), (31.0, False, 0.2))
    )  # fmt: skip
    small = replace(fits[0], growth=Growth(steps, (), 0.3, 0.1))
    assert points(small, fits[1])["Grown in place"] == (
        "28 mm to 31 mm: nominal seat leaks from 29.5 mm on, 0.20 of tries antral at the end"
    )
    near = replace(small, distances_mm={"oesophagus": 2.0})
    assert points(near, fits[1])["Near, mm"] == (
        "28 mm, 31 mm, grown to 31 mm: oesophagus 2.0, –, −1.0"
    )
    kept = tuple(replace(step, sealed=True, seal_probability=None) for step in steps)
    grown = points(replace(fits[0], growth=Growth(kept, (), None, None)))["Grown in place"]
    assert grown.startswith("28 mm to 31 mm: nominal seat stays sealed")


def test_what_growth_would_do_stands_beside_a_balloon_that_keeps_its_size(
    fits: tuple[Fit, ...],
) -> None:
    """A balloon of constant size stays sealed; the what-if of the notes says no: both are told."""
    lost = (
        FreezeDrift(0.0, "seated", 0.0, True, True),
        FreezeDrift(1.5, "seated", 1.0, True, False),
    )
    held = replace(
        fits[0], sealed=True, sealed_after_freeze=True, freeze_shift_mm=0.0, freezing=lost
    )
    rows = {r.label: r.cells[0].text for g in fit_groups([held], ()) for r in g.rows}
    assert rows["Sealed after freeze drift, size kept"] == "yes"
    assert rows["Sealed if grown by 1.5\xa0mm"] == "no"
    grows = replace(held, sealed_after_freeze=False, freeze_shift_mm=1.0)
    rows = {r.label: r.cells[0].text for g in fit_groups([grows], ()) for r in g.rows}
    assert rows["Sealed after freeze drift"] == "no" and not any("if grown" in r for r in rows)


def test_where_tries_leak_is_told_though_the_nominal_seat_seals(fits: tuple[Fit, ...]) -> None:
    small = replace(fits[0], occluded=True, sealed=True, tries_leak_side="inferior")
    assert points(small, fits[1])["Where tries leak"] == "28 mm mostly inferior"
    both = points(small, replace(fits[1], tries_leak_side="inferior"))["Where tries leak"]
    assert both == "28 mm and 31 mm mostly inferior"
    assert "Where tries leak" not in points(replace(small, tries_leak_side=""), fits[1])


def test_a_vein_without_a_seat_says_why(
    fits: tuple[Fit, ...], without_seat: Callable[[Fit], Fit]
) -> None:
    gone = without_seat(fits[0])
    told = line(gone)
    assert told.sizes[0].one.word == "no seat" and told.sizes[0].sign == "none"
    assert "no equilibrium" in points(gone)["Nominal seat"]
    assert told.greatest < 0.0


def test_veins_in_doubt_come_first(fits: tuple[Fit, ...], without_seat: Callable[..., Fit]) -> None:
    lines = [
        line(replace(fits[0], seal_probability=0.9), replace(fits[1], seal_probability=0.1)),
        line(replace(fits[2], seal_probability=0.3), replace(fits[3], seal_probability=0.4)),
        line(without_seat(fits[4])),
    ]
    assert [one.vein for one in in_doubt_first(lines)] == [fits[k].vein for k in (4, 2, 0)]


def test_an_interval_into_the_opposite_word_puts_a_vein_in_doubt(fits: tuple[Fit, ...]) -> None:
    sure = line(replace(fits[0], seal_probability=0.7, seal_probability_low=0.6,
                        seal_probability_high=0.8))  # fmt: skip
    wide = line(replace(fits[2], seal_probability=0.9, seal_probability_low=0.1,
                        seal_probability_high=0.99))  # fmt: skip
    assert (sure.sizes[0].one.word, wide.sizes[0].one.word) == ("likely", "uncertain")
    assert [one.vein for one in in_doubt_first([sure, wide])] == [fits[2].vein, fits[0].vein]


def test_sizes_that_seal_from_the_same_directions_are_named_together(
    fits: tuple[Fit, ...],
) -> None:
    aims = tuple(
        Aim("LSPV", "28", "coaxial", hour, "inferior", tilt, "seated", True, True, hour == 6.0,
            0.1, "", None, None)
        for hour, tilt in ((None, 0.0), (6.0, 10.0), (0.0, 10.0))
    )  # fmt: skip
    told = points(replace(fits[0], aims=aims), replace(fits[1], aims=aims))["Shaft direction"]
    assert told == (
        "28 mm and 31 mm seal without lying deep from 1 of 3 directions, when the shaft points "
        "10° inferior (6 o'clock)"
    )


def test_coaxial_rows_beside_the_transseptal_ones_do_not_lead(fits: tuple[Fit, ...]) -> None:
    across = replace(fits[0], approach="transseptal", seal_probability=0.2)
    told = line(replace(fits[0], seal_probability=0.99), across)
    assert [size.fit.approach for size in told.sizes] == ["transseptal"]
    assert told.greatest == 0.2


def test_no_phrase_tells_what_to_do(fits: tuple[Fit, ...]) -> None:
    said = " ".join(text for fit in fits for text in points(fit).values())
    assert not re.search(r"\b(should|must|recommend|use|choose|prefer|avoid)\b", said)
