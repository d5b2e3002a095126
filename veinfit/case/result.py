"""What is known of a case once it is assessed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from veinfit.anatomy.corrections.apply import Correction
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.model import Anatomy
from veinfit.io.provenance import Provenance
from veinfit.labels.image import ImageVolume
from veinfit.notes import Note, verdict_first
from veinfit.seating.balloon import Balloon
from veinfit.seating.further import Crossings
from veinfit.seating.model import Fit
from veinfit.seating.neighbours import Structure
from veinfit.settings import Settings

Progress = Callable[[str], None]
"""Told what is being done, as each stage begins."""


@dataclass(frozen=True, slots=True, eq=False)
class CaseResult:
    """One case as it was assessed.

    Attributes
    ----------
    anatomy : Anatomy
    fits : tuple of Fit
        Vein by vein in the order of ``anatomy.veins``, balloon by balloon; then
        those of veins that could not be measured, ``not assessed``.
    structures : mapping of str to Surface or (N, 3) array
    notes : tuple of Note
        Those of the input; ``all_notes`` has all.
    settings : Settings
    provenance : Provenance
    source : LumenInput or None
        What the anatomy was found from; a review starts from it.
    by_hand : tuple of Correction
        The corrections as they were given.
    balloons : tuple of Balloon
        Those that were tried.
    crossings : Crossings or None
        Places where the septum may be crossed; None where they are not compared.
    image : ImageVolume or None
        What the labels were drawn on; it is shown, and not archived.
    """

    anatomy: Anatomy
    fits: tuple[Fit, ...]
    structures: Mapping[str, Structure]
    notes: tuple[Note, ...]
    settings: Settings
    provenance: Provenance
    source: LumenInput | None = None
    by_hand: tuple[Correction, ...] = ()
    balloons: tuple[Balloon, ...] = ()
    crossings: Crossings | None = None
    image: ImageVolume | None = None

    @property
    def unassessed(self) -> tuple[Fit, ...]:
        """The fits about which nothing could be said."""
        return tuple(fit for fit in self.fits if fit.outcome == "not assessed")

    @property
    def all_notes(self) -> tuple[Note, ...]:
        """Notes of the input, the anatomy, its veins and the fits, each once, the verdict first."""
        of_veins = (note for vein in self.anatomy.veins for note in vein.notes)
        of_fits = (note for fit in self.fits for note in fit.notes)
        return verdict_first((*self.notes, *self.anatomy.notes, *of_veins, *of_fits))


@dataclass(frozen=True, slots=True)
class WrittenCase:
    """What was written about a case.

    Attributes
    ----------
    folder : Path
    files : tuple of str
        Relative to the folder, with forward slashes.
    notes : tuple of Note
        How the pictures came about, where that was not the usual way.
    """

    folder: Path
    files: tuple[str, ...]
    notes: tuple[Note, ...]


def silent(stage: str) -> None:
    """Tell nobody."""
