"""Rows of the tables of seats: fits, leaks, clock, aims, growth, plans and what sums them up.

Numbers are rounded as they are written. All coordinates are LPS mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import Any

from veinfit.result.columns import names
from veinfit.result.values import Row, row_of, xyz_values
from veinfit.seating.compare import Comparison
from veinfit.seating.expected import Expected
from veinfit.seating.further import Crossings
from veinfit.seating.model import Fit

FIT_COLUMNS = names("fits")
"""``fits.csv`` has in addition a ``distance_NAME_mm`` for each structure."""

LEAK_COLUMNS = names("leaks")

CLOCK_COLUMNS = names("clock")

AIM_COLUMNS = names("aims")

GROWTH_COLUMNS = names("growth")
"""``growth.csv`` has in addition a ``distance_NAME_mm`` for each structure."""

EXPECTED_COLUMNS = names("expected")

CROSSING_COLUMNS = names("crossings")
"""``crossings.csv`` has in addition a ``misalignment_VEIN_deg`` for each vein."""

PLAN_COLUMNS = names("plans")

COMPARISON_COLUMNS = names("comparisons")

ATTEMPT_COLUMNS = names("attempts")


def distance_column(structure: str) -> str:
    """Return the column of ``fits.csv`` that holds the distance to a structure.

    Parameters
    ----------
    structure : str
        Its name in the label map.

    Returns
    -------
    str
    """
    return f"distance_{structure}_mm"


def fit_columns(structures: Sequence[str]) -> tuple[str, ...]:
    """Return the columns of ``fits.csv`` for a case with these structures."""
    return (*FIT_COLUMNS, *(distance_column(name) for name in structures))


def fit_row(fit: Fit, structures: Sequence[str]) -> Row:
    """Return one fit's row of ``fits.csv``.

    Parameters
    ----------
    fit : Fit
        Seated or not: what it lacks is empty.
    structures : sequence of str
        Those whose distance has a column.

    Returns
    -------
    Row
        Numbers rounded as they are written.
    """
    values = {
        **{f.name: getattr(fit, f.name) for f in fields(fit)},
        **xyz_values("centre_", fit.centre, "_mm"),
        **{distance_column(name): fit.distances_mm.get(name) for name in structures},
    }
    return row_of(fit_columns(structures), values)


def leak_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``leaks.csv``.

    Parameters
    ----------
    fit : Fit
        Seated or not: without leaks it has no row.

    Returns
    -------
    list of Row
        A row a leak.
    """
    return [row_of(LEAK_COLUMNS, asdict(leak)) for leak in fit.leaks]


def clock_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``clock.csv``.

    Parameters
    ----------
    fit : Fit
        Seated or not: without a seat it has no row.

    Returns
    -------
    list of Row
        A row a reading, four an hour of the clock.
    """
    return [row_of(CLOCK_COLUMNS, asdict(reading)) for reading in fit.clock]


def aim_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``aims.csv``.

    Parameters
    ----------
    fit : Fit
        With its aim map; without one it has no row.

    Returns
    -------
    list of Row
        A row a direction of the shaft.
    """
    return [row_of(AIM_COLUMNS, asdict(aim)) for aim in fit.aims]


def attempt_rows(fit: Fit) -> list[Row]:
    """Return one fit's rows of ``attempts.csv``."""
    return [row_of(ATTEMPT_COLUMNS, asdict(attempt)) for attempt in fit.attempts]


def growth_columns(structures: Sequence[str]) -> tuple[str, ...]:
    """Return the columns of ``growth.csv`` for a case with these structures."""
    return (*GROWTH_COLUMNS, *(distance_column(name) for name in structures))


def growth_rows(fit: Fit, structures: Sequence[str]) -> list[Row]:
    """Return one fit's rows of ``growth.csv``.

    Parameters
    ----------
    fit : Fit
        Of the size that grows.
    structures : sequence of str
        Those whose distance has a column.

    Returns
    -------
    list of Row
        A row a diameter; none where nothing grew.
    """
    if fit.growth is None:
        return []
    return [
        row_of(
            growth_columns(structures),
            {
                **{f.name: getattr(step, f.name) for f in fields(step)},
                **{distance_column(name): step.distances_mm.get(name) for name in structures},
            },
        )
        for step in fit.growth.steps
    ]


def expected_rows(expected: Sequence[Expected]) -> list[Row]:
    """Return the rows of ``expected.csv``.

    Parameters
    ----------
    expected : sequence of Expected
        Those of one case.

    Returns
    -------
    list of Row
        A row a choice of sizes and number of tries.
    """
    return [row_of(EXPECTED_COLUMNS, asdict(one)) for one in expected]


def comparison_rows(comparisons: Sequence[Comparison]) -> list[Row]:
    """Return the rows of ``comparisons.csv``.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Those of one case.

    Returns
    -------
    list of Row
        A row a pair of sizes.
    """
    return [row_of(COMPARISON_COLUMNS, _comparison_values(one)) for one in comparisons]


def _comparison_values(found: Comparison) -> dict[str, Any]:
    apart = found.difference
    return {
        **{name: getattr(found, name) for name in ("vein", "approach", "first", "second", "tie")},
        **dict(zip(COMPARISON_COLUMNS[4:8], found.split or (None,) * 4, strict=True)),
        "seal_difference": apart and apart.probability,
        "seal_difference_low": apart and apart.low,
        "seal_difference_high": apart and apart.high,
        "depth_difference_mm": found.depth_difference_mm,
        "antral_area_difference_mm2": found.antral_area_difference_mm2,
    }


def crossing_columns(veins: Sequence[str]) -> tuple[str, ...]:
    """Return the columns of ``crossings.csv`` for a case with these veins."""
    return (*CROSSING_COLUMNS, *(f"misalignment_{vein}_deg" for vein in veins))


def crossing_rows(crossings: Crossings | None, veins: Sequence[str]) -> list[Row]:
    """Return the rows of ``crossings.csv``: the case's own place first, size by size.

    Parameters
    ----------
    crossings : Crossings or None
        The map of one case.
    veins : sequence of str
        Names of the veins whose misalignment has a column.

    Returns
    -------
    list of Row
        A row a place and size; none without crossings.
    """
    if crossings is None:
        return []
    return [
        row_of(
            crossing_columns(veins),
            {
                **{name: getattr(place, name) for name in CROSSING_COLUMNS},
                **{f"misalignment_{v}_deg": place.misalignment_deg.get(v) for v in veins},
            },
        )
        for place in crossings.places
    ]


def plan_rows(fit: Fit) -> list[Row]:
    """Return the rows of ``plans.csv`` that hang on one fit.

    Plan 0 is every direction that the sheath reaches with all sizes together.

    Parameters
    ----------
    fit : Fit
        The one that carries its vein's plans.

    Returns
    -------
    list of Row
        A row a seat of a plan; none where no plan was looked for.
    """
    found = fit.plans
    if found is None:
        return []
    common = {"vein": found.vein, "approach": found.approach}
    all_of_them = {
        **common,
        "plan": 0,
        "covers_from_h": found.reach_from_h,
        "covers_to_h": found.reach_to_h,
        "open_gap_mm": found.reach_gap_mm,
        "open_side": found.reach_side,
    }
    rows = [row_of(PLAN_COLUMNS, {**dict.fromkeys(PLAN_COLUMNS), **all_of_them})]
    seat_names = PLAN_COLUMNS[4:10]
    for number, plan in enumerate(found.plans, start=1):
        for which, seat in enumerate(plan.seats, start=1):
            values = {
                **common,
                "plan": number,
                "seat": which,
                **{name: getattr(seat, name) for name in seat_names},
                "seal_probability": plan.seal_probability,
                "probability_without": seat.probability_without,
                "open_gap_mm": plan.open_gap_mm,
                "open_side": plan.open_side,
            }
            rows.append(row_of(PLAN_COLUMNS, values))
    return rows
