"""Finds the anatomy of a finished case again, from the surface that it holds."""

from __future__ import annotations

from dataclasses import replace

from veinfit.anatomy import detect
from veinfit.anatomy.detection import Detection
from veinfit.case import CaseResult, Progress
from veinfit.errors import InputError


def found_again(result: CaseResult, progress: Progress) -> Detection:
    """Find what a case was measured from; a frame that the run accepted is not refused.

    How far a frame is doubted is near a limit for some atria, and the saved surface is rounded:
    the doubts told are those of the run.

    Parameters
    ----------
    result : CaseResult
    progress : callable

    Returns
    -------
    Detection

    Raises
    ------
    InputError
        The case does not hold its surface.
    """
    if result.source is None:
        raise InputError("the case does not hold its surface; assess it again")
    source = replace(result.source, trust_frame=True)
    # The surface is in LPS already; its frame is that of the file.
    found = detect(source, result.settings, result.provenance.frame, progress)  # type: ignore[arg-type]
    doubts = [note for note in result.anatomy.notes if note.severity == "warning"]
    others = [note for note in found.notes if note.severity != "warning"]
    return replace(found, notes=(*doubts, *others))
