"""Labels of single veins that contradict the places of what they name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from scipy.spatial.transform import Rotation

from veinfit.anatomy.naming.assignment import Fit, Selection, best_fit
from veinfit.anatomy.naming.features import CandidateFeatures
from veinfit.anatomy.naming.roles import ROLES, Misfits
from veinfit.notes import Note
from veinfit.vein_names import TRUNK_BRANCHES, VEIN_NAMES

CONTRADICTED_CONFIDENCE = 0.5
"""No name is surer than this where label and place disagree."""

CONTRADICTED_MARGIN = 3.0
"""Places contradict labels where other names fit them better by this (log odds): labels of a heart
that lies unusually are right far more often than they are exchanged."""


def contradicted(
    candidates: Sequence[CandidateFeatures],
    selections: Sequence[Selection],
    fit: Fit,
    common_trunk_mm: float,
) -> Mapping[str, str]:
    """Return the other name that label or place has for veins about which the two disagree.

    A vein that has another name than its label has that of its place; one that has the name of its
    label may lie where another vein does.

    Parameters
    ----------
    candidates : sequence of CandidateFeatures
    selections : sequence of Selection
    fit : Fit
        With the labels.
    common_trunk_mm : float
    """
    labels = {
        role: candidates[index].hint
        for role, index in fit.roles.items()
        if candidates[index].hint in VEIN_NAMES
    }
    if not labels:
        return {}
    others = {role: label for role, label in labels.items() if not _is_one(role, label)}
    bare = [replace(c, hint="" if c.hint in ROLES else c.hint) for c in candidates]
    misfits, upright = Misfits.of(bare, common_trunk_mm), Rotation.identity()
    as_named = [(k, r) for role, k in fit.roles.items() for r in ROLES if r != role]
    by_place = best_fit(selections, misfits, upright)
    held = best_fit(selections, misfits, upright, as_named)
    if held.cost - by_place.cost > CONTRADICTED_MARGIN:
        at = {index: role for role, index in by_place.roles.items()}
        for role in labels:
            there = at.get(fit.roles[role], role)
            if there in VEIN_NAMES and not _is_one(role, there):
                others.setdefault(role, there)
    return others


def _is_one(first: str, second: str) -> bool:
    """Whether two names may be of one vein: alike, numbered, or a trunk and its branch."""
    if first.partition("-")[0] == second.partition("-")[0]:
        return True
    return second in TRUNK_BRANCHES.get(first, ()) or first in TRUNK_BRANCHES.get(second, ())


def contradiction_notes(others: Mapping[str, str], labels: Mapping[str, str]) -> list[Note]:
    """Return a caution for each vein about which label and place disagree.

    Parameters
    ----------
    others : mapping of str to str
        As of :func:`contradicted`, by the vein's name.
    labels : mapping of str to str
        What the input says that each vein is, by the vein's name.
    """
    notes = []
    for name, other in others.items():
        if _is_one(labels[name], name):
            said = f"it has the name of its label, but lies where {other} does"
        else:
            said = f"it lies where {name} does, but its label says {labels[name]}"
        text = f"{said}; labels may be exchanged: check the label map"
        notes.append(Note("names", text, name, "caution"))
    return notes
