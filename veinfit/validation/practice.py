"""How the tries of many atria come out beside what practice sees.

What a laboratory observes over many veins, such as how often one try of a balloon leaves a
good seat, is known roughly; what decides it in a single vein is not on its image. So the
settings of the seating are held against these sums over veins, each with its source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.model import Anatomy
from veinfit.frames import FloatArray
from veinfit.seating.balloon import sphere
from veinfit.seating.model import Fit
from veinfit.seating.seat import seat_vein
from veinfit.seating.uncertainty.split import joint
from veinfit.settings import Settings

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
class VeinOutcome:
    """What the two sizes come to in one vein.

    Attributes
    ----------
    case, vein : str
    ovality : float
    small, large : Fit
        By the headline approach.
    """

    case: str
    vein: str
    ovality: float
    small: Fit
    large: Fit

    @property
    def assessed(self) -> bool:
        """Whether both sizes have a margin or cannot reach."""
        return all(fit.margin is not None or fit.outcome == "cannot reach" for fit in self.fits)

    @property
    def fits(self) -> tuple[Fit, Fit]:
        """Return the smaller and the larger size."""
        return self.small, self.large


def outcomes_of(case: str, anatomy: Anatomy, settings: Settings) -> list[VeinOutcome]:
    """Seat both sizes in every vein of one atrium, with their chains of tries."""
    found = []
    for vein in anatomy.veins:
        small, large = seat_vein(
            anatomy,
            vein,
            [sphere(SMALL_MM), sphere(LARGE_MM)],
            settings.seating,
            ("transseptal",),
            None,
            settings.margin,
        )
        found.append(VeinOutcome(case, vein.name, vein.ostium.measures.ovality, small, large))
    return found


def quantities(outcomes: Sequence[VeinOutcome]) -> dict[str, float]:
    """Return every quantity of ``TARGETS`` and ``TOLD``; NaN where it cannot be had.

    Veins weigh equally. A balloon that cannot reach seals with probability 0.
    """
    known = [one for one in outcomes if one.assessed]
    if not known:
        names = [target.name for target in TARGETS] + [name for name, _ in TOLD]
        return {**dict.fromkeys(names, math.nan), "not_assessed": 1.0}
    split = np.array([_split(one) for one in known])
    only_small, only_large, both, neither = split.mean(axis=0)
    p, q = only_small + both, only_large + both
    spread = math.sqrt(max(p * (1.0 - p) * q * (1.0 - q), 0.0))
    small = np.array([_antral(one.small) for one in known])
    large = np.array([_antral(one.large) for one in known])
    ovality = np.array([one.ovality for one in known])
    bands = [band for one in known if (band := _band(one.small)) is not None]
    depths = [
        one.large.depth_mm < one.small.depth_mm
        for one in known
        if one.large.depth_mm is not None and one.small.depth_mm is not None
    ]
    sides = [one.small.leak_side for one in known if one.vein in ("LIPV", "RIPV")]
    leaks = [side for side in sides if side]
    chains = [one.small.margin for one in known if one.small.margin is not None]
    return {
        "only_small": float(only_small),
        "only_large": float(only_large),
        "both": float(both),
        "neither": float(neither),
        "phi": float((both - p * q) / spread) if spread > 0.0 else math.nan,
        "small_steered_occlusion": _mean(
            [m.steered_occluded.probability for m in chains] + [0.0] * (len(known) - len(chains))
        ),
        "ovality_correlation": _correlation(ovality, small),
        "distal_edge_mm": _mean([band[0] for band in bands]),
        "seal_probability_small": float(p),
        "seal_probability_large": float(q),
        "spread_small": float(np.std(small)),
        "spread_large": float(np.std(large)),
        "tries_small": _mean([m.attempts_per_chain for m in chains]),
        "band_width_mm": _mean([band[1] for band in bands]),
        "larger_farther_back": _mean([float(value) for value in depths]),
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


Progress = Callable[[str], None]


def _split(one: VeinOutcome) -> tuple[float, float, float, float]:
    small, large = one.small.margin, one.large.margin
    if small is None or large is None:
        p, q = _antral(one.small), _antral(one.large)
        return p * (1.0 - q), (1.0 - p) * q, p * q, (1.0 - p) * (1.0 - q)
    parts = joint(small.antral, large.antral)
    return (0.0, 0.0, 0.0, 1.0) if parts is None else parts


def _antral(fit: Fit) -> float:
    return 0.0 if fit.margin is None else fit.margin.antral.probability


def _band(fit: Fit) -> tuple[float, float] | None:
    """Mean distal edge and mean width of the contact band of a sealed seat, mm."""
    if not fit.sealed:
        return None
    distal = [r.band_distal_depth_mm for r in fit.clock if r.band_distal_depth_mm is not None]
    width = [r.band_width_mm for r in fit.clock if r.band_width_mm is not None]
    return (_mean(distal), _mean(width)) if distal and width else None


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if len(values) else math.nan


def _correlation(a: FloatArray, b: FloatArray) -> float:
    if len(a) < 3 or np.std(a) == 0.0 or np.std(b) == 0.0:
        return math.nan
    return float(np.corrcoef(a, b)[0, 1])
