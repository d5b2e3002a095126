"""What one case of a synthetic cohort is to measure, drawn before anything is built."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from veinfit.synthetic.draw.distributions import RIGHT_VARIANTS, Distributions
from veinfit.vein_names import TRUNK_BRANCHES, USUAL_VEINS

TARGET_STREAM = 1
"""Numbers the stream of random numbers that targets are drawn from."""

FOUR = "four"
"""The name of the anatomy that is no variant."""


@dataclass(frozen=True, eq=False)
class Targets:
    """What one case is to measure.

    Attributes
    ----------
    variants : tuple of str
        The variants it has; empty for four separate veins.
    volume_ml : float
        Of the chamber without veins and appendage.
    veins : mapping of str to mapping of str to float
        Measures by vein; the veins that the variants make it have.
    """

    variants: tuple[str, ...]
    volume_ml: float
    veins: Mapping[str, Mapping[str, float]]

    @property
    def variant(self) -> str:
        """The variants in one word."""
        return "+".join(self.variants) or FOUR


def draw_targets(
    distributions: Distributions, cohort_seed: int, number: int, redraw: int = 0
) -> Targets:
    """Draw what case ``number`` of a cohort is to measure.

    Parameters
    ----------
    cohort_seed, number : int
        The case: the same two give the same targets, whatever else is drawn.
    redraw : int
        Counts targets that could not be built and were set aside. The variants stay: some are
        harder to build, and would else become rarer than they are.
    """
    rng = np.random.default_rng([cohort_seed, number, TARGET_STREAM, 0])
    variants = _variants(distributions, rng)
    if redraw:
        rng = np.random.default_rng([cohort_seed, number, TARGET_STREAM, redraw])
    # All distributions are drawn from every time, so that no measure depends on the variant drawn.
    score = np.linalg.cholesky(distributions.correlation) @ rng.normal(
        size=len(distributions.of_measures)
    )
    extra = rng.normal(size=3)
    values: dict[str, dict[str, float]] = {}
    for (table, measure), distribution, z in zip(
        distributions.of_measures, distributions.of_measures.values(), score, strict=True
    ):
        values.setdefault(table, {})[measure] = distribution.quantile(float(ndtr(z)))
    veins = {name: values[table] for name, table in _tables(variants).items()}
    if "two_middle" in variants:
        veins["RMPV-2"] = {
            measure: distributions.of_measures["RMPV", measure].quantile(float(ndtr(z)))
            for measure, z in zip(values["RMPV"], extra, strict=True)
        }
    return Targets(variants, values["atrium"]["volume_ml"], veins)


def _variants(distributions: Distributions, rng: np.random.Generator) -> tuple[str, ...]:
    shares = {name: entry.share for name, entry in distributions.shares.items()}
    inferior, left, right = rng.uniform(size=3)
    if inferior < shares["inferior_common"]:
        return ("inferior_common",)
    found = ["left_common"] if left < shares["left_common"] else []
    edges = np.cumsum([shares[name] for name in RIGHT_VARIANTS])
    place = int(np.searchsorted(edges, right, side="right"))
    if place < len(RIGHT_VARIANTS):
        found.append(RIGHT_VARIANTS[place])
    return tuple(found)


def _tables(variants: tuple[str, ...]) -> dict[str, str]:
    """Veins that a case with ``variants`` has, each with its table of distributions."""
    veins = {name: name for name in USUAL_VEINS}
    for variant, trunk in (
        ("left_common", "LCPV"),
        ("right_common", "RCPV"),
        ("inferior_common", "ICPV"),
    ):
        joined = TRUNK_BRANCHES[trunk]
        if variant in variants:
            veins = {name: table for name, table in veins.items() if name not in joined}
            veins[trunk] = "common"
    if {"right_middle", "two_middle"} & set(variants):
        veins["RMPV"] = "RMPV"
    if "roof" in variants:
        veins["extra-1"] = "roof"
    return veins
