"""Sums a cohort up: occlusion, seal, what a second size adds, leaks and what goes with them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from veinfit.anatomy.vein import CLOSE_RUNNER_UP
from veinfit.cohort.clustered import clustered_sums, clustered_superiority, share
from veinfit.cohort.statistics import (
    FloatArray,
    IntArray,
    Interval,
    exact_paired,
    standardised_difference,
    wilson,
)
from veinfit.cohort.summary.data import NOT_CLOSED, VEIN_NUMBERS, Cohort, Size
from veinfit.cohort.summary.model import (
    HOURS,
    PARTS,
    Difference,
    LeakShare,
    Predictor,
    Rate,
    Rose,
    Split,
    Summary,
)
from veinfit.cohort.summary.whole_case import whole_cases
from veinfit.vein_names import vein_order

BoolArray = NDArray[np.bool_]

VERDICTS = ("occluded", "sealed")
PROBABILITIES = {"occluded": "occlusion_probability", "sealed": "seal_probability"}

PAIRED = ("depth_mm", "antral_area_mm2", "contact_area_mm2", "leak_width_mm")
"""What is compared between two sizes, beside the distances to structures."""
PREDICTORS = (*VEIN_NUMBERS, "misalignment_deg")
NAMED = 3
"""So many cases with a warning are told by name; the table ``cases`` has all."""
FEWEST_IN_GROUP = 5
"""Below so many veins on one side nothing is said about what goes with a leak."""


def summarise(cohort: Cohort) -> Summary:
    """Sum a cohort up.

    Parameters
    ----------
    cohort : Cohort

    Returns
    -------
    Summary
    """
    splits = tuple(_splits(cohort))
    return Summary(
        cohort,
        tuple(_rates(cohort)),
        splits,
        tuple(_differences(cohort)),
        tuple(_leak_shares(cohort)),
        tuple(_roses(cohort)),
        tuple(_predictors(cohort)),
        tuple(_remarks(cohort, splits)),
        tuple(whole_cases(cohort)),
    )


def vein_groups(cohort: Cohort) -> list[tuple[str, BoolArray]]:
    """Return all veins, and each vein, with which rows they are."""
    groups = [("all", np.ones(len(cohort.vein), dtype=bool))]
    names = sorted(set(cohort.vein.tolist()), key=vein_order)
    return groups + [(name, cohort.vein == name) for name in names]


def _mean(values: FloatArray, cases: IntArray) -> Interval:
    """Return the mean of the values that there are, clustered by case."""
    known = np.isfinite(values)
    if not known.any():
        return Interval(None)
    parts = np.stack([values[known], np.ones(int(known.sum()))], axis=1)
    return clustered_sums(parts, share, cases[known])


# ---- occluded or sealed ---------------------------------------------------------------------


def _rates(cohort: Cohort) -> Iterator[Rate]:
    for verdict in VERDICTS:
        for vein, mine in vein_groups(cohort):
            for size in cohort.sizes:
                values = size.numbers[verdict][mine]
                known = np.isfinite(values)
                number, count = int(known.sum()), int(np.nansum(values))
                seat = wilson(count, number)
                if vein == "all":
                    seat = _mean(values, cohort.case[mine])
                outcome = size.outcome[mine]
                yield Rate(
                    vein, size.balloon, verdict, number, count,
                    int(((outcome != "") & ~known).sum()),
                    int((outcome == "passes through").sum()),
                    int((outcome == "cannot reach").sum()),
                    seat,
                    _mean(size.numbers[PROBABILITIES[verdict]][mine], cohort.case[mine]),
                )  # fmt: skip


def joint(first: Size, second: Size, verdict: str) -> tuple[FloatArray, str]:
    """Return the four expected parts of every vein, and what they rest on.

    Returns
    -------
    parts : (K, 4) array
        In the order of ``PARTS``; NaN where one of the sizes was not assessed.
    basis : str
        ``tries``, ``product`` or ``single seat``.
    """
    if verdict in first.given and verdict in second.given:
        a, b, basis = first.given[verdict], second.given[verdict], "tries"
    else:
        name = PROBABILITIES[verdict]
        a, b, basis = first.numbers[name][:, None], second.numbers[name][:, None], "product"
        if not np.isfinite(a).any() or not np.isfinite(b).any():
            a, b = first.numbers[verdict][:, None], second.numbers[verdict][:, None]
            basis = "single seat"
    draws = np.stack([a * (1.0 - b), (1.0 - a) * b, a * b, (1.0 - a) * (1.0 - b)], axis=1)
    known = np.isfinite(draws)
    count = known.sum(axis=2)
    total = np.where(known, draws, 0.0).sum(axis=2)
    return np.where(count > 0, total / np.maximum(count, 1), math.nan), basis


def _splits(cohort: Cohort) -> Iterator[Split]:
    for verdict in VERDICTS:
        for smaller, larger in pairwise(cohort.sizes):
            parts, basis = joint(smaller, larger, verdict)
            seats = np.stack([smaller.numbers[verdict], larger.numbers[verdict]], axis=1)
            for vein, mine in vein_groups(cohort):
                known = mine & np.isfinite(seats).all(axis=1)
                a, b = seats[known, 0] > 0.5, seats[known, 1] > 0.5
                values = (a & ~b, ~a & b, a & b, ~a & ~b)
                counts = {n: int(v.sum()) for n, v in zip(PARTS, values, strict=True)}
                yield Split(
                    vein, smaller.balloon, larger.balloon, verdict,
                    int((mine & np.isfinite(parts).all(axis=1)).sum()),
                    basis,
                    {n: _mean(parts[mine, k], cohort.case[mine]) for k, n in enumerate(PARTS)},
                    counts,
                    exact_paired(counts["only smaller"], counts["only larger"]),
                )  # fmt: skip


# ---- differences ----------------------------------------------------------------------------


def _differences(cohort: Cohort) -> Iterator[Difference]:
    measures = (*PAIRED, *(f"distance_{name}_mm" for name in cohort.structures))
    for smaller, larger in pairwise(cohort.sizes):
        # What cannot reach the vein comes to rest somewhere all the same: that is no seat.
        seated = ~np.isin(smaller.outcome, NOT_CLOSED) & ~np.isin(larger.outcome, NOT_CLOSED)
        for measure in measures:
            gaps = larger.numbers[measure] - smaller.numbers[measure]
            gaps = np.where(seated, gaps, math.nan)
            for vein, mine in vein_groups(cohort):
                values = gaps[mine]
                known = values[np.isfinite(values)]
                if not len(known):
                    continue
                yield Difference(
                    vein, smaller.balloon, larger.balloon, measure, len(known),
                    _mean(values, cohort.case[mine]),
                    float(known.std(ddof=1)) if len(known) > 1 else None,
                    float(np.median(known)),
                )  # fmt: skip


# ---- leaks ----------------------------------------------------------------------------------


def _leak_shares(cohort: Cohort) -> Iterator[LeakShare]:
    leaks = cohort.leaks
    names = [name for name, _ in vein_groups(cohort)]
    for vein in names:
        for size in cohort.sizes:
            mine = leaks.balloon == size.balloon
            if vein != "all":
                mine &= leaks.vein == vein
            sides, counts = np.unique(leaks.side[mine], return_counts=True)
            total = int(counts.sum())
            for side, count in sorted(zip(sides.tolist(), counts.tolist(), strict=True),
                                      key=lambda item: (-item[1], item[0])):  # fmt: skip
                yield LeakShare(vein, size.balloon, side, count, total, wilson(count, total))


def _roses(cohort: Cohort) -> Iterator[Rose]:
    leaks = cohort.leaks
    for vein, _ in vein_groups(cohort)[1:]:
        of_vein = leaks.vein == vein
        if not of_vein.any():
            continue
        words = tuple(_usual_side(cohort, of_vein, hour) for hour in range(HOURS))
        for size in cohort.sizes:
            mine = of_vein & (leaks.balloon == size.balloon)
            counts = np.bincount(_told_hours(leaks.clock_h[mine]), minlength=HOURS)
            yield Rose(vein, size.balloon, tuple(int(n) for n in counts), words)


def _told_hours(clock_h: FloatArray) -> IntArray:
    """Return the hours (N,) by which reports name places: half way goes to the later one."""
    return np.floor(clock_h + 0.5).astype(np.intp) % HOURS


def _usual_side(cohort: Cohort, of_vein: BoolArray, hour: int) -> str:
    """Return the words that leaks at an hour of a vein most often have; empty without a leak."""
    leaks = cohort.leaks
    near = of_vein & (_told_hours(leaks.clock_h) == hour)
    words, counts = np.unique(leaks.side[near], return_counts=True)
    return str(words[np.argmax(counts)]) if len(words) else ""


# ---- what goes with a leak ------------------------------------------------------------------


def _predictors(cohort: Cohort) -> Iterator[Predictor]:
    for size in cohort.sizes:
        occluded = size.numbers["occluded"]
        for measure in PREDICTORS:
            values = cohort.anatomy.get(measure, size.numbers.get(measure))
            assert values is not None
            for vein, mine in vein_groups(cohort):
                known = mine & np.isfinite(values) & np.isfinite(occluded)
                leaking = occluded[known] < 0.5
                few = min(int(leaking.sum()), int((~leaking).sum()))
                x = values[known]
                if few < FEWEST_IN_GROUP or np.ptp(x) == 0:
                    continue
                yield Predictor(
                    vein, size.balloon, measure, int(leaking.sum()), int((~leaking).sum()),
                    float(x[leaking].mean()), float(x[~leaking].mean()),
                    standardised_difference(x, leaking),
                    clustered_superiority(x, leaking, cohort.case[known]),
                )  # fmt: skip


# ---- remarks --------------------------------------------------------------------------------


def _remarks(cohort: Cohort, splits: tuple[Split, ...]) -> Iterator[str]:
    if cohort.warned:
        first = "; ".join(f"{k}: {text}" for k, text in list(cohort.warned.items())[:NAMED])
        more = f"; and {len(cohort.warned) - NAMED} more" if len(cohort.warned) > NAMED else ""
        carry = "carries a warning that puts the whole case in doubt, and counts"
        if len(cohort.warned) > 1:
            carry = "carry a warning that puts the whole case in doubt, and count"
        yield (
            f"{len(cohort.warned)} of {cohort.cases} cases {carry} in every figure "
            f"({first}{more}); --least-name-confidence {CLOSE_RUNNER_UP:g} leaves out their "
            "veins, but not those that were named by hand"
        )
    if cohort.failed:
        which = "it is" if cohort.failed == 1 else "they are"
        yield f"{cohort.failed} of {cohort.cases} cases failed; {which} in no figure"
    bases = {split.basis for split in splits}
    if "product" in bases:
        yield (
            "the probabilities of the two sizes are multiplied as if they were independent; in one "
            "patient they are not, and both and neither are then more probable than stated"
        )
    if "single seat" in bases:
        yield (
            "there is no probability over tries (setting margin.samples): every vein counts by its "
            "nominal seat, which does not tell how certain it is"
        )
    if len(cohort.sizes) == 1:
        yield "there is one size only, so no sizes are compared"
    if cohort.cases - cohort.failed < 20:
        yield (
            f"{cohort.cases - cohort.failed} cases: too few for conclusions; intervals clustered "
            "by case are too narrow then"
        )
