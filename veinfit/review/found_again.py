"""Finds the anatomy of a finished case again, from the surface that it holds."""

from __future__ import annotations

from dataclasses import replace

from veinfit.anatomy import detect
from veinfit.anatomy.detection import Detection
from veinfit.case import CaseResult, Progress
from veinfit.errors import InputError
from veinfit.notes import Note
from veinfit.result.input_mark import is_corrections_doubt


def found_again(result: CaseResult, progress: Progress) -> Detection:
    """Find what a case was measured from; a frame that the run accepted is not refused.

    How far a frame is doubted is near a limit for some atria, and cases of earlier releases keep
    their surface rounded: the doubts told are those of the run.

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
    # Whether corrections are of another input is told of the file under review, not of the run.
    doubts = [
        note
        for note in result.anatomy.notes
        if note.severity == "warning" and not is_corrections_doubt(note)
    ]
    others = [note for note in found.notes if note.severity != "warning"]
    return replace(found, notes=(*_otherwise(result, found), *doubts, *others))


def _otherwise(result: CaseResult, found: Detection) -> tuple[Note, ...]:
    """Return a warning where the veins are not those of the report.

    Cases of earlier releases keep their surface in steps of a micrometre. Where names are in doubt
    that little may change them, and the page would show other veins than the report without a
    word. What was corrected by hand in the run comes to the page as corrections.
    """
    anatomy = result.anatomy
    measured = [vein.name for vein in anatomy.veins]
    more = set(found.vein_names) - {*measured, *anatomy.unmeasured}
    if result.by_hand or not (more or set(measured) - set(found.vein_names)):
        return ()
    text = (
        f"found anew from the saved surface the veins are {', '.join(found.vein_names)}, not "
        f"{', '.join(measured)} as in the report: the names are at a limit, and every one is "
        "doubtful"
    )
    return (Note("names", text, severity="warning"),)
