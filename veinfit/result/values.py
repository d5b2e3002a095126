"""Values as results tell them: decimals by name, plain numbers, rows."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from veinfit.vectors import FloatArray

Value = str | float | int | bool | None

Row = dict[str, Value]

UNIT_VECTOR_DECIMALS = 6
"""Decimals of a unit vector's components: 1e-6 is 0.00006 degrees."""

DECIMALS_BY_SUFFIX = (("_mm2", 2), ("_mm", 3), ("_deg", 2), ("_h", 2), ("_ml", 2))
"""Decimals by the unit at the end of a name; below what any input can carry."""

OTHER_DECIMALS = 4
"""Decimals of ratios, probabilities and confidences."""


@lru_cache(maxsize=1024)
def decimals(name: str) -> int:
    """Return how many decimals a number of this column name is written with.

    Parameters
    ----------
    name : str
        Such as ``depth_mm``: its end tells the unit.

    Returns
    -------
    int
    """
    if re.fullmatch(r"(normal|axis|tangent|direction)_[xyz]", name):
        return UNIT_VECTOR_DECIMALS
    return next((n for suffix, n in DECIMALS_BY_SUFFIX if name.endswith(suffix)), OTHER_DECIMALS)


def plain_value(name: str, value: Any) -> Value:
    """Return a value as written: numbers rounded by their column, what is not finite as None.

    Parameters
    ----------
    name : str
        Of the column.
    value : object
        A text, a number or None, of Python or numpy.

    Returns
    -------
    str, bool, int, float or None
    """
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    number = float(value)
    return _rounded(number, decimals(name)) if math.isfinite(number) else None


def _rounded(number: float, digits: int) -> float:
    """Round so that who rounds once more, to what a report shows, gets the report's figure.

    0.85501 with four decimals is 0.8551: 0.8550 lies between 0.85 and 0.86, and reads as either.
    """
    told = round(number, digits)
    # Reports show one or two decimals fewer, and whoever reads a file may show less.
    for fewer in range(digits):
        if round(told, fewer) != round(number, fewer):
            told = round(told + math.copysign(10.0**-digits, number - told), digits)
            break
    return told + 0.0


def xyz_values(prefix: str, vector: FloatArray | None, suffix: str = "") -> dict[str, Any]:
    """Return a vector's components by column name; None is empty in each."""
    parts = (None, None, None) if vector is None else vector
    return {f"{prefix}{c}{suffix}": part for c, part in zip("xyz", parts, strict=True)}


def row_of(columns: Sequence[str], values: Mapping[str, Any]) -> Row:
    """Return the plain values of the columns, in their order."""
    return {name: plain_value(name, values[name]) for name in columns}


def point_list(points: FloatArray, name: str = "_mm") -> list[list[Value]]:
    """Return points (N, 3) as plain rows, rounded as ``name`` says.

    Parameters
    ----------
    points : (N, 3) array
        Or one point (3,).
    name : str
        Of a column whose decimals they get.

    Returns
    -------
    list of N lists of 3 float
    """
    return [[plain_value(name, c) for c in point] for point in np.atleast_2d(points)]
