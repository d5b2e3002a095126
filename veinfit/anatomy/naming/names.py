"""Which candidate is which vein, the appendage, the mitral side, or nothing.

Every role has a place and a direction in a template of the left atrium. The
template may turn a little, as hearts do; the assignment of candidates to roles
with the least misfit wins, over all usual sets of veins. The confidence of a
name comes from how much worse the best assignment without it is. The frame is
checked the same way: if the template fits better in another, the stated one is
wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from veinfit.anatomy.naming.antrum import antrum_share
from veinfit.anatomy.naming.assignment import (
    Fit,
    Selection,
    best_fit,
    selections_of,
    sought_veins,
)
from veinfit.anatomy.naming.features import CandidateFeatures
from veinfit.anatomy.naming.frame_check import (
    STATED,
    Axes,
    OtherFrame,
    StatedFrame,
    best_other_frame,
)
from veinfit.anatomy.naming.label_contradictions import CONTRADICTED_CONFIDENCE, contradicted
from veinfit.anatomy.naming.roles import (
    COMMON_ROLES,
    TEMPLATE,
    Misfits,
)
from veinfit.errors import InputError
from veinfit.vein_names import APPENDAGE, MITRAL, TRUNK_BRANCHES

__all__ = ["TEMPLATE", "CandidateFeatures", "Naming", "name_candidates"]

TRUNK_LENGTH_ERROR_MM = 0.8
"""Scale (logistic) of the error of a measured trunk length on atria with a known truth."""

DISAGREEMENT_SHARE = 0.25
"""By so much of the difference between its two lengths that error is larger."""

LABELLED_TRUNK_CONFIDENCE = 0.5
"""A vein that is a branch of a common trunk by what a label says of some other branch."""

CUT_TRUNK_CONFIDENCE = 0.5
"""A trunk none of whose branches shows an ostium: they may be two veins cut before theirs."""


@dataclass(frozen=True, slots=True, eq=False)
class Naming:
    """The roles found.

    Attributes
    ----------
    roles : mapping of str to int
        Role to index of the candidate.
    confidence : mapping of str to float
    runner_up : mapping of str to str
        The next best role of the same candidate (``NO_VEIN`` for none).
    rotation : Rotation
        From the template to this atrium.
    other_frame : OtherFrame
        Of all others, that which fits best.
    contradicted : mapping of str to str
        The other name that label or place has for a vein about which the two disagree.
    """

    roles: Mapping[str, int]
    confidence: Mapping[str, float]
    runner_up: Mapping[str, str]
    rotation: Rotation
    other_frame: OtherFrame
    contradicted: Mapping[str, str] = field(default_factory=dict)


ORDER_CONFIDENCE = 0.5
"""Two veins of a side of which the higher is the one farther back: each may be either. Superior
veins point forward and up, inferior ones backward and down (Ho et al., Heart 1999, from memory)."""

BRANCH_OF = "a branch of "
OF_SOME_TRUNK = f"{BRANCH_OF}a common trunk"
"""What else a branch may be, where no other name is more telling."""

NO_VEIN = "no vein"
"""What a branch is that may have no name at all."""

LEAST_VEINS_ELSEWHERE = 2
"""An input without veins as it lies is blamed on its frame where another shows so many."""


def name_candidates(
    candidates: Sequence[CandidateFeatures],
    common_trunk_mm: float,
    stated: StatedFrame | None = None,
) -> Naming:
    """Assign roles to candidates.

    Parameters
    ----------
    candidates : sequence of CandidateFeatures
        Single branches and trunks; a trunk excludes its branches.
    common_trunk_mm : float
        From this shared length on a trunk is a vein of its own.
    stated : StatedFrame, optional
        What is said of the input's frame; a mesh in LPS where None.

    Returns
    -------
    Naming

    Raises
    ------
    InputError
        No vein was found, or the anatomy contradicts the stated frame.
    """
    stated = stated or StatedFrame()
    selections = selections_of(candidates, common_trunk_mm)
    misfits = Misfits.of(candidates, common_trunk_mm)
    about = Rotation.identity()
    upright = best_fit(selections, misfits, about)
    rivals = _rivals(selections, misfits, upright)
    cheapest = min((upright, *rivals.values()), key=lambda fit: fit.cost)
    if APPENDAGE in cheapest.roles.keys() - upright.roles.keys():
        # What was given a vein's name for want of one is the appendage after all.
        upright = cheapest
        rivals = _rivals(selections, misfits, upright)
    veins = [r for r in upright.roles if r not in (APPENDAGE, MITRAL)]

    def misfit_in(axes: Axes, refine: bool) -> float:
        if axes == STATED and refine:
            return upright.cost
        return best_fit(selections, misfits.seen_in(axes), about, refine=refine).cost

    other = best_other_frame(misfit_in, stated)
    there = best_fit(selections, misfits.seen_in(other.axes), about)
    elsewhere = [r for r in there.roles if r not in (APPENDAGE, MITRAL)]
    # What shows hardly a vein in any frame is no atrium, whatever the frame.
    blank = not veins and len(elsewhere) < LEAST_VEINS_ELSEWHERE
    if other.is_refused and not blank and not stated.trusted:
        raise InputError(other.refusal(stated))
    if not veins and not blank and other.is_doubted and not stated.trusted:
        # A mirrored heart whose labels name the sides.
        raise InputError(other.refusal(stated))
    if not veins:
        raise InputError(
            "no pulmonary vein was found: no branch of the surface looks like one; check that "
            "the veins were not cut off at the wall and that the label includes them"
        )
    confidence = {role: _certainty(fit.cost - upright.cost) for role, fit in rivals.items()}
    runner_up = {
        role: _instead(candidates, fit.roles, upright.roles[role]) for role, fit in rivals.items()
    }
    roles = dict(upright.roles)
    for role, index, saved in sought_veins(upright, misfits):
        roles[role], confidence[role], runner_up[role] = index, _certainty(saved), NO_VEIN
    doubts = (
        *_length_doubts(candidates, roles, common_trunk_mm),
        *_cut_doubts(candidates, roles),
        *_label_doubts(candidates, roles),
        *_order_doubts(candidates, roles),
    )
    for role, bound, instead in doubts:
        if bound < confidence[role]:
            confidence[role] = bound
            if not (instead == OF_SOME_TRUNK and runner_up[role].startswith(BRANCH_OF)):
                runner_up[role] = instead
    disagreed = contradicted(candidates, selections, upright, common_trunk_mm)
    for role, instead in disagreed.items():
        confidence[role] = min(confidence[role], CONTRADICTED_CONFIDENCE)
        runner_up[role] = instead
    confidence = {role: min(sure, other.most_confidence) for role, sure in confidence.items()}
    return Naming(roles, confidence, runner_up, upright.rotation, other, disagreed)


def _rivals(selections: Sequence[Selection], misfits: Misfits, best: Fit) -> dict[str, Fit]:
    """Return by role the best fit in which its candidate has another.

    The template is turned as now, or anew: where all veins of a side move up by a place, the
    template turned to the one set fits the other badly.
    """
    rivals: dict[str, Fit] = {}
    for role, index in best.roles.items():
        forbidden = [(index, role)]
        as_now = best_fit(selections, misfits, best.rotation, forbidden, refine=False)
        anew = best_fit(selections, misfits, Rotation.identity(), forbidden)
        rivals[role] = min(as_now, anew, key=lambda fit: fit.cost)
    return rivals


def _certainty(gap: float) -> float:
    """Return how sure a name is whose best rival costs more by so much."""
    return float(1.0 / (1.0 + np.exp(-np.clip(gap, -30, 30))))


def _instead(candidates: Sequence[CandidateFeatures], roles: Mapping[str, int], index: int) -> str:
    """Return what a candidate is under other roles: a role, part of one, or no vein."""
    for role, taken in roles.items():
        if taken == index:
            return role
        if set(candidates[index].members) < set(candidates[taken].members):
            return f"{BRANCH_OF}{role}"
    return NO_VEIN


def _length_doubts(
    candidates: Sequence[CandidateFeatures], roles: Mapping[str, int], common_trunk_mm: float
) -> list[tuple[str, float, str]]:
    """Confidence that a trunk's length leaves to each role it concerns, and what else it may be.

    A trunk a little longer than the least that makes it common may as well be a
    little shorter; then its branches would be veins of their own. The less its
    carina and its branches' ostia agree on its length, the wider is that limit.
    """
    doubts: list[tuple[str, float, str]] = []
    for index, candidate in enumerate(candidates):
        antrum = antrum_share(candidate)
        if candidate.shared_mm is None or antrum >= 1.0:
            continue
        apart = candidate.shared_mm - candidate.common_length_mm
        error = TRUNK_LENGTH_ERROR_MM + DISAGREEMENT_SHARE * apart
        excess = (candidate.common_length_mm - common_trunk_mm) / error
        common = float(1.0 / (1.0 + np.exp(-np.clip(excess, -30, 30))))
        for role, taken in roles.items():
            if taken == index and role in COMMON_ROLES:
                doubts.append((role, common, "two veins"))
            elif (
                taken != index
                and set(candidates[taken].members) < set(candidate.members)
                and candidates[taken].hint != role
            ):
                doubts.append((role, 1.0 - (1.0 - antrum) * common, OF_SOME_TRUNK))
    return doubts


def _cut_doubts(
    candidates: Sequence[CandidateFeatures], roles: Mapping[str, int]
) -> list[tuple[str, float, str]]:
    """Confidence left to a common trunk whose branches are too short to show an ostium."""
    single = {
        candidate.members[0]: candidate for candidate in candidates if len(candidate.members) == 1
    }
    return [
        (role, CUT_TRUNK_CONFIDENCE, "two veins cut before their ostia")
        for role, index in roles.items()
        if role in COMMON_ROLES
        and len(candidates[index].members) > 1
        and not any(single[m].has_ostium for m in candidates[index].members if m in single)
    ]


def _label_doubts(
    candidates: Sequence[CandidateFeatures], roles: Mapping[str, int]
) -> list[tuple[str, float, str]]:
    """Confidence left to the branches of a trunk that a label names and that was not found."""
    told = {candidate.hint for candidate in candidates} - set(roles)
    return [
        (branch, LABELLED_TRUNK_CONFIDENCE, f"{BRANCH_OF}{trunk}")
        for trunk in COMMON_ROLES
        if trunk in told
        for branch in TRUNK_BRANCHES[trunk]
        if branch in roles
    ]


def _order_doubts(
    candidates: Sequence[CandidateFeatures], roles: Mapping[str, int]
) -> list[tuple[str, float, str]]:
    """Confidence left to two veins of a side that lie otherwise than such veins do."""
    doubts: list[tuple[str, float, str]] = []
    for upper, lower in (("LSPV", "LIPV"), ("RSPV", "RIPV")):
        if upper not in roles or lower not in roles:
            continue
        first, second = candidates[roles[upper]], candidates[roles[lower]]
        if first.hint == upper or second.hint == lower:
            continue
        _, backward, upward = first.place - second.place
        if upward < 0.0 or backward > 0.0:
            doubts += [(upper, ORDER_CONFIDENCE, lower), (lower, ORDER_CONFIDENCE, upper)]
    return doubts
