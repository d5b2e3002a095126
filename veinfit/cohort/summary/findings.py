"""What a cohort's summary says first: a few sentences with their figures."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from veinfit.anatomy.vein import CLOSE_RUNNER_UP
from veinfit.cohort.statistics import Interval
from veinfit.cohort.summary.model import PARTS, Rate, Summary
from veinfit.report.page.study_page import with_span

LOW_CONFIDENCE = 0.5
"""A measurement confidence below this counts as low."""


def findings(summary: Summary) -> tuple[str, ...]:
    """Return the sentences: what each size seals, what two do together, what was measured well."""
    return tuple((*_seals(summary), *_together(summary), _quality(summary)))


def _told(found: Interval) -> str:
    return with_span(found.value, found.low, found.high)


def _share(rate: Rate) -> Interval:
    return rate.seat if rate.expected.value is None else rate.expected


def _seals(summary: Summary) -> Iterator[str]:
    sealed = [rate for rate in summary.rates if rate.verdict == "sealed" and rate.number]
    overall = [rate for rate in sealed if rate.vein == "all"]
    if not overall:
        return
    by_try = all(rate.expected.value is not None for rate in overall)
    told = "; ".join(f"{rate.balloon} {_told(_share(rate))}" for rate in overall)
    single = [rate for rate in sealed if rate.vein != "all" and rate.number > 1]
    yield (
        f"Predicted share of veins that {'one try' if by_try else 'the nominal seat'} seals: "
        f"{told}, in {overall[0].number} veins."
    )
    if single:
        alone = any(rate.vein != "all" and rate.number == 1 for rate in sealed)
        least = min(single, key=lambda rate: _share(rate).value or 0.0)
        yield (
            f"The least is predicted for {least.vein} with {least.balloon}: "
            f"{_told(_share(least))}, in {least.number} veins"
            f"{'; veins of a single case are left out' if alone else ''}."
        )


def _together(summary: Summary) -> Iterator[str]:
    for split in summary.splits:
        if split.vein == "all" and split.verdict == "sealed" and split.number:
            words = {
                "only smaller": f"{split.smaller} alone",
                "only larger": f"{split.larger} alone",
            }
            told = ", ".join(f"{words.get(p, p)} {_told(split.parts[p])}" for p in PARTS)
            what = "nominal seat" if split.basis == "single seat" else "try"
            yield f"Predicted to seal with one {what} of each size: {told}."


def _quality(summary: Summary) -> str:
    cohort = summary.cohort
    low = int(np.sum(cohort.quality["confidence"] < LOW_CONFIDENCE))
    doubtful = int(np.sum(cohort.quality["name_confidence"] < CLOSE_RUNNER_UP))
    lost = sum(int(np.sum(size.outcome == "not assessed")) for size in cohort.sizes)
    veins = len(cohort.vein)
    left_out = cohort.left_out
    without = f"{left_out} veins with a doubtful name were left out; " if left_out else ""
    return (
        f"Measurement: {without}of {veins} veins {low} have a measurement confidence below "
        f"{LOW_CONFIDENCE:g} and {doubtful} a doubtful name (probability below "
        f"{CLOSE_RUNNER_UP:g}); {lost} seats could not be assessed; {cohort.failed} of "
        f"{cohort.cases} cases failed."
    )
