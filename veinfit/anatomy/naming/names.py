"""Which candidate is which vein, the appendage, the mitral side, or nothing.

Every role has a place and a direction in a template of the left atrium. The
template may turn a little, as hearts do; the assignment of candidates to roles
with the least misfit wins, over all usual sets of veins. The confidence of a
name comes from how much worse the best assignment without it is. The frame is
checked the same way: if the template fits better in another, the stated one is
wrong.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial.transform import Rotation

from veinfit.anatomy.naming.frame_check import (
    STATED,
    Axes,
    OtherFrame,
    StatedFrame,
    best_other_frame,
)
from veinfit.anatomy.naming.roles import (
    COMMON_ROLES,
    OPTIONAL_ROLES,
    PLACE_SPREADS_DEG,
    ROLE_PLACES,
    ROLES,
    TEMPLATE,
    CandidateFeatures,
    Misfits,
    antrum_share,
)
from veinfit.errors import InputError
from veinfit.vectors import FloatArray
from veinfit.vein_names import APPENDAGE, MIDDLE_VEINS, MITRAL

__all__ = ["TEMPLATE", "CandidateFeatures", "Naming", "name_candidates"]

TILT_SPREAD_DEG = 18.0
"""Standard deviation of the whole heart's rotation against the patient."""

ROLE_SETS: tuple[tuple[tuple[str, ...], float], ...] = (
    (("LSPV", "LIPV", "RSPV", "RIPV"), 0.0),
    (("LCPV", "RSPV", "RIPV"), 2.5),
    (("LSPV", "LIPV", "RCPV"), 5.0),
    (("LCPV", "RCPV"), 7.0),
    (("LSPV", "RSPV", "ICPV"), 4.6),
)
"""Usual sets of veins and minus the log of how rare they are against four veins.

Prevalences: left common trunk 6.5 to 10 %, right 0.5 % (Cronin et al., Acad
Radiol 2007; Thorning et al., Clin Imaging 2011), inferior about 1 % (from memory).
"""

MISSING_COST = 6.0
"""Cost of a vein of the set that no candidate takes: it may be cut off, but seldom is."""


LONE_MIDDLE_COST = 6.0
"""Cost of a right middle vein that has no superior or no inferior one beside it."""

SPLIT_TRUNK_COST = 10.0
"""Cost of naming the branches of a trunk long enough to be common by definition."""

TRUNK_LENGTH_ERROR_MM = 0.8
"""Scale (logistic) of the error of a measured trunk length on atria with a known truth."""

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
        The next best role of the same candidate (``nothing`` for none).
    rotation : Rotation
        From the template to this atrium.
    other_frame : OtherFrame
        Of all others, that which fits best.
    """

    roles: Mapping[str, int]
    confidence: Mapping[str, float]
    runner_up: Mapping[str, str]
    rotation: Rotation
    other_frame: OtherFrame


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
    selections = _selections(candidates, common_trunk_mm)
    misfits = Misfits.of(candidates, common_trunk_mm)
    about = Rotation.identity()
    upright = _best(selections, misfits, about)
    veins = [r for r in upright.roles if r not in (APPENDAGE, MITRAL)]

    def misfit_in(axes: Axes, refine: bool) -> float:
        if axes == STATED and refine:
            return upright.cost
        return _best(selections, misfits.seen_in(axes), about, refine=refine).cost

    other = best_other_frame(misfit_in, stated)
    there = _best(selections, misfits.seen_in(other.axes), about)
    veins_there = [r for r in there.roles if r not in (APPENDAGE, MITRAL)]
    # What shows hardly a vein in any frame is no atrium, whatever the frame.
    blank = not veins and len(veins_there) < LEAST_VEINS_ELSEWHERE
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
    confidence: dict[str, float] = {}
    runner_up: dict[str, str] = {}
    for role, index in upright.roles.items():
        rival = _best(selections, misfits, upright.rotation, forbidden=(index, role), refine=False)
        confidence[role] = _certainty(rival.cost - upright.cost)
        runner_up[role] = _instead(candidates, rival.roles, index)
    roles = dict(upright.roles)
    for role, index, saved in _sought(upright, misfits):
        roles[role], confidence[role], runner_up[role] = index, _certainty(saved), "nothing"
    doubts = (
        *_length_doubts(candidates, roles, common_trunk_mm),
        *_cut_doubts(candidates, roles),
    )
    for role, bound, instead in doubts:
        if bound < confidence[role]:
            confidence[role], runner_up[role] = bound, instead
    confidence = {role: min(sure, other.most_confidence) for role, sure in confidence.items()}
    return Naming(roles, confidence, runner_up, upright.rotation, other)


def _certainty(gap: float) -> float:
    """Return how sure a name is whose best rival costs more by so much."""
    return float(1.0 / (1.0 + np.exp(-np.clip(gap, -30, 30))))


def _instead(candidates: Sequence[CandidateFeatures], roles: Mapping[str, int], index: int) -> str:
    """Return what a candidate is under other roles: a role, part of one, or nothing."""
    for role, taken in roles.items():
        if taken == index:
            return role
        if set(candidates[index].members) < set(candidates[taken].members):
            return f"a branch of {role}"
    return "nothing"


def _length_doubts(
    candidates: Sequence[CandidateFeatures], roles: Mapping[str, int], common_trunk_mm: float
) -> list[tuple[str, float, str]]:
    """Confidence that a trunk's length leaves to each role it concerns, and what else it may be.

    A trunk a little longer than the least that makes it common may as well be a
    little shorter; then its branches would be veins of their own.
    """
    doubts: list[tuple[str, float, str]] = []
    for index, candidate in enumerate(candidates):
        if candidate.shared_mm is None or antrum_share(candidate) > 0.0:
            continue
        excess = (candidate.shared_mm - common_trunk_mm) / TRUNK_LENGTH_ERROR_MM
        common = float(1.0 / (1.0 + np.exp(-np.clip(excess, -30, 30))))
        for role, taken in roles.items():
            if taken == index and role in COMMON_ROLES:
                doubts.append((role, common, "two veins"))
            elif (
                taken != index
                and set(candidates[taken].members) < set(candidate.members)
                and candidates[taken].hint != role
            ):
                doubts.append((role, 1.0 - common, "a branch of a common trunk"))
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


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Roles given to some of the ``chosen``; ``missing`` are those of the set that none took."""

    roles: dict[str, int]
    cost: float
    rotation: Rotation
    chosen: tuple[int, ...]
    missing: tuple[str, ...]


_Selection = tuple[tuple[int, ...], float]
"""Candidates that do not overlap, and what leaving long trunks out costs."""


def _best(
    selections: Sequence[_Selection],
    misfits: Misfits,
    about: Rotation,
    forbidden: tuple[int, str] | None = None,
    refine: bool = True,
) -> _Fit:
    """Return the least-cost assignment with the template near the rotation ``about``."""
    best: _Fit | None = None
    upright = misfits.turned(about)
    for chosen, split_cost in selections:
        blind = misfits.blind_among(chosen)
        for base, rarity in ROLE_SETS:
            assign = partial(
                _assign, misfits, upright, chosen, blind, base, about, forbidden, refine
            )
            fit = assign()
            if _has_lone_middle(fit.roles, base):
                held, other = replace(fit, cost=fit.cost + LONE_MIDDLE_COST), assign(MIDDLE_VEINS)
                fit = min(held, other, key=lambda f: f.cost)
            fit = replace(fit, cost=fit.cost + rarity + split_cost)
            if best is None or fit.cost < best.cost:
                best = fit
    assert best is not None
    return best


def _sought(fit: _Fit, misfits: Misfits) -> list[tuple[str, int, float]]:
    """Return what looks little like a vein and yet is one, as a vein of the set is missing.

    Each is a role, the candidate that was nothing so far, and what the naming then costs less.
    Whatever has a role keeps it: an appendage is no vein because one is missing.
    """
    left = [k for k, c in enumerate(fit.chosen) if c not in fit.roles.values()]
    columns = [ROLES.index(role) for role in fit.missing]
    unused = [fit.chosen[k] for k in left]
    blind = misfits.blind_among(fit.chosen)[np.ix_(left, columns)]
    cost = misfits.turned(fit.rotation)[np.ix_(unused, columns)] + blind
    saved = np.maximum(misfits.nothing[unused, None] + MISSING_COST - cost, 0.0)
    rows, cols = linear_sum_assignment(-saved)
    return [
        (fit.missing[c], unused[r], float(saved[r, c]))
        for r, c in zip(rows, cols, strict=True)
        if saved[r, c] > 0.0
    ]


def _has_lone_middle(roles: Collection[str], base: Sequence[str]) -> bool:
    """Whether a right middle vein was named without the ones that it lies between."""
    missing = any(role in base and role not in roles for role in ("RSPV", "RIPV"))
    return missing and any(role in roles for role in MIDDLE_VEINS)


def _selections(
    candidates: Sequence[CandidateFeatures], common_trunk_mm: float
) -> list[_Selection]:
    """Return sets of candidates that do not overlap: each trunk whole, or its branches."""
    singles = [k for k, c in enumerate(candidates) if len(c.members) == 1]
    trunks = [k for k, c in enumerate(candidates) if len(c.members) > 1]
    selections: list[_Selection] = []
    for count in range(len(trunks) + 1):
        for whole in itertools.combinations(trunks, count):
            taken = [m for k in whole for m in candidates[k].members]
            if len(taken) != len(set(taken)):
                continue
            chosen = list(whole) + [
                k for k in singles if candidates[k].members[0] not in set(taken)
            ]
            split = sum(
                1.0 - antrum_share(candidates[k])
                for k in trunks
                if k not in whole
                and (candidates[k].shared_mm or 0.0) >= common_trunk_mm
                and not any(set(candidates[k].members) < set(candidates[j].members) for j in whole)
            )
            selections.append((tuple(chosen), SPLIT_TRUNK_COST * split))
    return selections


def _assign(
    misfits: Misfits,
    upright: FloatArray,
    chosen: tuple[int, ...],
    blind: FloatArray,
    base: Sequence[str],
    about: Rotation,
    forbidden: tuple[int, str] | None,
    refine: bool,
    without: Collection[str] = (),
) -> _Fit:
    """Assign by the Hungarian method, turning the template to fit, until it settles.

    ``upright`` (C, R) are the costs with the template turned as ``about``, ``blind`` (K, R)
    what the ``chosen`` cost for being blind. Nothing is given a role in ``without``.
    """
    roles = [*base, *(r for r, _ in OPTIONAL_ROLES if r not in without), APPENDAGE, MITRAL]
    columns = [ROLES.index(role) for role in roles]
    at = np.ix_(chosen, columns)
    nothing = 1e3 * (1 - np.eye(len(chosen))) + np.diag(misfits.nothing[list(chosen)])
    rotation, tilt, costs = about, 0.0, upright
    result: _Fit | None = None
    for _ in range(4 if refine else 1):
        cost = costs[at] + blind[:, columns]
        if forbidden is not None and forbidden[0] in chosen and forbidden[1] in roles:
            cost[chosen.index(forbidden[0]), roles.index(forbidden[1])] = 1e3
        full = np.concatenate([cost, nothing], axis=1)
        rows, cols = linear_sum_assignment(full)
        taken = {roles[c]: chosen[r] for r, c in zip(rows, cols, strict=True) if c < len(roles)}
        missing = tuple(role for role in base if role not in taken)
        total = float(full[rows, cols].sum()) + MISSING_COST * len(missing)
        total += 0.5 * (tilt / TILT_SPREAD_DEG) ** 2
        if result is None or total < result.cost - 1e-9:
            result = _Fit(taken, total, rotation, chosen, missing)
        elif refine:
            break
        if refine:
            rotation = _turn(misfits.places, taken, about)
            tilt = float(np.degrees((rotation * about.inv()).magnitude()))
            costs = misfits.turned(rotation)
    assert result is not None
    return result


def _turn(places: FloatArray, roles: Mapping[str, int], about: Rotation) -> Rotation:
    """Turn the template to the roles taken, held near ``about`` by the tilt's spread.

    ``places`` (C, 3) are where the candidates lie.
    """
    columns = [ROLES.index(role) for role in roles]
    rotation, _ = Rotation.align_vectors(
        np.concatenate([places[list(roles.values())], about.as_matrix().T]),
        np.concatenate([ROLE_PLACES[columns], np.eye(3)]),
        weights=np.r_[1.0 / PLACE_SPREADS_DEG[columns] ** 2, np.full(3, 0.5 / TILT_SPREAD_DEG**2)],
    )
    return rotation
