"""Veins that should be there and were not found."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from veinfit.notes import Note
from veinfit.vein_names import TRUNK_BRANCHES, USUAL_VEINS, VEIN_NAMES

LABELLED_REASON = (
    "it is labelled, but no separate branch leaves the atrium there: its stub may be too short, "
    "or it may join another vein"
)


def labelled_but_missing(labelled: Collection[str], found: Collection[str]) -> Mapping[str, str]:
    """Return the veins that a label names and that were not found, with the reason.

    Parameters
    ----------
    labelled : collection of str
        All labels of the volume, veins and others.
    found : collection of str
        Roles that were found.
    """
    names = [name for name in VEIN_NAMES if name in labelled and not _is_covered(name, found)]
    return dict.fromkeys(names, LABELLED_REASON)


def absent_notes(told: Collection[str]) -> Sequence[Note]:
    """Return a caution for each usual vein of which nothing was ``told``, found or not."""
    return [
        Note(
            "names",
            f"no {name} was found: it may be missing from the input, cut off at the wall, or "
            "taken for a part of another vein",
            name,
            "caution",
        )
        for name in USUAL_VEINS
        if not _is_covered(name, told)
    ]


def _is_covered(name: str, found: Collection[str]) -> bool:
    """Whether a vein was found, as a part of a trunk, or as the branches of one."""
    as_part = (trunk for trunk, branches in TRUNK_BRANCHES.items() if name in branches)
    return (
        name in found
        or any(trunk in found for trunk in as_part)
        or any(branch in found for branch in TRUNK_BRANCHES.get(name, ()))
    )
