"""Where a result comes from: inputs with their checksums, versions, who and when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from veinfit.result.values import Value

BalloonValue = Value | tuple[tuple[float, float], ...]
"""What is told of a balloon: a plain value, or the rows of a half section."""


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that went into a case, known by its content alone.

    The name is left out: names of exported studies often carry the patient's.
    """

    role: str
    format: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a result comes from.

    Attributes
    ----------
    case_id, cardiac_phase, image_date : str or None
        As the user stated them.
    frame, unit : str
        As stated for a mesh.
    approach : str
    balloons : tuple of mapping
        Each candidate balloon's parameters.
    inputs : tuple of InputFile
    versions : mapping of str to str
        Of the program and the libraries that it used.
    created : str
        UTC, ISO 8601.
    trust_frame : bool
        The user vouched for the frame.
    """

    case_id: str | None
    cardiac_phase: str | None
    image_date: str | None
    frame: str
    unit: str
    approach: str
    balloons: tuple[Mapping[str, BalloonValue], ...]
    inputs: tuple[InputFile, ...]
    versions: Mapping[str, str]
    created: str
    trust_frame: bool = False
