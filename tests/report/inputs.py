"""What a report is made of, for the tests of the page, the PDF and the 3D view."""

from __future__ import annotations

from typing import Any

from veinfit.anatomy.model import Anatomy
from veinfit.report.model import InputFile, ReportInput
from veinfit.seating.compare import comparisons
from veinfit.seating.model import Fit
from veinfit.settings import Settings


def report_of(anatomy: Anatomy, fits: tuple[Fit, ...], **changes: Any) -> ReportInput:
    given: dict[str, Any] = {
        "case_id": "Larkmoor test",
        "created": "2026-11-25T10:00:00Z",
        "inputs": (InputFile("input", ".ply", "ab" * 32),),
        "anatomy": anatomy,
        "fits": fits,
        "settings": Settings(),
        "comparisons": comparisons(fits, Settings().seating, Settings().comparison),
        "version": "0.1.0",
        **changes,
    }
    return ReportInput(**given)
