"""Loads a finished cohort for its summary: a row a vein, the sizes side by side."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from veinfit.cohort.batch.run import RUN_FILE
from veinfit.cohort.statistics import FloatArray
from veinfit.errors import InputError

TextArray = NDArray[np.str_]

FIT_NUMBERS = (
    "occluded", "sealed", "depth_mm", "nose_depth_mm", "antral_area_mm2", "contact_area_mm2",
    "leak_width_mm", "misalignment_deg", "occlusion_probability", "seal_probability",
)  # fmt: skip
"""Columns of the fits that are summed up."""
VEIN_NUMBERS = (
    "ovality", "d_area_mm", "takeoff_wall_deg", "takeoff_frontal_deg",
    "takeoff_transverse_deg", "ridge_mm",
)  # fmt: skip
"""Columns of the veins that may go with a leak."""
GIVEN = {"occluded": "occluded_given_patient", "sealed": "sealed_given_patient"}
NOT_CLOSED = ("passes through", "cannot reach")
"""Outcomes in which a balloon does not close the vein."""


@dataclass(frozen=True, slots=True, eq=False)
class Size:
    """One balloon before every vein; arrays have an entry a vein, NaN where there is none.

    Attributes
    ----------
    balloon : str
    diameter_mm : float
    outcome : (K,) array of str
        Empty where there is no fit.
    numbers : mapping of str to (K,) array
        ``FIT_NUMBERS``, and ``distance_NAME_mm`` of every structure.
    given : mapping of str to (K, P) array
        Probabilities of ``occluded`` and ``sealed`` for each draw of the
        patient's unknowns; empty where no margin was computed.
    """

    balloon: str
    diameter_mm: float
    outcome: TextArray
    numbers: Mapping[str, FloatArray]
    given: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class Leaks:
    """Every separate leak: arrays of one entry each."""

    vein: TextArray
    balloon: TextArray
    clock_h: FloatArray
    side: TextArray


@dataclass(frozen=True, slots=True, eq=False)
class Cohort:
    """A cohort for one approach.

    Attributes
    ----------
    cases, failed : int
        All cases, and those without a result.
    approach : str
    case, vein : (K,) array of str
    anatomy : mapping of str to (K,) array
        ``VEIN_NUMBERS``.
    sizes : tuple of Size
        By diameter.
    structures : tuple of str
    leaks : Leaks
    """

    cases: int
    failed: int
    approach: str
    case: TextArray
    vein: TextArray
    anatomy: Mapping[str, FloatArray]
    sizes: tuple[Size, ...]
    structures: tuple[str, ...]
    leaks: Leaks


def read_cohort(folder: Path, approach: str | None = None) -> Cohort:
    """Load what ``cohort run`` wrote.

    Parameters
    ----------
    folder : Path
    approach : str, optional
        The transseptal one where it is there, else the only one.

    Raises
    ------
    InputError
        The folder holds no finished cohort, or not this approach.
    """
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.dataset as ds

    _check_folder(folder)
    try:
        status = ds.dataset(folder / "cases", format="parquet").to_table(columns=["status"])
        fits = ds.dataset(folder / "fits", format="parquet").to_table()
        veins = ds.dataset(folder / "veins", format="parquet").to_table(
            columns=["case", "vein", *VEIN_NUMBERS]
        )
        leaks = ds.dataset(folder / "leaks", format="parquet").to_table(
            columns=["vein", "balloon", "approach", "clock_h", "side"]
        )
    except (OSError, pa.ArrowException, KeyError) as error:
        raise InputError(f"cohort {folder} cannot be read: {error}") from error
    there = sorted(set(fits["approach"].to_pylist()))
    if not there:
        raise InputError(f"cohort {folder} holds no fit: every case failed; see its table cases")
    chosen = approach or ("transseptal" if "transseptal" in there else there[0])
    if chosen not in there:
        raise InputError(f"cohort {folder} has no approach {chosen!r}; it has {', '.join(there)}")
    fits = fits.filter(pc.equal(fits["approach"], chosen)).combine_chunks()
    leaks = leaks.filter(pc.equal(leaks["approach"], chosen))
    keys, home = _keys(fits)
    structures = _structures(fits)
    return Cohort(
        cases=status.num_rows,
        failed=status["status"].to_pylist().count("failed"),
        approach=chosen,
        case=np.array([case for case, _ in keys], dtype=str),
        vein=np.array([vein for _, vein in keys], dtype=str),
        anatomy=_anatomy(veins, keys),
        sizes=_sizes(fits, home, len(keys), structures),
        structures=tuple(structures),
        leaks=Leaks(
            _text(leaks["vein"]), _text(leaks["balloon"]), _floats(leaks["clock_h"]),
            _text(leaks["side"]),
        ),
    )  # fmt: skip


def _check_folder(folder: Path) -> None:
    try:
        about = json.loads((folder / RUN_FILE).read_text(encoding="utf-8"))
        known = about["format"] == "veinfit cohort"
    except (OSError, ValueError, KeyError, TypeError):
        known = False
    if not known:
        raise InputError(f"cohort {folder} is no folder of cohort run; pass the one that it wrote")
    if (folder / "work").is_dir():
        raise InputError(f"cohort {folder} is not finished; run cohort run again to finish it")


def _keys(fits: Any) -> tuple[list[tuple[str, str]], NDArray[np.intp]]:
    """Return every case and vein, and which of them each fit belongs to."""
    pairs = list(zip(fits["case"].to_pylist(), fits["vein"].to_pylist(), strict=True))
    order = {pair: k for k, pair in enumerate(dict.fromkeys(pairs))}
    return list(order), np.array([order[pair] for pair in pairs], dtype=np.intp)


def _floats(column: Any) -> FloatArray:
    """Return a column as numbers, with NaN for empty; yes is 1."""
    import pyarrow as pa

    return np.asarray(column.cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=float)


def _text(column: Any) -> TextArray:
    return np.array([text or "" for text in column.to_pylist()], dtype=str)


def _anatomy(veins: Any, keys: list[tuple[str, str]]) -> dict[str, FloatArray]:
    row = {
        pair: k
        for k, pair in enumerate(
            zip(veins["case"].to_pylist(), veins["vein"].to_pylist(), strict=True)
        )
    }
    place = np.array([row.get(key, -1) for key in keys], dtype=np.intp)
    found = {}
    for name in VEIN_NUMBERS:
        values = np.append(_floats(veins[name]), math.nan)
        found[name] = values[place]
    return found


def _structures(fits: Any) -> dict[str, FloatArray]:
    """Return each structure's distances by fit, mm."""
    column = fits["distances_mm"].combine_chunks()
    found: dict[str, FloatArray] = {}
    pairs = column.to_pylist()
    for k, entries in enumerate(pairs):
        for name, value in entries or ():
            values = found.setdefault(name, np.full(len(pairs), math.nan))
            values[k] = math.nan if value is None else value
    return dict(sorted(found.items()))


def _sizes(
    fits: Any, home: NDArray[np.intp], number: int, structures: Mapping[str, FloatArray]
) -> tuple[Size, ...]:
    names = _text(fits["balloon"])
    diameters = _floats(fits["balloon_mm"])
    outcomes = _text(fits["outcome"])
    numbers = {name: _floats(fits[name]) for name in FIT_NUMBERS}
    open_for_sure = np.isin(outcomes, NOT_CLOSED)
    for name in ("occluded", "sealed"):
        numbers[name] = np.where(open_for_sure, 0.0, numbers[name])
    numbers |= {f"distance_{name}_mm": values for name, values in structures.items()}
    given = {name: _lists(fits[column]) for name, column in GIVEN.items()}
    sizes = []
    for balloon in dict.fromkeys(names):
        mine = np.flatnonzero(names == balloon)
        wide = {name: np.full(number, math.nan) for name in numbers}
        for name, values in numbers.items():
            wide[name][home[mine]] = values[mine]
        outcome = np.full(number, "", dtype=outcomes.dtype)
        outcome[home[mine]] = outcomes[mine]
        draws = {}
        for name, table in given.items():
            if table is not None:
                draws[name] = np.full((number, table.shape[1]), math.nan)
                draws[name][home[mine]] = table[mine]
        sizes.append(Size(str(balloon), float(diameters[mine[0]]), outcome, wide, draws))
    return tuple(sorted(sizes, key=lambda size: (size.diameter_mm, size.balloon)))


def _lists(column: Any) -> FloatArray | None:
    """Return a column of lists as a table, NaN where there is none; None where there are no."""
    lists = column.to_pylist()
    width = max((len(entry) for entry in lists if entry), default=0)
    if not width:
        return None
    table = np.full((len(lists), width), math.nan)
    for k, entry in enumerate(lists):
        if entry:
            table[k, : len(entry)] = [math.nan if v is None else v for v in entry]
    return table
