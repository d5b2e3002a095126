"""Naming without the bulges of the wall, and with them where one may be a missing vein."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace

from veinfit.anatomy.naming.frame_check import StatedFrame
from veinfit.anatomy.naming.missing_veins import absent_notes
from veinfit.anatomy.naming.names import CandidateFeatures, Naming, name_candidates
from veinfit.errors import InputError
from veinfit.vein_names import APPENDAGE

BULGE_CONFIDENCE = 0.5
"""Confidence left to every name where one of the veins is a bulge of the wall."""


def name_with_bulges(
    candidates: Sequence[CandidateFeatures],
    with_bulges: Callable[[], Sequence[CandidateFeatures]],
    common_trunk_mm: float,
    stated: StatedFrame,
) -> tuple[Naming, bool]:
    """Name the candidates; the bulges too where a usual vein or the appendage is missing without.

    Where the appendage seems to be missing it may have a vein's name, and the vein be a bulge.

    What is refused without the bulges passes only where one of them is a vein, and then says what
    spoke against it.

    Parameters
    ----------
    candidates : sequence of CandidateFeatures
        Without bulges.
    with_bulges : callable
        Returns them and the bulges.
    common_trunk_mm : float
        From this shared length on a trunk is a vein of its own.
    stated : StatedFrame
        What is said of the input's frame.

    Returns
    -------
    naming : Naming
    by_bulges : bool
        Whether it is of the candidates with the bulges.

    Raises
    ------
    InputError
        As :func:`~veinfit.anatomy.naming.names.name_candidates`, without the bulges.
    """
    first = refused = None
    try:
        first = name_candidates(candidates, common_trunk_mm, stated)
    except InputError as reason:
        refused = reason
    lacking = None if first is None else _lacking(first)
    if first is not None and not lacking:
        return first, False
    more = with_bulges()
    second = None
    with suppress(InputError):
        second = name_candidates(more, common_trunk_mm, stated)
    by_bulge = second is not None and any(more[k].is_bulge for k in second.roles.values())
    if first is None:
        if second is None or not by_bulge:
            assert refused is not None
            raise refused
        return _in_doubt(_frame_in_doubt(second, candidates, common_trunk_mm, stated)), True
    if second is None:
        return first, False
    if not by_bulge:
        # The same names, less sure where one may rather be a bulge's.
        return second, True
    assert lacking is not None
    return (_in_doubt(second), True) if _lacking(second) < lacking else (first, False)


def _lacking(naming: Naming) -> int:
    """Return how many of the usual veins and the appendage are missing."""
    return len(absent_notes(naming.roles)) + (APPENDAGE not in naming.roles)


def _frame_in_doubt(
    naming: Naming,
    candidates: Sequence[CandidateFeatures],
    common_trunk_mm: float,
    stated: StatedFrame,
) -> Naming:
    """Return a naming with bulges that says which frame the candidates without them fit better."""
    if naming.other_frame.is_doubted:
        return naming
    try:
        without = name_candidates(candidates, common_trunk_mm, replace(stated, trusted=True))
    except InputError:
        return naming  # they show no vein in any frame
    other = without.other_frame
    return replace(naming, other_frame=replace(other, better_by=min(other.better_by, 0.0)))


def _in_doubt(naming: Naming) -> Naming:
    sure = {role: min(each, BULGE_CONFIDENCE) for role, each in naming.confidence.items()}
    return replace(naming, confidence=sure)
