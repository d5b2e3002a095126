"""Landmarks that are set by clicking, beside those of a file that was given."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from veinfit.desk.store.cases import INPUTS, OWN_LANDMARKS, CaseFolder
from veinfit.desk.store.options import CaseOptions, with_own
from veinfit.errors import InputError
from veinfit.frames import Frame, to_lps
from veinfit.io.inputs.landmarks import Landmarks, read_landmarks
from veinfit.io.results.output import write_file
from veinfit.labels.model import is_structure_name
from veinfit.vectors import FloatArray

OWN = f"{INPUTS}/{OWN_LANDMARKS}"
"""Where the desk writes them: the file that was given stays as it is."""

TABLES = (".csv", ".tsv", ".txt")
"""Suffixes of files that can hold landmarks."""

Points = Sequence[Sequence[float]]


def marks_of(case: CaseFolder, options: CaseOptions) -> dict[str, list[list[float]]]:
    """Return the landmarks of a case as plain values, LPS mm; none where they cannot be read."""
    if not options.landmarks:
        return {}
    try:
        read = read_landmarks(case.path / options.landmarks)
    except InputError:
        return {}
    return {name: _plain(points) for name, points in read.items()}


def set_landmarks(
    case: CaseFolder, marks: Mapping[str, Points], who: str, seen: Collection[str] = ()
) -> None:
    """Write the landmarks of a case.

    Parameters
    ----------
    case : CaseFolder
    marks : mapping of str to points
        LPS mm.
    who : str
        For the journal.
    seen : collection of str
        Names that whoever sets them knew of. The landmarks that the case has under other names
        are kept: they came from a file, or from another window, meanwhile.

    Raises
    ------
    InputError
        A name or a point cannot be used, the case's landmarks cannot be read, or it is signed.
    """
    for name in marks:
        if not is_structure_name(name):
            raise InputError(f"the name {name!r} may hold letters, digits, blanks and _ . - only")
    with case.held_open():
        there = _present(case)
        kept = {n: p for n, p in there.items() if n not in marks and n not in seen}
        if not marks and not kept:
            _take_all_away(case, who)
            return
        frame = there.frame
        rows = [f"# frame: {frame}", "name,x_mm,y_mm,z_mm"]
        for name in dict.fromkeys([*there, *marks]):
            if name in kept or (name in marks and _same(marks[name], there.get(name))):
                rows += _rows(name, there[name], frame, 6)
            elif name in marks:
                rows += _rows(name, marks[name], frame, 2)
        write_file(case.path / OWN, ("\n".join(rows) + "\n").encode())
        case.change(lambda now: with_own(case.path, now, OWN, landmarks=OWN), who)
        counts = {name: len(points) for name, points in {**kept, **marks}.items()}
        case.note("landmarks set", who, points=counts)


def _present(case: CaseFolder) -> Landmarks:
    """Return the landmarks that a case has; of files that are not taken over yet, the first.

    Raises
    ------
    InputError
        They cannot be read: what is set would take the place of what nobody has seen.
    """
    options = case.options
    fault = ""
    for path in [options.landmarks] if options.landmarks else _tables(options):
        try:
            return read_landmarks(case.path / path)
        except InputError as error:
            told = str(error).replace(str(case.path / path), Path(path).name)
            fault = fault or f"{told}; correct the file or remove it, then set landmarks again"
    if fault:
        raise InputError(fault)
    return Landmarks({}, "lps")


def _tables(options: CaseOptions) -> list[str]:
    """Return the files of a case that can hold landmarks."""
    return [one.path for one in options.files if one.path.lower().endswith(TABLES)]


def _take_all_away(case: CaseFolder, who: str) -> None:
    given = [path for path in _tables(case.options) if path != OWN]
    if given:
        # It would be taken over again when the page is opened next.
        raise InputError(
            f"{Path(given[0]).name} holds landmarks: to do without them, remove that file first"
        )

    def without(options: CaseOptions) -> CaseOptions:
        left = tuple(one for one in options.files if one.path != OWN)
        return replace(options, landmarks="", files=left)

    case.change(without, who, "landmarks taken away")
    (case.path / OWN).unlink(missing_ok=True)


def _same(points: Points, there: FloatArray | None) -> bool:
    """Tell whether points are those of the file, which a page knows rounded."""
    return there is not None and [list(map(float, point)) for point in points] == _plain(there)


def _rows(name: str, points: Points | FloatArray, frame: Frame, digits: int) -> Iterator[str]:
    for point in to_lps(points, frame):  # The map is its own inverse.
        yield ",".join([name, *(f"{c + 0.0:.{digits}f}" for c in point)])


def _plain(points: FloatArray) -> list[list[float]]:
    rows: list[list[float]] = points.round(2).tolist()
    return rows
