"""Holds predictions against what was observed, and says how far that can be relied on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from veinfit.cohort.statistics import FloatArray, LimitsOfAgreement
from veinfit.seating.seal.grade import COMPLETE
from veinfit.validation.agreement.broken_off import series_caution, series_measures
from veinfit.validation.agreement.join import Joined, Pair
from veinfit.validation.agreement.measures import (
    FEW,
    FEW_PATIENTS,
    Bin,
    Measure,
    all_kappas,
    calibration,
    closed,
    correlation,
    difference,
    first_attempts,
    grade,
    grade_table,
    occlusion,
    of_other_tries,
    patients_of,
    reliability,
    series,
)
from veinfit.validation.predictions import STEERED_ATTEMPTS

DEPTH = ("depth_mm", "seating_depth_mm")
"""The predicted and the observed depth."""
SHIFT = ("freeze_shift_mm", "shift_after_freeze_mm")


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """How predictions agree with observations.

    Attributes
    ----------
    joined : Joined
    best : tuple of Pair
        The best attempt of each balloon in each vein, on which the measures of
        occlusion rest.
    measures : tuple of Measure
    reliability : tuple of Bin
    depth : LimitsOfAgreement or None
        Predicted less observed, mm, over every attempt.
    grades : (4, 4) array or None
        Counts: predicted grade down, observed grade across, from 1.
    probability_of : str
    warnings : tuple of str
    """

    joined: Joined
    best: tuple[Pair, ...]
    measures: tuple[Measure, ...]
    reliability: tuple[Bin, ...]
    depth: LimitsOfAgreement | None
    grades: FloatArray | None
    probability_of: str
    warnings: tuple[str, ...]


def agreement(joined: Joined) -> Agreement:
    """Measure how the joined rows agree.

    Parameters
    ----------
    joined : Joined

    Returns
    -------
    Agreement
    """
    graded = [p for p in joined.pairs if p.observed.occlusion_grade is not None]
    best = _best(graded)
    measures: list[Measure] = []
    for group, pairs in _groups(best):
        measures += occlusion(group, pairs)
        measures += all_kappas(group, pairs)
    one_try = first_attempts(graded)
    for group, pairs in _groups(one_try.pairs):
        measures += calibration(group, first_attempts(pairs))
    for group, pairs in _groups(graded):
        measures += series_measures(group, series(pairs))
    depth, more = difference("depth, mm", joined.pairs, *DEPTH)
    measures += more
    measures += difference("shift after freezing starts, mm", joined.pairs, *SHIFT)[1]
    for observed in ("time_to_isolation_s", "lowest_temperature_c"):
        measures += correlation(joined.pairs, observed)
    kinds = {p.predicted.probability_of for p in one_try.pairs}
    return Agreement(
        joined,
        tuple(best),
        tuple(measures),
        reliability(one_try),
        depth,
        grade_table(best),
        "occlusion" if kinds <= {"occlusion"} else "seal",
        (*_warnings(joined, best, kinds), *series_caution(series(graded))),
    )


# ---- rows -----------------------------------------------------------------------------------


def _best(pairs: Iterable[Pair]) -> list[Pair]:
    """Return the best graded attempt of each balloon in each vein; the first of equal ones."""
    best: dict[tuple[str, ...], Pair] = {}
    for pair in sorted(pairs, key=lambda p: p.observed.attempt):
        key = (pair.observed.case, pair.observed.vein, pair.predicted.balloon,
               pair.predicted.approach)  # fmt: skip
        if key not in best or grade(pair) > grade(best[key]):
            best[key] = pair
    return sorted(best.values(), key=lambda p: p.observed.line)


def _groups(pairs: Sequence[Pair]) -> list[tuple[str, list[Pair]]]:
    """Return all rows, those of each balloon and those of each vein; groups of all are left out."""
    if not pairs:
        return []
    groups = [("all", list(pairs))]
    keys: tuple[Callable[[Pair], str], ...] = (
        lambda p: p.predicted.balloon,
        lambda p: p.observed.vein,
    )
    for key in keys:
        parts: dict[str, list[Pair]] = defaultdict(list)
        for pair in pairs:
            parts[key(pair)].append(pair)
        if len(parts) > 1:
            groups += sorted(parts.items())
    return groups


# ---- warnings -------------------------------------------------------------------------------


def _warnings(joined: Joined, best: Sequence[Pair], kinds: set[str]) -> Iterable[str]:
    patients = set(patients_of(joined.pairs))
    if len(patients) < FEW_PATIENTS:
        are = "1 patient" if len(patients) == 1 else f"{len(patients)} patients"
        yield (
            f"{are}: too few for conclusions; intervals clustered by patient are too narrow then"
        )
    if best:
        _, observed = closed(best)
        rarer = int(min(observed.sum(), (~observed).sum()))
        if rarer < FEW:
            yield (
                f"only {rarer} of {len(best)} balloons in veins are of the rarer kind (occluded or "
                "not): sensitivity or specificity rests on these few"
            )
    yield from _order(best)
    if "seal" in kinds:
        yield (
            "some predictions hold no probability of occlusion; that of a seal in cold contact is "
            "used for them, which is lower"
        )
    yield from _other_tries(joined.pairs)


def _other_tries(pairs: Sequence[Pair]) -> Iterable[str]:
    """Say which probabilities of steered tries are not of so many as are observed."""
    other = [p for p in pairs if p.predicted.steered_probability is not None and of_other_tries(p)]
    if other:
        tries = ", ".join(
            str(n) for n in sorted({p.predicted.steered_attempts or 0 for p in other})
        )
        yield (
            f"the steered tries of {len(other)} of {len(pairs)} rows were predicted with "
            f"margin.steered_attempts = {tries}, and attempts are observed up to the third: their "
            f"steered probabilities are held against nothing; predict with {STEERED_ATTEMPTS} to "
            "compare them"
        )


def _order(best: Sequence[Pair]) -> Iterable[str]:
    """Say what the order in which sizes were tried does to a comparison of sizes."""
    veins: dict[tuple[str, str], dict[float, bool]] = defaultdict(dict)
    for pair in best:
        key = (pair.observed.case, pair.observed.vein)
        size = pair.predicted.balloon_mm
        closed = grade(pair) == COMPLETE
        veins[key][size] = veins[key].get(size, False) or closed
    sizes = sorted({size for tried in veins.values() for size in tried})
    for smaller, larger in pairwise(sizes):
        with_larger = [tried for tried in veins.values() if larger in tried]
        both = [tried for tried in with_larger if smaller in tried]
        after = sum(not tried[smaller] for tried in both)
        yield (
            f"{larger:g} mm was observed in {len(with_larger)} veins; in {len(both)} of them "
            f"{smaller:g} mm was observed too and had not occluded in {after}. The larger size is "
            "often tried only after the smaller failed, so that it meets the harder veins: the "
            "observed rates of two sizes do not compare the sizes"
        )
