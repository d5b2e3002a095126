"""What was drawn beside what was published, in one table."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from veinfit.io.cells import csv_text
from veinfit.synthetic.draw.distributions import Distributions
from veinfit.vein_names import TRUNK_BRANCHES

COLUMNS = (
    "vein", "measure", "unit", "cases", "published_mean", "drawn_mean", "realised_mean",
    "published_sd", "drawn_sd", "realised_cases", "sampling_error", "deviation", "source",
)  # fmt: skip

UNITS = {"volume_ml": "mL", "ovality": "1", "share": "1"}
"""By measure, where the name does not end in it."""


@dataclass(frozen=True, slots=True)
class Row:
    """One measure of one vein, or the share of one variant, over a cohort.

    Attributes
    ----------
    cases : int
        How many were drawn.
    published_mean, published_sd : float or None
        None where the figure is a convention of the generator.
    drawn_mean, drawn_sd : float or None
        Of what the cases were to measure.
    realised_mean : float or None
        Of what their truth measures, over ``realised_cases``.
    sampling_error : float or None
        Of the drawn mean, from the published SD and the number of cases.
    """

    vein: str
    measure: str
    cases: int
    published_mean: float | None
    drawn_mean: float | None
    realised_mean: float | None
    published_sd: float | None
    drawn_sd: float | None
    realised_cases: int
    sampling_error: float | None
    source: str

    @property
    def deviation(self) -> float | None:
        """Drawn less published mean in sampling errors: within ±3 nearly always."""
        if self.published_mean is None or self.drawn_mean is None or not self.sampling_error:
            return None
        return (self.drawn_mean - self.published_mean) / self.sampling_error

    @property
    def unit(self) -> str:
        """Unit of the measure."""
        return UNITS.get(self.measure) or self.measure.rsplit("_", 1)[-1]

    def cells(self) -> tuple[str, ...]:
        """Return the row as text, in the order of :data:`COLUMNS`; what is not there is empty."""
        numbers = {
            "published_mean": self.published_mean, "drawn_mean": self.drawn_mean,
            "realised_mean": self.realised_mean, "published_sd": self.published_sd,
            "drawn_sd": self.drawn_sd, "sampling_error": self.sampling_error,
        }  # fmt: skip
        text = {
            "vein": self.vein, "measure": self.measure, "unit": self.unit,
            "cases": str(self.cases), "realised_cases": str(self.realised_cases),
            "source": self.source,
            "deviation": "" if self.deviation is None else f"{round(self.deviation, 2) + 0.0:.2f}",
            **{name: "" if x is None else f"{x:.4g}" for name, x in numbers.items()},
        }  # fmt: skip
        return tuple(text[column] for column in COLUMNS)


def compare(distributions: Distributions, cases: Sequence[Mapping[str, Any]]) -> tuple[Row, ...]:
    """Compare cases with the distributions they were drawn from.

    Parameters
    ----------
    distributions : Distributions
    cases : sequence of mappings
        Each with ``variants`` and ``targets`` as the truth file has them, and where the case
        was built its ``truth`` and ``chamber_volume_ml``.

    Returns
    -------
    tuple of Row
    """
    rows = []
    for (table, measure), distribution in distributions.of_measures.items():
        drawn = [
            float(vein[measure])
            for case in cases
            for vein in _wanted(case, table)
            if measure in vein
        ]
        realised = [x for case in cases for x in _realised(case, table, measure)]
        published = distribution.mean if distribution.source.published else None
        published_sd = distribution.sd if distribution.sd_source.published else None
        error = distribution.sd / math.sqrt(len(drawn)) if drawn and published is not None else None
        rows.append(
            Row(
                table,
                measure,
                len(drawn),
                published,
                _mean(drawn),
                _mean(realised),
                published_sd,
                _sd(drawn),
                len(realised),
                error,
                distribution.source.text,
            )
        )
    for name, entry in distributions.shares.items():
        has = [float(name in case["variants"]) for case in cases]
        published = entry.share if entry.source.published else None
        spread = math.sqrt(entry.share * (1.0 - entry.share))
        error = spread / math.sqrt(len(has)) if has and published is not None else None
        rows.append(
            Row(
                name,
                "share",
                len(has),
                published,
                _mean(has),
                None,
                None,
                None,
                0,
                error,
                entry.source.text,
            )
        )
    return tuple(rows)


def _wanted(case: Mapping[str, Any], table: str) -> Iterable[Mapping[str, Any]]:
    if table == "atrium":
        yield case["targets"]
        return
    for vein, measures in case["targets"]["veins"].items():
        if _table_of(vein) == table:
            yield measures


def _table_of(vein: str) -> str:
    if vein in TRUNK_BRANCHES:
        return "common"
    return "RMPV" if vein.startswith("RMPV") else "roof" if vein.startswith("extra") else vein


def _realised(case: Mapping[str, Any], table: str, measure: str) -> Iterable[float]:
    """Yield what the truth measures of veins that have targets, not of a trunk's branches."""
    if "truth" not in case:
        return
    if table == "atrium":
        yield float(case["chamber_volume_ml"])
        return
    for vein in case["truth"]["veins"]:
        if vein["name"] not in case["targets"]["veins"] or _table_of(vein["name"]) != table:
            continue
        ostium = vein["ostium"]
        if measure == "ostial_diameter_mm":
            yield 0.5 * (ostium["d_max_mm"] + ostium["d_min_mm"])
        elif measure == "ovality":
            yield ostium["d_max_mm"] / ostium["d_min_mm"]
        elif measure == "first_branch_mm":
            # A trunk that ends at the cut is only known to be at least so long.
            if not vein["trunk_cut"]:
                yield vein["trunk_length_mm"]
        else:
            yield vein[measure]


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None


def _sd(values: Sequence[float]) -> float | None:
    return float(np.std(values, ddof=1)) if len(values) > 1 else None


def comparison_csv(rows: Iterable[Row]) -> str:
    """Return the table as CSV.

    Parameters
    ----------
    rows : iterable of Row

    Returns
    -------
    str
    """
    return csv_text(COLUMNS, (row.cells() for row in rows))
