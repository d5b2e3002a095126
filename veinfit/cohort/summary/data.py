"""Loads a finished cohort for its summary: a row a vein, the sizes side by side."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from veinfit.cohort.batch.run_file import RUN_FILE
from veinfit.cohort.statistics import FloatArray, IntArray
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
QUALITY_NUMBERS = ("confidence", "name_confidence")
"""Columns of the veins that tell how far their measures can be relied on."""
GIVEN = {
    "occluded": "occluded_given_patient",
    "sealed": "antral_given_patient",
    "steered": "steered_antral_given_patient",
    "grown": "grown_antral_given_patient",
}
NOT_CLOSED = ("passes through", "cannot reach")
"""Outcomes in which a balloon neither occludes nor seals the vein."""


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
        Probabilities of ``occluded`` and ``sealed`` in one try, of ``steered``, sealed in
        several, and of ``grown``, sealed before or after growth in place, for each draw of the
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
    case : (K,) array of int
        A number for each case.
    vein : (K,) array of str
    anatomy : mapping of str to (K,) array
        ``VEIN_NUMBERS``.
    quality : mapping of str to (K,) array
        ``QUALITY_NUMBERS``.
    sizes : tuple of Size
        By diameter.
    structures : tuple of str
    leaks : Leaks
    left_out : int
        Veins that were left out because their name is doubtful.
    warned : mapping of str to str
        Cases with a vein that counts and a warning that puts the whole case in doubt, and
        the warning.
    """

    cases: int
    failed: int
    approach: str
    case: IntArray
    vein: TextArray
    anatomy: Mapping[str, FloatArray]
    quality: Mapping[str, FloatArray]
    sizes: tuple[Size, ...]
    structures: tuple[str, ...]
    leaks: Leaks
    left_out: int = 0
    warned: Mapping[str, str] = field(default_factory=dict)


def read_cohort(
    folder: Path, approach: str | None = None, least_name_confidence: float = 0.0
) -> Cohort:
    """Load what ``cohort run`` wrote.

    Parameters
    ----------
    folder : Path
    approach : str, optional
        The transseptal one where it is there, else the only one.
    least_name_confidence : float
        Veins whose name is less probable than this are left out.

    Returns
    -------
    Cohort

    Raises
    ------
    InputError
        The folder holds no finished cohort, not this approach, or no vein with so sure a name.
    """
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.dataset as ds

    _check_folder(folder)
    try:
        cases = ds.dataset(folder / "cases", format="parquet")
        told = [name for name in ("case", "status", "warnings") if name in cases.schema.names]
        status = cases.to_table(columns=told)
        fits = ds.dataset(folder / "fits", format="parquet").to_table()
        veins = ds.dataset(folder / "veins", format="parquet").to_table(
            columns=["case", "vein", *VEIN_NUMBERS, *QUALITY_NUMBERS]
        )
        leaks = ds.dataset(folder / "leaks", format="parquet").to_table(
            columns=["case", "vein", "balloon", "approach", "clock_h", "side"]
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
    doubtful = veins.filter(pc.less(veins["name_confidence"], least_name_confidence))
    every = len(set(_joined(fits).to_pylist()))
    fits, leaks = (_without(table, doubtful) for table in (fits, leaks))
    if not fits.num_rows:
        raise InputError(
            f"cohort {folder} has no vein whose name is as probable as {least_name_confidence:g}; "
            "pass a lower --least-name-confidence"
        )
    case, vein, home = _keys(fits)
    structures = _structures(fits["distances_mm"].combine_chunks())
    return Cohort(
        cases=status.num_rows,
        failed=status["status"].to_pylist().count("failed"),
        approach=chosen,
        case=case,
        vein=vein,
        anatomy=_anatomy(fits, veins, home, len(case), VEIN_NUMBERS),
        quality=_anatomy(fits, veins, home, len(case), QUALITY_NUMBERS),
        sizes=_sizes(fits, home, len(case), structures),
        structures=tuple(structures),
        leaks=Leaks(
            _text(leaks["vein"]), _text(leaks["balloon"]), _floats(leaks["clock_h"]),
            _text(leaks["side"]),
        ),
        left_out=every - len(case),
        warned=_warned(status, set(fits["case"].to_pylist())),
    )  # fmt: skip


def _warned(cases: Any, counted: set[str]) -> dict[str, str]:
    """Return the warnings of cases that count; cohorts of earlier versions tell none apart."""
    if "warnings" not in cases.column_names:
        return {}
    told = zip(cases["case"].to_pylist(), cases["warnings"].to_pylist(), strict=True)
    return {case: text for case, text in told if text and case in counted}


def _joined(table: Any) -> Any:
    """Return case and vein of every row as one word."""
    import pyarrow.compute as pc

    return pc.binary_join_element_wise(table["case"], table["vein"], "\0")


def _without(table: Any, doubtful: Any) -> Any:
    """Return a table without the rows of some veins."""
    import pyarrow.compute as pc

    left_out = pc.is_in(_joined(table), value_set=_joined(doubtful).combine_chunks())
    return table.filter(pc.invert(left_out)).combine_chunks()


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


def _coded(column: Any) -> tuple[IntArray, TextArray]:
    """Return a column of words as numbers, and the words."""
    coded = column.combine_chunks().dictionary_encode()
    return coded.indices.to_numpy().astype(np.intp), np.array(coded.dictionary.to_pylist(), str)


def _keys(fits: Any) -> tuple[IntArray, TextArray, IntArray]:
    """Return case and vein of every vein, and which of them each fit belongs to."""
    case, _ = _coded(fits["case"])
    vein, names = _coded(fits["vein"])
    keys, home = np.unique(case * len(names) + vein, return_inverse=True)
    return keys // len(names), names[keys % len(names)], home


def _floats(column: Any) -> FloatArray:
    """Return a column as numbers, with NaN for empty; yes is 1."""
    import pyarrow as pa

    return np.asarray(column.cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=float)


def _text(column: Any) -> TextArray:
    import pyarrow.compute as pc

    codes, words = _coded(pc.fill_null(column, ""))
    return words[codes] if len(words) else np.array([], dtype=str)


def _anatomy(
    fits: Any, veins: Any, home: IntArray, number: int, names: tuple[str, ...]
) -> dict[str, FloatArray]:
    """Return the measures of the vein that each entry is about."""
    import pyarrow.compute as pc

    row = pc.index_in(_joined(fits), value_set=_joined(veins).combine_chunks())
    place = np.full(number, veins.num_rows, dtype=np.intp)
    place[home] = pc.fill_null(row, veins.num_rows).to_numpy()
    return {name: np.append(_floats(veins[name]), math.nan)[place] for name in names}


def _structures(column: Any) -> dict[str, FloatArray]:
    """Return each structure's distances by fit, mm."""
    import pyarrow as pa

    keys, names = _coded(pa.chunked_array([column.keys], pa.string()))
    values = _floats(column.items)
    fit = _parents(column)
    found = {}
    for code, name in enumerate(names):
        found[str(name)] = np.full(len(column), math.nan)
        found[str(name)][fit[keys == code]] = values[keys == code]
    return dict(sorted(found.items()))


def _parents(lists: Any) -> IntArray:
    """Return which entry of a column of lists each of the flattened values is from."""
    return np.repeat(np.arange(len(lists)), np.diff(lists.offsets.to_numpy()))


def _sizes(
    fits: Any, home: IntArray, number: int, structures: Mapping[str, FloatArray]
) -> tuple[Size, ...]:
    names = _text(fits["balloon"])
    diameters = _floats(fits["balloon_mm"])
    outcomes = _text(fits["outcome"])
    numbers = {name: _floats(fits[name]) for name in FIT_NUMBERS}
    open_for_sure = np.isin(outcomes, NOT_CLOSED)
    for name in ("occluded", "sealed"):
        numbers[name] = np.where(open_for_sure, 0.0, numbers[name])
    numbers |= {f"distance_{name}_mm": values for name, values in structures.items()}
    # Cohorts of earlier versions lack some of them.
    given = {
        name: _lists(fits[column]) for name, column in GIVEN.items() if column in fits.column_names
    }
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
            if table is not None and np.isfinite(table[mine]).any():
                draws[name] = np.full((number, table.shape[1]), math.nan)
                draws[name][home[mine]] = table[mine]
        sizes.append(Size(str(balloon), float(diameters[mine[0]]), outcome, wide, draws))
    return tuple(sorted(sizes, key=lambda size: (size.diameter_mm, size.balloon)))


def _lists(column: Any) -> FloatArray | None:
    """Return a column of lists as a table, NaN where there is none; None where all are empty."""
    lists = column.combine_chunks()
    parents = _parents(lists)
    if not len(parents):
        return None
    place = np.arange(len(parents)) - np.searchsorted(parents, parents)
    table = np.full((len(lists), int(place.max()) + 1), math.nan)
    table[parents, place] = _floats(lists.flatten())
    return table
