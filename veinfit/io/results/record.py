"""What is written of a case."""

from __future__ import annotations

from dataclasses import dataclass

from veinfit.anatomy.model import Anatomy
from veinfit.io.results.provenance import Provenance
from veinfit.notes import Note
from veinfit.seating.compare import Comparison
from veinfit.seating.expected import Expected
from veinfit.seating.further import Crossings
from veinfit.seating.model import Fit
from veinfit.seating.uncertainty.split import ExpectedSplit
from veinfit.settings import Settings


@dataclass(frozen=True, slots=True)
class CaseRecord:
    """All that is written about a case.

    ``structures`` holds the names of the neighbouring structures supplied; ``crossings`` is
    None where places of the septal crossing are not compared. ``comparisons`` sets every balloon
    beside the next larger one, ``beside`` holds the words for every remark of these, in their
    order. ``expected`` and ``splits`` are what several veins and two balloons can be expected to
    come to.
    """

    anatomy: Anatomy
    fits: tuple[Fit, ...]
    structures: tuple[str, ...]
    notes: tuple[Note, ...]
    settings: Settings
    provenance: Provenance
    crossings: Crossings | None = None
    comparisons: tuple[Comparison, ...] = ()
    beside: tuple[tuple[str, ...], ...] = ()
    expected: tuple[Expected, ...] = ()
    splits: tuple[ExpectedSplit, ...] = ()
