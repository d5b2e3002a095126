"""The report: what counts as a tie, and which words stand for which numbers."""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.settings.parameter import parameter


@dataclass(frozen=True, slots=True)
class ComparisonSettings:
    """What counts as no difference between two balloons."""

    leak_tie_mm: float = parameter(
        0.3,
        unit="mm",
        meaning="leaks whose widths differ by less than this are a tie",
        basis="a prototype with a deformable wall moved leaks by about that much",
        low=0.0,
        high=10.0,
    )
    probability_tie: float = parameter(
        0.15,
        unit="1",
        meaning=(
            "probabilities that differ by less than this are a tie, if the interval of their "
            "difference holds 0"
        ),
        basis="twice the sampling error of a probability; a choice of words, no source",
        low=0.0,
        high=1.0,
    )


@dataclass(frozen=True, slots=True)
class ReportSettings:
    """From where on the report says likely, unlikely, light and firm."""

    likely_from: float = parameter(
        0.66,
        unit="1",
        meaning="a seal of at least this probability is called likely",
        basis="the scale of Mastrandrea et al., IPCC guidance note on uncertainty, 2010 "
        "(from memory): likely from 0.66, unlikely to 0.33",
        low=0.5,
        high=1.0,
    )
    unlikely_to: float = parameter(
        0.33,
        unit="1",
        meaning="a seal of at most this probability is called unlikely; between is uncertain",
        basis="as likely_from",
        low=0.0,
        high=0.5,
    )
    light_push_share: float = parameter(
        0.33,
        unit="1",
        meaning="a push of at most this share of the greatest push is called light",
        basis="a third; a choice of words, no source",
        low=0.0,
        high=0.5,
    )
    firm_push_share: float = parameter(
        0.67,
        unit="1",
        meaning="a push of at least this share of the greatest push is called firm",
        basis="two thirds; a choice of words, no source",
        low=0.5,
        high=1.0,
    )
