"""What goes into a report, and the picture that goes with it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from veinfit.notes import VERDICT, Note
from veinfit.result.case_result import CaseResult


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
        What stands on paper in its place, as PNG or JPEG: its views with few words
        in large type. Empty where the picture itself does.
    page : bytes
        What stands in a page in its place, as WebP: the same, smaller. Empty where that was not
        made; it then is made of the file.
    captioned : bool
        Whether the caption stands in the picture itself.
    warned : bool
        Whether a warning stands at its head, above the views.
    """

    file: str
    vein: str
    balloon: str
    caption: str
    alt: str
    notes: tuple[Note, ...] = ()
    approach: str = ""
    paper: bytes = field(default=b"", repr=False)
    page: bytes = field(default=b"", repr=False)
    captioned: bool = True
    warned: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """All that a report tells: a case, and the pictures that were drawn of it.

    Attributes
    ----------
    result : CaseResult
    pictures : tuple of Picture
    drawing : tuple of Note
        How the pictures came about, where that was not the usual way.
    folder : Path or None
        The folder below which ``Picture.file`` lies; None leaves the pictures out.
    viewer : str
        File name of the 3D view beside the report; empty where there is none.
    """

    result: CaseResult
    pictures: tuple[Picture, ...] = ()
    drawing: tuple[Note, ...] = ()
    folder: Path | None = None
    viewer: str = ""

    @property
    def notes(self) -> tuple[Note, ...]:
        """Those of the case and of its drawing; its anatomy and its fits carry their own."""
        return (*self.result.notes, *self.drawing)

    @property
    def case_id(self) -> str:
        """As the user stated it; empty where not given."""
        return self.result.provenance.case_id or ""

    @property
    def version(self) -> str:
        """Of the program; empty where it is not known."""
        return self.result.provenance.versions.get("veinfit", "")


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
