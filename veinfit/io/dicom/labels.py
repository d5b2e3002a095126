"""Labels from DICOM: which segments of a file a label map's entry means."""

from __future__ import annotations

import re
from pathlib import Path

from veinfit.errors import InputError
from veinfit.io.dicom.common import (
    CODED_LABELS,
    CONTOUR_SET,
    LABEL_MAP_SEGMENTATION,
    SEGMENTATION,
    Segment,
    Segments,
    class_of,
    read_dataset,
)
from veinfit.io.dicom.contours import read_contours
from veinfit.io.dicom.segmentation import read_segmentation
from veinfit.labels.model import BODY_NAME, LABEL_NAMES, LabelMap, PartSource

LISTED_SEGMENTS = 12
"""A message lists at most this many segments."""


def read_segments(path: Path) -> Segments:
    """Read a Segmentation or an RT Structure Set.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Segments

    Raises
    ------
    InputError
        The file is damaged, of another class, or cannot be put onto a grid.
    """
    ds = read_dataset(path, "volume")
    kind = class_of(ds, path)
    if kind in (SEGMENTATION, LABEL_MAP_SEGMENTATION):
        return read_segmentation(path, ds)
    if kind == CONTOUR_SET:
        return read_contours(path, ds)
    from pydicom.uid import UID_dictionary

    name = UID_dictionary[kind][0] if kind in UID_dictionary else "an object of no known class"
    raise InputError(
        f"volume {path} is {name}; give a Segmentation or an RT Structure Set, from which labels "
        "are read"
    )


def chosen_segments(
    name: str, source: PartSource, held: Segments, path: Path, map_source: str
) -> tuple[Segment, ...]:
    """Return the segments that an entry of a label map means.

    Raises
    ------
    InputError
        There is none; the message lists what there is.
    """
    asked = bool(source.values or source.segments or source.codes)
    texts = {_plain(text) for text in source.segments}
    # SNOMED CT goes without its scheme.
    codes = {code if ":" in code else f"SCT:{code}" for code in source.codes}
    found = tuple(
        s
        for s in held.segments
        if not asked
        or s.number in source.values
        or _plain(s.name) in texts
        or codes.intersection(s.codes)
    )
    if not found:
        raise InputError(
            f"{map_source}: {path} has no segment for {name}; it holds {_listed(held)}"
        )
    if not asked and len(found) > 1:
        raise InputError(
            f"{map_source}: {name} is taken from {path}, which holds several segments "
            f"({_listed(held)}); add segment, code or value"
        )
    return found


def map_by_codes(held: Segments, path: Path) -> tuple[LabelMap, tuple[Segment, ...]]:
    """Return what the segments mean by their codes or their names, and those that stay unknown.

    A name counts where it is one of the names of a label map.

    Parameters
    ----------
    held : Segments
    path : Path
        Of the file, for the message.

    Returns
    -------
    meaning : LabelMap
    unknown : tuple of Segment

    Raises
    ------
    InputError
        None of them is the left atrium.
    """
    meanings: dict[str, list[int]] = {}
    unknown = []
    for segment in held.segments:
        name = next((CODED_LABELS[c] for c in segment.codes[::-1] if c in CODED_LABELS), None)
        if name is None:
            by_text = {_plain(label): label for label in LABEL_NAMES}
            name = by_text.get(_plain(segment.name))
        if name is None:
            unknown.append(segment)
        else:
            meanings.setdefault(name, []).append(segment.number)
    if BODY_NAME not in meanings:
        raise InputError(
            f"volume {path} has no segment that is coded as the left atrium (SCT:82471001); it "
            f"holds {_listed(held)}; pass --labels FILE with {BODY_NAME} = {{ segment = "
            f'"NAME" }}'
        )
    parts = {n: PartSource(values=tuple(numbers)) for n, numbers in meanings.items()}
    return LabelMap({}, {}, "the codes of the segments", parts), tuple(unknown)


def _plain(text: str) -> str:
    return re.sub(r"[\s_.-]+", " ", text).strip().casefold()


def _listed(held: Segments) -> str:
    shown = [
        f"{s.number}: {s.name or 'no name'}" + (f" ({s.codes[0]})" if s.codes else "")
        for s in held.segments[:LISTED_SEGMENTS]
    ]
    rest = len(held.segments) - len(shown)
    return ", ".join(shown) + (f" and {rest} more" if rest else "")
