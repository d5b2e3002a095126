"""Which input something was made on, and the doubt where another one is read."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from veinfit.notes import Note
from veinfit.result.provenance import InputFile, Provenance

INPUT_ROLES = ("input", "input data")
"""Files that are the surface or the volume itself. Further volumes may be neighbours alone."""

STAGE = "corrections"
"""No other note of this stage is a warning."""

TOLD_DIGITS = 12
"""Of a SHA-256, in sentences."""


@dataclass(frozen=True, slots=True)
class InputMark:
    """An input, known by its content and by how it was read; never by its name.

    Attributes
    ----------
    sha256 : str
        Of the input; of a header and its data, of both their hashes, sorted, a line each.
    frame, unit : str
        As stated for a mesh.
    """

    sha256: str
    frame: str
    unit: str


def input_mark(inputs: Sequence[InputFile], frame: str, unit: str) -> InputMark:
    """Return the mark of the input among the files of a case.

    Parameters
    ----------
    inputs : sequence of InputFile
        As the record of a case has them.
    frame, unit : str
        As stated for a mesh.

    Returns
    -------
    InputMark
    """
    digests = sorted(file.sha256 for file in inputs if file.role in INPUT_ROLES)
    if len(digests) != 1:
        digests = [hashlib.sha256("".join(f"{one}\n" for one in digests).encode()).hexdigest()]
    return InputMark(digests[0], frame, unit)


def mark_of(provenance: Provenance) -> InputMark:
    """Return the mark of the input that a case was made from.

    Parameters
    ----------
    provenance : Provenance
        Of the case.

    Returns
    -------
    InputMark
    """
    return input_mark(provenance.inputs, provenance.frame, provenance.unit)


def otherwise(made_on: InputMark | None, now: InputMark) -> str:
    """Say on which other input corrections were made.

    Parameters
    ----------
    made_on : InputMark or None
        What the corrections state; None where they state nothing.
    now : InputMark
        The input that they are applied to.

    Returns
    -------
    str
        Empty where it is the same, or not known.
    """
    if made_on is None or made_on == now:
        return ""
    if made_on.sha256 != now.sha256:
        return (
            f"the corrections by hand were made on another input, SHA-256 {_short(made_on)}, "
            f"than this one, {_short(now)}"
        )
    return (
        f"the corrections by hand were made on this input read as {_how(made_on)}, and it is now "
        f"read as {_how(now)}"
    )


def corrections_doubt(made_on: InputMark | None, now: InputMark) -> Note | None:
    """Return the warning that corrections of another input call for.

    It is no refusal: an atrium that was exported or segmented anew may well be corrected as
    before. But another patient's corrections must not be followed without a word.

    Parameters
    ----------
    made_on : InputMark or None
        What the corrections state; None where they state nothing.
    now : InputMark
        The input that they are applied to.

    Returns
    -------
    Note or None
    """
    told = otherwise(made_on, now)
    if made_on is None or not told:
        return None
    look = (
        "look every corrected vein over in the review and save there, which puts this input in "
        "the file"
    )
    what = f"state frame and unit as they were then, or {look}"
    if made_on.sha256 != now.sha256:
        what = f"if it is another heart, leave them out; if it is the same one, {look}"
    return Note(STAGE, f"{told}: {what}", severity="warning")


def is_corrections_doubt(note: Note) -> bool:
    """Whether a note of a case is the warning of :func:`corrections_doubt`.

    Parameters
    ----------
    note : Note
        Of a case.

    Returns
    -------
    bool
    """
    return (note.stage, note.severity) == (STAGE, "warning")


def _short(mark: InputMark) -> str:
    return mark.sha256[:TOLD_DIGITS]


def _how(mark: InputMark) -> str:
    return f"{mark.frame.upper()} in {mark.unit}"
