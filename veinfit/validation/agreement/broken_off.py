"""Series of attempts that ended without occlusion before the last: what they leave unknown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from veinfit.cohort.clustered import clustered_sums, share
from veinfit.cohort.statistics import FloatArray, wilson
from veinfit.validation.agreement.measures import (
    Forecasts,
    Measure,
    calibration,
    measured,
    patients_of,
)

MOST_BROKEN_OFF = 0.1
"""Where a greater share of series is broken off, calibration of the rest is not told."""


def series_measures(group: str, series: Forecasts) -> list[Measure]:
    """Return the calibration of series, and how far those broken off leave it open.

    Series that occlude early are always known, those that do not only if every attempt was made:
    what is known occludes more often than all would have.

    Parameters
    ----------
    group : str
    series : Forecasts

    Returns
    -------
    list of Measure
        Calibration is left out where more than ``MOST_BROKEN_OFF`` are broken off.
    """
    if not series.broken_off:
        return calibration(group, series)
    why = _left_out(series) if _biased(series) else _bounded(series)
    found = _bounds(group, series)
    if not _biased(series):
        found += calibration(group, series)
    return [replace(m, note="; ".join(filter(None, (why, m.note)))) for m in found]


def series_caution(series: Forecasts) -> Iterator[str]:
    """Yield what series that were broken off do to the observed rate; nothing without one."""
    if not series.broken_off:
        return
    left_out = f" {_left_out(series)}." if _biased(series) else ""
    yield (
        f"{_counted(series)} without occlusion: whether {series.of} would have occluded is not "
        f"known for them. {_bounded(series)}, from all of them failing to all of them occluding in "
        f"the attempts that were not made.{left_out} The rate of the other series alone is biased: "
        "all that occluded early are among them"
    )


def _total(series: Forecasts) -> int:
    return len(series.pairs) + len(series.broken_off)


def _biased(series: Forecasts) -> bool:
    return len(series.broken_off) > MOST_BROKEN_OFF * _total(series)


def _counted(series: Forecasts) -> str:
    number = len(series.broken_off)
    return f"{number} of {_total(series)} series of attempts {_were(number)} broken off"


def _were(number: int) -> str:
    return "was" if number == 1 else "were"


def _bounded(series: Forecasts) -> str:
    low = series.came.sum() / _total(series)
    high = low + len(series.broken_off) / _total(series)
    return f"The observed rate of {series.of} lies between {low:.2f} and {high:.2f}"


def _left_out(series: Forecasts) -> str:
    return (
        f"Calibration of {series.of} is left out: more than {MOST_BROKEN_OFF:.0%} of the series "
        "were broken off"
    )


def _bounds(group: str, series: Forecasts) -> list[Measure]:
    """Return the share that was broken off, and the least and greatest observed rate."""
    lost = len(series.broken_off)
    rows = [*series.pairs, *series.broken_off]
    parts: tuple[tuple[str, FloatArray], ...] = (
        ("share of series broken off", np.repeat([0.0, 1.0], [len(series.pairs), lost])),
        ("least observed rate, had all broken off failed", _came(series, 0.0)),
        ("greatest observed rate, had all broken off occluded", _came(series, 1.0)),
    )
    found = []
    for name, values in parts:
        plain = wilson(float(values.sum()), len(rows))
        sums = np.stack([values, np.ones(len(rows))], axis=1)
        spread = clustered_sums(sums, share, patients_of(rows))
        title = f"{series.of}: {name}"
        found.append(measured(title, group, rows, plain, spread, len(rows)))
    return found


def _came(series: Forecasts, broken_off: float) -> FloatArray:
    return np.append(series.came, np.full(len(series.broken_off), broken_off))
