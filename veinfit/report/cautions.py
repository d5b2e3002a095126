"""What holds for every report and every picture."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from veinfit.notes import Note

CAUTIONS: tuple[str, ...] = (
    "A planning aid for research and preparation; not a medical device.",
    "Results depend on the segmentation and on the cardiac phase of the image.",
    "Decisions rest with the licensed physician and local rules.",
)
"""On reports and pages."""

PICTURE_CAUTION = (
    "Planning aid, not a medical device. Depends on segmentation and cardiac phase. "
    "Decisions rest with the licensed physician and local rules."
)
"""On a picture, which may be shown without its report."""

WARNINGS_IN_SHORT: Mapping[str, str] = {
    "names": "the frame may be wrong; left and right, and every name, are doubtful",
    "corrections": "the corrections by hand were made on another input, or one read otherwise",
}
"""What a warning says where there is room for a line, by the stage that gives it."""

ANY_WARNING = "all of this is in doubt; the report says why"


def warning_line(notes: Iterable[Note]) -> str:
    """Return the warnings of a case in one short line.

    It stands wherever names stand: a picture or a page may be shown without the first page.

    Parameters
    ----------
    notes : iterable of Note

    Returns
    -------
    str
        Empty where no note is a warning.
    """
    told = [
        WARNINGS_IN_SHORT.get(note.stage, ANY_WARNING)
        for note in notes
        if note.severity == "warning"
    ]
    return f"Warning: {'; '.join(dict.fromkeys(told))}" if told else ""
