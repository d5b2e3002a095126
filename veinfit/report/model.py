"""What goes into a report, and the picture that goes with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from veinfit.anatomy.model import Anatomy
from veinfit.notes import VERDICT, Note
from veinfit.seating.compare import Comparison
from veinfit.seating.expected import Expected
from veinfit.seating.further import Crossings
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import Structure
from veinfit.settings import Settings


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture that was written.

    Attributes
    ----------
    file : str
        Path below the case's folder, with forward slashes: ``pictures/LSPV-28.png``.
    vein, balloon, approach : str
        What it shows; all empty for the overview.
    caption : str
        The figures that go with it, in one or two sentences.
    alt : str
        What is to be seen, for a reader who cannot see it.
    notes : tuple of Note
        How it came about, where that was not the usual way.
    paper : bytes
        What stands on paper in its place, as PNG: its views with few words in
        large type. Empty where the picture itself does.
    """

    file: str
    vein: str
    balloon: str
    caption: str
    alt: str
    notes: tuple[Note, ...] = ()
    approach: str = ""
    paper: bytes = field(default=b"", repr=False)


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that was read: its part in the case, its format and its SHA-256.

    Its name is left out: names of exported studies often carry the patient's.
    """

    role: str
    format: str
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class ReportInput:
    """All that the report tells.

    Attributes
    ----------
    case_id : str
    created : str
        Time stamp, ISO 8601.
    inputs : tuple of InputFile
        The first is the atrium itself.
    anatomy : Anatomy
    fits : tuple of Fit
    settings : Settings
    version : str
        Of the program.
    notes : tuple of Note
        Of the case; those carried by the anatomy, its veins, the fits and the
        pictures are added by the report and need not be repeated.
    pictures : tuple of Picture
    folder : Path or None
        The folder below which ``Picture.file`` lies; None leaves the pictures out.
    structures : mapping of str to Surface or (N, 3) array
    freezing_zones : mapping of str to (float, float)
        By the balloon's name: polar angles from its nose, degrees.
    viewer : str
        File name of the 3D view beside the report; empty where there is none.
    cardiac_phase, image_date : str
        Empty where not given.
    crossings : Crossings or None
        Places where the septum may be crossed; None where they are not compared.
    comparisons : tuple of Comparison
        Every balloon beside the next larger one, vein by vein.
    expected : tuple of Expected
        How many veins each choice of sizes is expected to seal.
    """

    case_id: str
    created: str
    inputs: tuple[InputFile, ...]
    anatomy: Anatomy
    fits: tuple[Fit, ...]
    settings: Settings
    version: str
    notes: tuple[Note, ...] = ()
    pictures: tuple[Picture, ...] = ()
    folder: Path | None = None
    structures: Mapping[str, Structure] = field(default_factory=dict)
    freezing_zones: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    viewer: str = ""
    cardiac_phase: str = ""
    image_date: str = ""
    crossings: Crossings | None = None
    comparisons: tuple[Comparison, ...] = ()
    expected: tuple[Expected, ...] = ()


def unique_notes(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Return ``notes`` each once: warnings, the verdict, cautions, then the rest in their order."""
    return tuple(sorted(dict.fromkeys(notes), key=_rank))


def _rank(note: Note) -> int:
    if note.severity == "warning":
        return 0
    return 1 if note.stage == VERDICT else 2 if note.severity == "caution" else 3


def picture_notes(pictures: Iterable[Picture]) -> tuple[Note, ...]:
    """Return the notes that the pictures carry, each once."""
    return unique_notes(note for picture in pictures for note in picture.notes)
