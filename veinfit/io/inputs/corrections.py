"""Reads a corrections file: what somebody corrected by hand, into LPS mm.

It is TOML, for example::

    frame = "lps"
    who = "a reader's name"

    [[correction]]
    vein = "LSPV"
    shift_mm = 2.0
    why = "the plane lay in the appendage's ridge"

What the program writes also states the input that was corrected, which is not needed::

    [made_on]
    input = "..."    # its SHA-256, as case.json has it
    frame = "lps"    # of a mesh, as it was stated
    unit = "mm"
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, overload

import numpy as np

from veinfit.anatomy.corrections.apply import Correction
from veinfit.errors import InputError
from veinfit.frames import FRAMES, Frame, to_lps
from veinfit.io.files import check_file
from veinfit.io.inputs.meshes import MM_PER_UNIT
from veinfit.labels.model import FARTHEST_MM
from veinfit.result.input_mark import InputMark
from veinfit.toml import read_toml
from veinfit.vectors import FloatArray, unit
from veinfit.vein_names import APPENDAGE, VEIN_NAMES, is_vein_name

FILE_KEYS = ("frame", "who", "why", "made_on", "correction")
MARK_KEYS = ("input", "frame", "unit")
SHA256 = re.compile(r"[0-9a-f]{64}")
ENTRY_KEYS = (
    "vein", "rename", "drop", "add_at_mm", "centre_mm", "normal", "shift_mm", "tilt_deg",
    "tilt_toward_h", "who", "why",
)  # fmt: skip
LONGEST_TEXT = 300
"""Names and reasons go onto the report: a line, not a letter."""

LARGEST_SHIFT_MM = 30.0
LARGEST_TILT_DEG = 60.0
"""A plane that is moved farther is set by its centre and normal instead."""


@dataclass(frozen=True, slots=True, eq=False)
class Corrections(Sequence[Correction]):
    """What a corrections file says; itself the sequence of its corrections.

    Attributes
    ----------
    entries : tuple of Correction
        Places and directions in LPS mm.
    made_on : InputMark or None
        The input that was corrected; None where the file does not state it.
    """

    entries: tuple[Correction, ...]
    made_on: InputMark | None = None

    @overload
    def __getitem__(self, index: int) -> Correction: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Correction, ...]: ...
    def __getitem__(self, index: int | slice) -> Correction | tuple[Correction, ...]:
        return self.entries[index]

    def __iter__(self) -> Iterator[Correction]:
        return iter(self.entries)

    def __len__(self) -> int:
        return len(self.entries)


def read_corrections(path: Path) -> Corrections:
    """Read a corrections file.

    Parameters
    ----------
    path : Path
        TOML with ``frame`` (``lps`` where it is not stated), and a table
        ``[[correction]]`` for each correction; ``who`` and ``why`` stand in
        each, or once for all of them at the top. ``[made_on]`` may state the
        input that was corrected.

    Returns
    -------
    Corrections
        A sequence of Correction, places and directions in LPS mm.

    Raises
    ------
    InputError
        The file cannot be read, or entries in it are wrong; the message lists
        every fault.
    """
    path = Path(path)
    check_file(path, "corrections")
    return corrections_from_mapping(read_toml(path, "corrections"), f"corrections {path}")


def corrections_from_mapping(
    content: Mapping[str, Any], source: str = "corrections"
) -> Corrections:
    """Build corrections from nested mappings.

    Parameters
    ----------
    content : mapping of str to object
        As the tables of a corrections file.
    source : str
        What it comes from, for the message.

    Returns
    -------
    Corrections
        A sequence of Correction, places and directions in LPS mm.

    Raises
    ------
    InputError
        Entries are wrong; the message lists every fault.
    """
    faults = [_unknown(key, FILE_KEYS) for key in content if key not in FILE_KEYS]
    frame = content.get("frame", "lps")
    frame = frame.lower() if isinstance(frame, str) else frame
    if frame not in FRAMES:
        faults.append(f"frame {frame!r} is not known; state {' or '.join(FRAMES)}")
        frame = "lps"
    entries = content.get("correction", [])
    if not isinstance(entries, list) or not all(isinstance(e, Mapping) for e in entries):
        faults.append("each correction is a table of its own, headed [[correction]]")
        entries = []
    elif not entries:
        faults.append("holds no [[correction]]")
    made_on = _mark(content["made_on"], faults) if "made_on" in content else None
    common = {key: content[key] for key in ("who", "why") if key in content}
    found = []
    for number, entry in enumerate(entries, start=1):
        one = _Entry({**common, **entry}, frame)
        correction = one.correction()
        called = f" ({correction.vein})" if correction.vein else ""
        faults += [f"correction {number}{called}: {fault}" for fault in one.faults]
        found.append(correction)
    if faults:
        raise InputError(f"{source}: {'; '.join(faults)}")
    return Corrections(tuple(found), made_on)


def _mark(values: Any, faults: list[str]) -> InputMark | None:
    """Return which input was corrected; add to ``faults`` what is wrong with that."""
    if not isinstance(values, Mapping):
        faults.append("made_on is a table, headed [made_on]; take it out if it is not known")
        return None
    wrong = [f"made_on: {_unknown(k, MARK_KEYS)}" for k in values if k not in MARK_KEYS]
    digest, frame, unit = values.get("input"), values.get("frame", "lps"), values.get("unit", "mm")
    if not isinstance(digest, str) or not SHA256.fullmatch(digest):
        wrong.append(
            "made_on: input must be the SHA-256 of the input, 64 of 0-9 and a-f; take [made_on] "
            "out if it is not known"
        )
    for key, value, known in (("frame", frame, FRAMES), ("unit", unit, tuple(MM_PER_UNIT))):
        if value not in known:
            wrong.append(f"made_on: {key} {value!r} is not known; state {' or '.join(known)}")
    faults += wrong
    return None if wrong else InputMark(str(digest), frame, unit)


class _Entry:
    """One table of the file, and what is wrong with it."""

    def __init__(self, values: Mapping[str, Any], frame: Frame) -> None:
        self._values, self._frame = values, frame
        self.faults = [_unknown(key, ENTRY_KEYS) for key in values if key not in ENTRY_KEYS]

    def correction(self) -> Correction:
        """Return the entry; it is of use only where there are no ``faults``."""
        made = Correction(
            vein=self._text("vein"),
            who=self._text("who"),
            why=self._text("why"),
            rename=self._text("rename", needed=False),
            drop=self._switch("drop"),
            add_at=self._vector("add_at_mm"),
            centre=self._vector("centre_mm"),
            normal=self._direction("normal"),
            shift_mm=self._number("shift_mm", LARGEST_SHIFT_MM),
            tilt_deg=self._number("tilt_deg", LARGEST_TILT_DEG),
            tilt_toward_h=self._number("tilt_toward_h", 12.0),
        )
        self._check_names(made)
        self._check_whole(made)
        return made

    def _check_names(self, made: Correction) -> None:
        for name, allowed in (
            (made.vein, made.vein == APPENDAGE and made.add_at is None),
            (made.rename, made.rename == APPENDAGE),
        ):
            if name and not allowed and not is_vein_name(name):
                self.faults.append(_unknown(name, (*VEIN_NAMES, "extra-1", APPENDAGE), "vein"))

    def _check_whole(self, made: Correction) -> None:
        given = self._values.keys()
        plane = [key for key in ("centre_mm", "normal") if key in given]
        move = [key for key in ("shift_mm", "tilt_deg", "tilt_toward_h") if key in given]
        if len(plane) == 1:
            self.faults.append("centre_mm and normal go together")
        if plane and move:
            self.faults.append(
                f"{' and '.join(plane)} set the ostium and {' and '.join(move)} move it; "
                "do one of the two"
            )
        if ("tilt_deg" in given) != ("tilt_toward_h" in given):
            self.faults.append("tilt_deg and tilt_toward_h go together")
        others = [key for key in ("rename", "add_at_mm", *plane, *move) if key in given]
        if made.drop and others:
            self.faults.append(f"drop = true cannot stand beside {', '.join(others)}")
        if "add_at_mm" in given and ("rename" in given or move):
            self.faults.append("a vein that is added has its name in vein and no ostium to move")
        if made.rename == APPENDAGE and (plane or move):
            self.faults.append(f"the ostium of {APPENDAGE} cannot be set")
        if not others and "drop" not in given:
            self.faults.append(
                "corrects nothing; give rename, drop, add_at_mm, centre_mm with normal, or shift_mm"
            )

    def _text(self, key: str, needed: bool = True) -> str:
        value = self._values.get(key, "")
        if not isinstance(value, str) or not value.isprintable() or len(value) > LONGEST_TEXT:
            self.faults.append(f"{key} must be a text of one line, {LONGEST_TEXT} letters at most")
            return ""
        if needed and not value.strip():
            self.faults.append(f"{key} is missing")
        return value.strip()

    def _switch(self, key: str) -> bool:
        value = self._values.get(key, False)
        if not isinstance(value, bool):
            self.faults.append(f"{key} must be true or false")
        return value is True

    def _number(self, key: str, most: float) -> float:
        value = self._values.get(key, 0.0)
        if not _is_number(value) or abs(value) > most:
            self.faults.append(f"{key} must be a number from {-most:g} to {most:g}")
            return 0.0
        return float(value)

    def _vector(self, key: str) -> FloatArray | None:
        if key not in self._values:
            return None
        value = self._values[key]
        if not isinstance(value, list) or len(value) != 3 or not all(map(_is_number, value)):
            self.faults.append(f"{key} must be three numbers, [x, y, z]")
            return None
        if max(map(abs, value)) > FARTHEST_MM:
            self.faults.append(f"{key} must be three numbers up to {FARTHEST_MM:g}")
            return None
        return to_lps(np.array(value, dtype=float), self._frame)

    def _direction(self, key: str) -> FloatArray | None:
        vector = self._vector(key)
        if vector is None:
            return None
        if float(np.linalg.norm(vector)) < 1e-6:
            self.faults.append(f"{key} must be three numbers that are not all zero")
            return None
        return unit(vector)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _unknown(name: str, known: tuple[str, ...], what: str = "key") -> str:
    near = difflib.get_close_matches(name, known, 1, 0.5)
    offer = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
    return f"{what} {name!r} is not known; {offer}"
