"""Finds the cases of a cohort: in a folder, behind a pattern, or in a CSV list."""

from __future__ import annotations

import csv
import difflib
import glob
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast, get_args

from veinfit.errors import InputError
from veinfit.frames import FRAMES, Frame
from veinfit.io.files import (
    DICOM_SUFFIXES,
    MESH_SUFFIXES,
    VOLUME_SUFFIXES,
    input_kind,
    known_suffix,
    read_bytes,
)
from veinfit.io.inputs.meshes import Unit
from veinfit.io.separated import decoded, separator_of

COLUMNS = (
    "case", "input", "labels", "landmarks", "corrections", "frame", "unit", "phase", "also",
)  # fmt: skip
"""Columns of a list of cases; the first two are needed."""
NEEDED = COLUMNS[:2]
KNOWN_SUFFIXES = MESH_SUFFIXES + VOLUME_SUFFIXES
BETWEEN_FILES = ";"
"""Parts the files of one cell of a list."""

LARGEST_LIST_BYTES = 1 << 27
"""A million cases, with a hundred signs for each."""

LISTED_FAULTS = 8
"""A message lists at most this many faults."""


@dataclass(frozen=True, slots=True)
class BatchCase:
    """One case of a cohort and the files that it comes from.

    Attributes
    ----------
    case : str
        Its name in every table of the cohort.
    input : str
        Path of the mesh or label volume.
    labels, landmarks, corrections : str or None
        Paths of the label map, of the landmarks and of corrections by hand.
    frame, unit : str
        Of a mesh.
    phase : str or None
        Cardiac phase of the image, as stated.
    trust_frame : bool
        Go on where the anatomy contradicts the frame.
    also : tuple of str
        Paths of further label volumes.
    """

    case: str
    input: str
    labels: str | None = None
    landmarks: str | None = None
    corrections: str | None = None
    frame: Frame = "lps"
    unit: Unit = "mm"
    phase: str | None = None
    trust_frame: bool = False
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FoundCases:
    """The cases of a cohort, sorted by name, and what was left aside on the way to them."""

    cases: tuple[BatchCase, ...]
    remarks: tuple[str, ...] = ()


def find_cases(
    inputs: Sequence[str | Path],
    *,
    labels: Path | str | None = None,
    frame: Frame = "lps",
    unit: Unit = "mm",
    trust_frame: bool = False,
) -> FoundCases:
    """Find the cases that ``inputs`` name.

    Parameters
    ----------
    inputs : sequence of path
        Folders (every mesh and volume in them), files, patterns with ``*``, ``?``
        or ``[...]``, and CSV lists with the columns ``case,input`` and, as
        wanted, ``labels,landmarks,corrections,frame,unit,phase,also``; paths in a list
        are relative to it, and several in ``also`` are parted by ``;``.
    labels : path, optional
        Label map of the volumes that have none of their own.
    frame, unit : str
        Of the meshes for which a list says nothing.
    trust_frame : bool
        Of all cases.

    Returns
    -------
    FoundCases
        A file's case is named by its name without the extension. A label map
        ``NAME.labels.toml``, landmarks ``NAME.landmarks.csv`` and corrections
        ``NAME.corrections.toml`` beside it go with it.

    Raises
    ------
    InputError
        Nothing was found, two cases share a name, or a list is wrong; the
        message names every row.
    """
    found: list[BatchCase] = []
    remarks: list[str] = []
    common = None if labels is None else str(labels)
    for item in inputs:
        if not str(item).strip():
            raise InputError("input '': the name is empty; give a folder, a file or a pattern")
        path = Path(item)
        if path.suffix.lower() == ".csv":
            cases, more = _listed(path, common, frame, unit)
            found += cases
            remarks += more
            continue
        if path.is_dir():
            files = [p for p in path.iterdir() if p.is_file() and _is_input(p)]
            if not files:
                raise InputError(
                    f"folder {path} holds no case; veinfit reads {', '.join(KNOWN_SUFFIXES)}"
                )
        elif path.exists() or not glob.has_magic(str(item)):
            if not os.path.lexists(path):
                raise InputError(f"input {path} does not exist; check the path")
            input_kind(path)
            files = [path]
        else:
            files = [p for p in map(Path, glob.glob(str(item))) if _is_input(p)]  # noqa: PTH207
            if not files:
                raise InputError(f"no case matches the pattern {str(item)!r}; check it")
        found += [_from_file(p, common, frame, unit) for p in files]
    _check_names(found, ", ".join(map(str, inputs)))
    by_hand = sum(case.corrections is not None for case in found)
    if by_hand:
        remarks.append(f"corrections by hand are used in {by_hand} cases")
    found = [replace(case, trust_frame=trust_frame) for case in found]
    return FoundCases(tuple(sorted(found, key=lambda c: c.case)), tuple(remarks))


def _is_input(path: Path) -> bool:
    return path.name.lower().endswith(KNOWN_SUFFIXES) and not path.name.startswith(".")


def _from_file(path: Path, labels: str | None, frame: Frame, unit: Unit) -> BatchCase:
    stem = path.name[: -len(known_suffix(path, KNOWN_SUFFIXES + DICOM_SUFFIXES, "input"))]
    marks = _beside(path, f"{stem}.landmarks.csv")
    by_hand = _beside(path, f"{stem}.corrections.toml")
    if input_kind(path) == "mesh":
        return BatchCase(stem, str(path), None, marks, by_hand, frame, unit)
    own = _beside(path, f"{stem}.labels.toml")
    return BatchCase(stem, str(path), own or labels, marks, by_hand)


def _beside(path: Path, name: str) -> str | None:
    file = path.with_name(name)
    return str(file) if file.is_file() else None


def _check_names(cases: Iterable[BatchCase], source: str) -> None:
    counts = Counter(c.case for c in cases)
    if not counts:
        raise InputError("no case was named; pass a folder, a pattern or a list of cases")
    twice = sorted(name for name, n in counts.items() if n > 1)
    if twice:
        raise InputError(
            f"{source}: the cases {_some(twice)} appear twice; give every case its own name, in a "
            "CSV list where file names are alike"
        )


def _some(names: Sequence[str]) -> str:
    rest = len(names) - LISTED_FAULTS
    return ", ".join(names[:LISTED_FAULTS]) + (f" and {rest} more" if rest > 0 else "")


def _listed(
    path: Path, labels: str | None, frame: Frame, unit: Unit
) -> tuple[list[BatchCase], list[str]]:
    """Read a CSV list of cases; return them and what was left aside."""
    source = f"list of cases {path}"
    lines = decoded(read_bytes(path, "list of cases", LARGEST_LIST_BYTES), source).splitlines()
    separator = separator_of(next((line for line in lines if line.strip()), ""))
    reader = csv.DictReader(
        lines, delimiter=separator, skipinitialspace=True, restkey="", restval=""
    )
    try:
        names = [name.strip().lower() for name in reader.fieldnames or ()]
    except csv.Error as error:
        raise InputError(f"{source}: line 1: {error}; correct it") from error
    reader.fieldnames = names
    aside = _check_header(names, source)
    cases: list[BatchCase] = []
    faults: list[str] = []
    for row in _rows(reader, source):
        values = {name: (row.get(name) or "").strip() for name in COLUMNS}
        if not any(values.values()):
            continue
        try:
            if row.get(""):
                raise ValueError("has more values than columns; quote a value with a comma in it")
            cases.append(_listed_case(values, path.parent, labels, frame, unit))
        except ValueError as error:
            faults.append(f"line {reader.line_num}: {error}")
    if faults:
        rest = len(faults) - LISTED_FAULTS
        more = f"; and {rest} more" if rest > 0 else ""
        raise InputError(f"{source}: {'; '.join(faults[:LISTED_FAULTS])}{more}")
    if not cases:
        raise InputError(
            f"{source} holds no case; give one row for each case below {','.join(COLUMNS)}"
        )
    remark = f"{source}: columns not used: {', '.join(aside)}"
    return cases, [remark] if aside else []


def _rows(reader: csv.DictReader[str], source: str) -> Iterator[dict[str, str]]:
    """Yield the rows of a table; raise InputError at one that is none."""
    try:
        yield from reader
    except csv.Error as error:
        raise InputError(f"{source}: line {reader.line_num + 1}: {error}; correct it") from error


def _check_header(names: Sequence[str], source: str) -> list[str]:
    """Return the columns that say nothing to this program."""
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise InputError(
            f"{source}: the header lacks {', '.join(missing)}; begin with {','.join(COLUMNS)}"
        )
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        raise InputError(
            f"{source}: {', '.join(twice)} appears twice in the header; leave one of them"
        )
    aside = [name for name in names if name and name not in COLUMNS]
    for name in aside:
        near = difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.75)
        if near and near[0] not in names:
            raise InputError(f"{source}: unknown column {name!r}; did you mean {near[0]!r}?")
    return aside


def _listed_case(
    values: dict[str, str], folder: Path, labels: str | None, frame: Frame, unit: Unit
) -> BatchCase:
    case, given = values["case"], values["input"]
    if not case or not given:
        raise ValueError(
            "case is empty; name it" if not case else "input is empty; give the case's file"
        )
    if not case.isprintable():
        raise ValueError("the name of the case must hold signs that can be printed")
    for name, known in (("frame", FRAMES), ("unit", get_args(Unit))):
        if values[name] and values[name].lower() not in known:
            raise ValueError(f"{name} {values[name]!r} is not known; give {' or '.join(known)}")
    path = folder / given
    try:
        mesh = input_kind(path) == "mesh"
    except InputError as error:
        raise ValueError(str(error)) from error
    for name in ("frame", "unit"):
        if values[name] and not mesh:
            raise ValueError(f"{name} is for meshes; a volume tells its own")
    also = [name.strip() for name in values["also"].split(BETWEEN_FILES) if name.strip()]
    if also and mesh:
        raise ValueError("also is for label volumes, but the input is a mesh")
    files = {
        name: str(folder / values[name]) if values[name] else None
        for name in ("labels", "landmarks", "corrections")
    }
    return BatchCase(
        case,
        str(path),
        files["labels"] or (None if mesh else labels),
        files["landmarks"],
        files["corrections"],
        cast(Frame, values["frame"].lower() or frame) if mesh else "lps",
        cast(Unit, values["unit"].lower() or unit) if mesh else "mm",
        values["phase"] or None,
        also=tuple(str(folder / name) for name in also),
    )
