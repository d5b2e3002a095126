"""Naming without the bulges of the wall, and with them where a vein is missing without."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace

from veinfit.anatomy.naming.frame_check import StatedFrame
from veinfit.anatomy.naming.missing_veins import absent_notes
from veinfit.anatomy.naming.names import CandidateFeatures, Naming, name_candidates
from veinfit.errors import InputError
from veinfit.vein_names import USUAL_VEINS

BULGE_CONFIDENCE = 0.5
"""Confidence left to every name where one of the veins is a bulge of the wall."""


def name_with_bulges(
    candidates: Sequence[CandidateFeatures],
    with_bulges: Callable[[], Sequence[CandidateFeatures]],
    common_trunk_mm: float,
    stated: StatedFrame,
) -> tuple[Naming, bool]:
    """Name the candidates; the bulges too where a usual vein is missing without.

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
    lacking = len(USUAL_VEINS) if first is None else len(absent_notes(first.roles))
    if first is not None and not lacking:
        return first, False
    more = with_bulges()
    second = None
    with suppress(InputError):
        second = name_candidates(more, common_trunk_mm, stated)
    if second is not None and len(absent_notes(second.roles)) < lacking:
        is_vein = any(more[index].is_bulge for index in second.roles.values())
        if first is None and is_vein:
            second = _frame_in_doubt(second, candidates, common_trunk_mm, stated)
        if is_vein:
            return _in_doubt(second), True
        if first is not None:
            return second, True
    if first is None:
        assert refused is not None
        raise refused
    return first, False


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
