"""How the tries of many atria come out beside what practice sees.

What a laboratory observes over many veins, such as how often one try of a balloon leaves a
good seat, is known roughly; what decides it in a single vein is not on its image. So the
settings of the seating are held against these sums over veins, each with its source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.frames import side_words
from veinfit.seating.approach.line import approach_line
from veinfit.seating.approach.reachable import Directions, directions_about
from veinfit.seating.balloon import sphere
from veinfit.seating.prepare import prepare
from veinfit.seating.seal.closure import SECTORS
from veinfit.seating.seat import RESERVE_SD
from veinfit.seating.uncertainty.attempts import Simulator, simulator
from veinfit.seating.uncertainty.chains import simulate
from veinfit.seating.uncertainty.margin import LEAST_ASSESSED
from veinfit.seating.uncertainty.readings import SEATED, Readings
from veinfit.seating.uncertainty.unknowns import ATTEMPT_UNKNOWNS, PATIENT_UNKNOWNS, draw
from veinfit.settings import Settings
from veinfit.validation.predictions import STEERED_ATTEMPTS
from veinfit.vectors import FloatArray

SMALL_MM, LARGE_MM = 28.0, 31.0
"""The two sizes of which practice tells."""

RESAMPLINGS = 2000
"""Of the atria, for the intervals."""

COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Target:
    """One quantity that practice tells.

    Attributes
    ----------
    name : str
        Of the quantity.
    meaning : str
    low, high : float
        The range that the defaults are to reproduce; not finite on a side that is free.
    middle : float
        What a fit aims at; NaN for what is told and not fitted.
    source : str
    """

    name: str
    meaning: str
    low: float
    high: float
    middle: float
    source: str


TARGETS = (
    Target(
        "only_small", "one try each: 28 mm alone seals antrally", 0.22, 0.38, 0.30, COMMON_PRACTICE
    ),
    Target(
        "only_large", "one try each: 31 mm alone seals antrally", 0.14, 0.30, 0.22, COMMON_PRACTICE
    ),
    Target("both", "one try each: both seal antrally", 0.25, 0.41, 0.33, COMMON_PRACTICE),
    Target("neither", "one try each: neither seals antrally", 0.07, 0.23, 0.15, COMMON_PRACTICE),
    Target(
        "phi",
        "phi of the seals of the two sizes over veins, patients and pairs of tries",
        -math.inf,
        0.25,
        0.0,
        "from the four rows above",
    ),
    Target(
        "small_steered_occlusion",
        "28 mm occludes within three steered tries",
        0.82,
        0.92,
        0.87,
        "88 of 96, 86 and 82 % finally occluded (abstract, scite P9DGK0)",
    ),
    Target(
        "ovality_correlation",
        "ovality against the seal probability with 28 mm, Pearson over veins",
        -0.2,
        0.2,
        0.0,
        "no effect of ovality split at 1.27 (Stachyra 2021)",
    ),
    Target(
        "distal_edge_mm",
        "distal edge of the cold contact band, 28 mm, sealed seats, mm inside the ostial plane",
        0.5,
        2.5,
        1.5,
        "distal lesion edge 1.5, SD 1.8 (abstract, scite 0pYrdZ)",
    ),
)
"""What the defaults are to reproduce."""

TOLD = (
    ("seal_probability_small", "one try of 28 mm seals antrally, mean over veins"),
    ("seal_probability_large", "one try of 31 mm seals antrally, mean over veins"),
    ("spread_small", "SD over veins of the seal probability with 28 mm"),
    ("spread_large", "SD over veins of the seal probability with 31 mm"),
    ("tries_small", "tries a vein with 28 mm until it occludes, at most three (published: 1.84)"),
    ("band_width_mm", "width of the cold contact band, 28 mm, sealed seats (lesion: 7.8, SD 2.0)"),
    ("larger_farther_back", "share of veins in which 31 mm seats farther back than 28 mm"),
    ("lower_leaks_inferior", "leaks of 28 mm in lower veins that lie inferiorly, share"),
    ("not_assessed", "share of veins in which a size could not be assessed"),
)
"""What is told beside it and not fitted."""


@dataclass(frozen=True, slots=True, eq=False)
class SizeOutcome:
    """What the tries of one size come to in one vein.

    Attributes
    ----------
    given_patient : (P,) array
        Probability of an antral seal in one try for each draw of the patient; NaN where
        none could be assessed.
    occluded_in_three : float
        Share of chains, of three tries at most, whose last try occludes.
    tries : float
        Made in a chain, in the mean.
    distal_edge_mm, band_width_mm : float
        Of the cold contact band of tries that seal, mean over the clock and then over
        tries; NaN where none does. The edge counts from the ostial plane into the vein.
    depth_mm : float
        Of the try without any perturbation; NaN without a seat.
    leak_side : str
        Of that try; empty where it occludes.
    assessed : bool
    """

    given_patient: FloatArray
    occluded_in_three: float
    tries: float
    distal_edge_mm: float
    band_width_mm: float
    depth_mm: float
    leak_side: str
    assessed: bool

    @property
    def antral(self) -> float:
        """Probability of an antral seal in one try."""
        return float(np.nanmean(self.given_patient)) if self.assessed else math.nan


@dataclass(frozen=True, slots=True, eq=False)
class VeinOutcome:
    """What the two sizes come to in one vein; ``ovality`` is that of its ostium."""

    case: str
    vein: str
    ovality: float
    small: SizeOutcome
    large: SizeOutcome

    @property
    def assessed(self) -> bool:
        """Whether both sizes could be assessed."""
        return self.small.assessed and self.large.assessed


CANNOT_REACH = SizeOutcome(
    np.zeros(1), 0.0, float(STEERED_ATTEMPTS), math.nan, math.nan, math.nan, "", True
)
"""A size that the sheath cannot bring before a vein."""


def outcomes_of(case: str, anatomy: Anatomy, settings: Settings) -> list[VeinOutcome]:
    """Simulate chains of tries of both sizes in every vein of one atrium.

    ``settings`` are those of a study, of three tries in a chain: ``practice_run.with_chains``.
    """
    seating, margin = settings.seating, settings.margin
    found = []
    for vein in anatomy.veins:
        line = approach_line("transseptal", anatomy, vein, seating)
        sizes = [CANNOT_REACH, CANNOT_REACH]
        if not line.cannot_reach:
            reserve = RESERVE_SD * margin.surface_offset_sd_mm
            prepared = prepare(anatomy, vein, 0.5 * LARGE_MM + reserve, seating)
            reach = directions_about(anatomy, vein, line, seating, margin)
            sizes = [
                _size(simulator(prepared, sphere(size), line, seating, margin), reach)
                for size in (SMALL_MM, LARGE_MM)
            ]
        found.append(VeinOutcome(case, vein.name, vein.ostium.measures.ovality, *sizes))
    return found


def _size(simulated: Simulator, reach: Directions) -> SizeOutcome:
    margin, patch = simulated.margin, simulated.prepared.patch
    unknowns = draw(margin, f"practice {simulated.label}")
    chains = simulate(simulated, unknowns, reach.limit)
    first, shape = chains.first, unknowns.shape
    known = first.assessed.reshape(shape)
    count = known.sum(axis=1)
    with np.errstate(invalid="ignore"):
        closed = (first.antral[1].reshape(shape) & known).sum(axis=1)
        given = np.where(count > 0, closed / count, np.nan)
    whole = chains.assessed
    still = simulated.tries(
        simulated.line.direction[None],
        np.zeros((1, len(PATIENT_UNKNOWNS))),
        np.zeros((1, len(ATTEMPT_UNKNOWNS))),
    )
    side = ""
    if still.outcome[0] == SEATED and not still.occluded[1, 0] and still.narrowest[0] >= 0:
        offset = patch.surface.points[still.narrowest[0]] - patch.centre
        side = side_words(offset - (offset @ patch.axis) * patch.axis)
    distal, width = _bands(simulated, first)
    return SizeOutcome(
        given,
        float(chains.last("occluded")[whole].mean()) if whole.any() else math.nan,
        float(chains.made[whole].mean()) if whole.any() else math.nan,
        distal,
        width,
        float((still.centre[0] - patch.centre) @ patch.normal),
        side,
        bool(known.mean() >= LEAST_ASSESSED),
    )


def _bands(simulated: Simulator, told: Readings) -> tuple[float, float]:
    """Mean distal edge and mean width of the cold contact band of tries that seal, mm."""
    own = np.flatnonzero(told.sealed[1])
    if not len(own):
        return math.nan, math.nan
    closure, patch = simulated.closure, simulated.prepared.patch
    reach = np.full(len(own), simulated.balloon.shape.reach_mm)
    gap, polar = closure.measured(simulated.balloon, reach, told.direction[own], told.place[own])
    cold = (gap <= simulated.seating.contact_tolerance_mm) & simulated.balloon.freezes_at(polar)
    depth = (closure.points - patch.centre) @ patch.normal
    distal, width = [], []
    for sector in range(SECTORS):
        here = np.flatnonzero((closure.sector == sector) & closure.near)
        if not len(here):
            continue
        touched = cold[:, here]
        some = touched.any(axis=1)
        deepest = np.where(touched, depth[here], -np.inf)
        shallow = np.where(touched, depth[here], np.inf)
        first, last = deepest.argmax(axis=1)[some], shallow.argmin(axis=1)[some]
        distal += list(depth[here[first]])
        apart = closure.points[here[first]] - closure.points[here[last]]
        width += list(np.linalg.norm(apart, axis=1))
    return _mean(distal), _mean(width)


def quantities(outcomes: Sequence[VeinOutcome]) -> dict[str, float]:
    """Return every quantity of ``TARGETS`` and ``TOLD``; NaN where it cannot be had.

    Veins weigh equally. A balloon that cannot reach seals with probability 0.

    Parameters
    ----------
    outcomes : sequence of VeinOutcome

    Returns
    -------
    dict of str to float
    """
    known = [one for one in outcomes if one.assessed]
    if not known:
        names = [target.name for target in TARGETS] + [name for name, _ in TOLD]
        return {**dict.fromkeys(names, math.nan), "not_assessed": 1.0}
    split = np.array([_split(one) for one in known])
    only_small, only_large, both, neither = split.mean(axis=0)
    p, q = only_small + both, only_large + both
    spread = math.sqrt(max(p * (1.0 - p) * q * (1.0 - q), 0.0))
    small = np.array([one.small.antral for one in known])
    large = np.array([one.large.antral for one in known])
    ovality = np.array([one.ovality for one in known])
    depth = np.array([(one.small.depth_mm, one.large.depth_mm) for one in known])
    seated = np.isfinite(depth).all(axis=1)
    leaks = [one.small.leak_side for one in known if one.vein in ("LIPV", "RIPV")]
    leaks = [side for side in leaks if side]
    return {
        "only_small": float(only_small),
        "only_large": float(only_large),
        "both": float(both),
        "neither": float(neither),
        "phi": float((both - p * q) / spread) if spread > 0.0 else math.nan,
        "small_steered_occlusion": _mean([one.small.occluded_in_three for one in known]),
        "ovality_correlation": _correlation(ovality, small),
        "distal_edge_mm": _mean_known([one.small.distal_edge_mm for one in known]),
        "seal_probability_small": float(p),
        "seal_probability_large": float(q),
        "spread_small": float(np.std(small)),
        "spread_large": float(np.std(large)),
        "tries_small": _mean([one.small.tries for one in known]),
        "band_width_mm": _mean_known([one.small.band_width_mm for one in known]),
        "larger_farther_back": _mean([float(a > b) for a, b in depth[seated]]),
        "lower_leaks_inferior": _mean([float("inferior" in side) for side in leaks]),
        "not_assessed": 1.0 - len(known) / len(outcomes),
    }


def intervals(outcomes: Sequence[VeinOutcome], seed: int = 1) -> dict[str, tuple[float, float]]:
    """95 % intervals of every quantity: atria, not veins, are drawn again with replacement."""
    by_case: dict[str, list[VeinOutcome]] = {}
    for one in outcomes:
        by_case.setdefault(one.case, []).append(one)
    groups = list(by_case.values())
    rng = np.random.default_rng(seed)
    drawn: dict[str, list[float]] = {}
    for _ in range(RESAMPLINGS):
        chosen = rng.integers(0, len(groups), len(groups))
        for name, value in quantities([one for k in chosen for one in groups[k]]).items():
            drawn.setdefault(name, []).append(value)
    with np.errstate(invalid="ignore"):
        return {
            name: (float(np.nanquantile(values, 0.025)), float(np.nanquantile(values, 0.975)))
            if np.isfinite(values).any()
            else (math.nan, math.nan)
            for name, values in drawn.items()
        }


def met(target: Target, value: float) -> bool:
    """Whether a value lies in a target's range."""
    return target.low <= value <= target.high


def _split(one: VeinOutcome) -> tuple[float, float, float, float]:
    """Only the smaller, only the larger, both, neither: in the mean over patients."""
    a, b = one.small.given_patient, one.large.given_patient
    if len(a) != len(b):
        a, b = np.broadcast_arrays(a, b)
    known = np.isfinite(a) & np.isfinite(b)
    a, b = a[known], b[known]
    parts = (a * (1.0 - b), (1.0 - a) * b, a * b, (1.0 - a) * (1.0 - b))
    only_small, only_large, both, neither = (float(part.mean()) for part in parts)
    return only_small, only_large, both, neither


def _mean_known(values: Sequence[float]) -> float:
    return _mean([value for value in values if math.isfinite(value)])


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if len(values) else math.nan


def _correlation(a: FloatArray, b: FloatArray) -> float:
    if len(a) < 3 or np.std(a) == 0.0 or np.std(b) == 0.0:
        return math.nan
    return float(np.corrcoef(a, b)[0, 1])
