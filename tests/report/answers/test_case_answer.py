"""The figures of a whole case, against sums and products made by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from printed import pages_of
from report.answers.test_answers import margin
from report.inputs import report_of

from veinfit.anatomy.model import Anatomy
from veinfit.report.answers.case_answer import CaseLine, case_lines
from veinfit.report.page.page import write_page
from veinfit.report.paper.pdf import write_pdf
from veinfit.seating.expected import expected_seals
from veinfit.seating.further import Growth, GrowthStep
from veinfit.seating.model import Fit

CHANCES = {"LSPV": (0.9, 0.5), "LIPV": (0.2, 0.6), "RSPV": (0.8, 0.8), "RIPV": (0.4, 0.3)}
GROWN = {"LSPV": 0.9, "LIPV": 0.5, "RSPV": 0.8, "RIPV": 0.6}


@pytest.fixture
def counted(fits: tuple[Fit, ...]) -> tuple[Fit, ...]:
    found = []
    for fit in fits:
        small = fit.balloon_mm == 28.0
        step = GrowthStep(fit.vein, "coaxial", "28", "31", 31.0, "seated", seal_probability=0.31)
        growth = Growth((step,), (GROWN[fit.vein],) * 4, None, None)
        chance = CHANCES[fit.vein][0 if small else 1]
        grown = growth if small else None
        found.append(replace(fit, margin=margin(chance, {}), growth=grown, seal_probability=chance))
    return tuple(found)


def told_lines(fits: tuple[Fit, ...]) -> tuple[CaseLine, ...]:
    return case_lines(expected_seals(fits, steered_tries=3), fits)


def test_sums_and_products_are_those_made_by_hand(counted: tuple[Fit, ...]) -> None:
    once, often = told_lines(counted)
    assert once.label == "All 4 veins, one try" and often.label == "All 4 veins, up to 3 tries"
    told = once.words.replace("\xa0", " ")
    # 0.9 + 0.2 + 0.8 + 0.4, their product; 1 - (1 - a)(1 - b) for one size, then the other.
    assert re.sub(r"(28|31) mm|(28|31)", r"\1\2", told) == (
        "28 2.3 (all: 0.06); 31 2.2 (all: 0.07); 28, then 31 3.2 (all: 0.36); "
        "28, grown to 31 2.8 (all: 0.22). Least likely vein, by choice: LIPV or RIPV."
    )


def test_a_vein_that_could_not_be_assessed_is_not_counted(counted: tuple[Fit, ...]) -> None:
    short = tuple(replace(fit, margin=None) if fit.vein == "LIPV" else fit for fit in counted)
    assert told_lines(short)[0].label == "3 of 4 veins, one try"
    assert told_lines(tuple(replace(fit, margin=None) for fit in counted)) == ()


def test_the_page_tells_the_case_and_what_grows(anatomy: Anatomy, counted: tuple[Fit, ...]) -> None:
    page = write_page(report_of(anatomy, counted)).replace("\xa0", " ")
    assert '<th scope="col">All 4 veins</th><th scope="col">one try</th>' in page
    assert '<th scope="row">28 mm, then 31 mm</th><td>3.2 (all: 0.36)</td>' in page.replace(
        ">28, then 31<", ">28 mm, then 31 mm<"
    )
    assert "veins predicted to be sealed" in page
    shown = re.findall(r"one try, or grown to 31 mm: .*?(0\.\d\d)", page)
    assert sorted(float(one) for one in shown) == sorted(GROWN.values())
    told = told_lines(counted)[0].words.replace("\xa0", " ")
    total = re.search(r"grown to 31( mm)? ([\d.]+)", told)
    assert total is not None
    assert float(total[2]) == pytest.approx(sum(float(one) for one in shown))


@pytest.mark.parametrize("both", [True, False])
def test_what_is_of_one_approach_alone_says_which_where_a_case_has_two(
    anatomy: Anatomy, counted: tuple[Fit, ...], both: bool, tmp_path: Path
) -> None:
    fits = tuple(replace(fit, approach="transseptal") for fit in counted)
    fits += counted if both else ()
    by = " transseptal approach," if both else ""
    assert [line.label for line in told_lines(fits)] == [
        f"All 4 veins,{by} one try", f"All 4 veins,{by} up to 3 tries"
    ]  # fmt: skip
    page = write_page(report_of(anatomy, fits))
    assert page.count('<p class="by">Transseptal approach</p>') == (4 if both else 0)
    assert ("All 4 veins, transseptal approach</th>" in page) == both
    first = pages_of(write_pdf(report_of(anatomy, fits)), tmp_path)[0]
    assert first.count("Transseptal approach") == (4 if both else 0)
    assert ("All 4 veins, transseptal" in " ".join(first.split())) == both
