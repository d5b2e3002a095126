"""Reads predictions back: of a cohort, of single cases, from Parquet or CSV."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from veinfit.cohort.batch.run_file import RUN_FILE
from veinfit.errors import InputError
from veinfit.io.files import check_file
from veinfit.io.results.document import read_document

USED = (
    "case", "vein", "balloon", "balloon_mm", "approach", "outcome", "reason", "occluded",
    "depth_mm", "leak_width_mm", "occlusion_grade", "freeze_shift_mm",
    "occlusion_probability", "seal_probability", "steered_occlusion_probability",
)  # fmt: skip
"""Columns that are used; of those behind ``reason`` any may be missing."""
STEERED_ATTEMPTS = 3
"""Tries a balloon is given where practice and observers tell of steered ones."""

TEXT = {"case", "vein", "balloon", "approach", "outcome", "reason"}


FITS = "fits"
"""The folder of a cohort's fits beside what it wrote down of itself."""

ATTEMPTS = "steered_attempts"
"""Key of a row that knows its own setting."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """One fit, as far as it can be held against what was observed.

    Attributes
    ----------
    occluded : bool or None
        None where it was not assessed; a balloon that passes through or cannot
        reach the vein does not occlude it.
    probability : float or None
        That one try occludes the vein.
    probability_of : str
        ``occlusion``; ``seal`` where there is only that of a seal.
    steered_probability : float or None
        That one of the tries of a chain, steered after the first, occludes the vein.
    steered_attempts : int or None
        Tries in a chain at most, the setting behind that; None where none is told.
    """

    case: str
    vein: str
    balloon: str
    balloon_mm: float
    approach: str
    outcome: str
    reason: str
    occluded: bool | None
    depth_mm: float | None
    leak_width_mm: float | None
    occlusion_grade: int | None
    freeze_shift_mm: float | None
    probability: float | None
    probability_of: str
    steered_probability: float | None = None
    steered_attempts: int | None = None


def read_predictions(path: Path) -> list[Prediction]:
    """Read the fits of a cohort or of single cases.

    Parameters
    ----------
    path : Path
        A folder that ``cohort run`` wrote; a table of fits with a column
        ``case`` (``.csv`` or ``.parquet``); the folder of one assessed case, or
        a folder of such.

    Returns
    -------
    list of Prediction

    Raises
    ------
    InputError
        There are no fits to be read.
    """
    rows = []
    of_run = _attempts_of_run(path)
    for number, row in enumerate(_rows(path), start=1):
        try:
            tries = row.get(ATTEMPTS, of_run)
            rows.append(replace(_prediction(row), steered_attempts=tries))
        except ValueError as error:
            raise InputError(
                f"predictions {path}: fit {number}: {error}; pass what this program wrote"
            ) from error
    if not rows:
        raise InputError(f"predictions {path} hold no fit; run the cases first")
    return rows


def _attempts_of_run(path: Path) -> int | None:
    """Return the tries of a chain that the run of a cohort wrote down; None where it did not.

    ``path`` is the run's folder, or a table in it or in its folder of fits.
    """
    folder = path if path.is_dir() else path.absolute().parent
    file = (folder.parent if folder.name == FITS else folder) / RUN_FILE
    if not file.is_file():
        return None
    try:
        return _attempts_in(json.loads(file.read_text(encoding="utf-8")))
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            f"predictions {path}: {file} cannot be read, so the settings of the run are not known; "
            "run the cases again"
        ) from error


def _attempts_in(content: Any) -> int | None:
    """Return the setting of a chain's tries from nested settings; None where there is none."""
    for name in ("settings", "margin", "steered_attempts"):
        content = content.get(name) if isinstance(content, Mapping) else None
    value = content.get("value") if isinstance(content, Mapping) else content
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _rows(path: Path) -> Iterator[Mapping[str, Any]]:
    if path.is_dir():
        if (path / FITS).is_dir():
            return _parquet(path / FITS)
        cases = [path, *sorted(p for p in path.iterdir() if p.is_dir())]
        single = [p for p in cases if (p / "case.json").is_file()]
        if single:
            return (row for folder in single for row in _single(folder))
        raise InputError(
            f"predictions {path} is neither a folder of cohort run nor one with assessed cases; "
            "pass one of them, or a table of fits"
        )
    check_file(path, "predictions")
    if path.suffix.lower() == ".parquet":
        return _parquet(path)
    if path.suffix.lower() == ".csv":
        return _csv(path)
    raise InputError(f"predictions {path}: pass a folder, a .parquet or a .csv file")


def _parquet(path: Path) -> Iterator[Mapping[str, Any]]:
    import pyarrow as pa
    import pyarrow.dataset as ds

    try:
        data = ds.dataset(path, format="parquet")
        _check_columns(data.schema.names, path)
        columns = [name for name in USED if name in data.schema.names]
        for batch in data.to_batches(columns=columns):
            yield from batch.to_pylist()
    except (OSError, pa.ArrowException) as error:
        raise InputError(
            f"predictions {path} cannot be read as Parquet: {error}; write them again"
        ) from error


def _single(folder: Path) -> Iterator[Mapping[str, Any]]:
    """Yield the fits of one assessed case, called by its id or else by its folder."""
    about = read_document(folder)
    try:
        name = about["case"]["id"] or folder.name
        for fit in about["fits"]:
            margin = fit.get("margin") or {}
            told = {
                f"{words}occlusion_probability": (margin.get(part) or {}).get("probability")
                for words, part in (("", "occluded"), ("steered_", "steered_occluded"))
            }
            yield {**fit, "case": name, **told, ATTEMPTS: _attempts_in(about.get("run"))}
    except KeyError as error:  # A record of an earlier version may lack what this one has.
        raise InputError(
            f"predictions {folder / 'case.json'} lack {error}; assess the case again"
        ) from error


def _csv(path: Path) -> Iterator[Mapping[str, Any]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream)
            _check_columns(reader.fieldnames or (), path)
            yield from reader
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"predictions {path} cannot be read: {error}; write it again") from error


def _check_columns(names: Iterable[str], path: Path) -> None:
    missing = [name for name in USED[: USED.index("depth_mm")] if name not in set(names)]
    if missing:
        raise InputError(
            f"predictions {path} lack the columns {', '.join(missing)}; pass a table of fits"
        )


def _prediction(row: Mapping[str, Any]) -> Prediction:
    values = {name: _value(name, row.get(name)) for name in USED}
    occlusion, seal = values.pop("occlusion_probability"), values.pop("seal_probability")
    steered = values.pop("steered_occlusion_probability")
    if values["outcome"] in ("passes through", "cannot reach"):
        values["occluded"] = False
        # Where it comes to rest before the vein is no depth of a seat.
        values["depth_mm"] = None
    grade = values["occlusion_grade"]
    return Prediction(
        **{
            **values,
            "occlusion_grade": None if grade is None else int(grade),
            "reason": values["reason"] or "",
        },
        probability=seal if occlusion is None else occlusion,
        probability_of="seal" if occlusion is None else "occlusion",
        steered_probability=steered,
    )


def _value(name: str, value: Any) -> Any:
    """Return a value as text, yes or no, or number, or raise ValueError."""
    if name in TEXT:
        if not isinstance(value, str) and not (value is None and name == "reason"):
            raise ValueError(f"{name} is missing or is no text")
        return value
    if value is None or value == "":
        return None
    if name == "occluded":
        if value not in (True, False, "true", "false"):
            raise ValueError(f"occluded = {value!r} is neither true nor false")
        return value in (True, "true")
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number) or isinstance(value, bool):
        raise ValueError(f"{name} = {value!r} is not a number")
    return number
