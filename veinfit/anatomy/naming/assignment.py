"""Giving roles to candidates with the least misfit, the template turned as hearts are.

The candidates are assigned to each usual set of veins by the Hungarian method; what a pair of roles
says of each other, such as that the appendage lies in front of the left veins, is weighed after it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial.transform import Rotation
from scipy.special import ndtr

from veinfit.anatomy.naming.antrum import antrum_share
from veinfit.anatomy.naming.features import CandidateFeatures
from veinfit.anatomy.naming.roles import (
    OPTIONAL_ROLES,
    PLACE_SPREADS_DEG,
    ROLE_PLACES,
    ROLES,
    SEVERAL_VEINS,
    Misfits,
)
from veinfit.vectors import FloatArray
from veinfit.vein_names import APPENDAGE, MIDDLE_VEINS, MITRAL

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
"""Cost of a vein of the set that no candidate takes: it may be cut off, but seldom is ..."""

SOUGHT_SAVES = 3.0
"""... and half of it counts when roles are given: an appendage is no vein for want of one."""

MISSING_APPENDAGE_COST = 3.0
"""Cost of there being no appendage: it may be cut off, but where the left veins are so named that
it is missing, it may be one of them."""

LONE_MIDDLE_COST = 6.0
"""Cost of a right middle vein that has no superior or no inferior one beside it."""

SPLIT_TRUNK_COST = 8.0
"""Cost of naming the branches of a trunk that is surely long enough to be common by definition."""

FAR_MM = 20.0
"""A vein whose first branch is surely farther out than this is one vein: no set of names takes its
branches for veins. A tree of branches has more such sets than can be weighed."""

LEAST_LENGTH_SD_MM = 0.8
"""The length of a trunk is known no better than this, nor than its ostium, whose bound is taken as
two standard deviations."""

UNLIKE_VEINS = (APPENDAGE, MITRAL)
LEFT_SUPERIOR = ("LSPV", "LCPV")
LEAST_IN_FRONT = 0.25
IN_FRONT_SPREAD = 0.2
"""The appendage lies in front of the left veins, beyond the ridge between them, by this much or
more, as seen from the body's centre on a ball of radius 1; what is lacking has this spread ..."""

MOST_BEHIND_COST = 8.0
"""... and costs no more than this."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Roles given to some candidates.

    Attributes
    ----------
    roles : dict of str to int
    cost : float
    rotation : Rotation
        Of the template.
    chosen : tuple of int
        The candidates that could take a role.
    missing : tuple of str
        Veins of the set that none took.
    behind_cost : float
        What the appendage's lying behind a left vein adds to the cost.
    """

    roles: dict[str, int]
    cost: float
    rotation: Rotation
    chosen: tuple[int, ...]
    missing: tuple[str, ...]
    behind_cost: float = 0.0


Selection = tuple[tuple[int, ...], float]
"""Candidates that do not overlap, and what leaving long trunks out costs."""


def best_fit(
    selections: Sequence[Selection],
    misfits: Misfits,
    about: Rotation,
    forbidden: Sequence[tuple[int, str]] = (),
    refine: bool = True,
) -> Fit:
    """Return the least-cost assignment with the template near the rotation ``about``."""
    best: Fit | None = None
    upright = misfits.turned(about)
    for chosen, split_cost in selections:
        blind = misfits.blind_among(chosen)
        for base, rarity in ROLE_SETS:
            assign = partial(_of_set, misfits, upright, chosen, blind, base, about, refine)
            fit = assign(forbidden)
            least = fit.cost - fit.behind_cost + rarity + split_cost
            # The many frames that are only looked at do without: they are high by this at most.
            looked_into = (refine or forbidden) and (best is None or least < best.cost)
            if fit.behind_cost > 0.0 and looked_into:
                others = [
                    assign((*forbidden, (fit.roles[role], role)))
                    for role in (APPENDAGE, *LEFT_SUPERIOR)
                    if role in fit.roles
                ]
                fit = min(fit, *others, key=lambda f: f.cost)
            fit = replace(fit, cost=fit.cost + rarity + split_cost)
            if best is None or fit.cost < best.cost:
                best = fit
    assert best is not None
    return best


def _of_set(
    misfits: Misfits,
    upright: FloatArray,
    chosen: tuple[int, ...],
    blind: FloatArray,
    base: Sequence[str],
    about: Rotation,
    refine: bool,
    forbidden: Sequence[tuple[int, str]],
) -> Fit:
    """Assign the veins of one set, a lone middle vein only at its cost; parameters as below."""
    assign = partial(_assign, misfits, upright, chosen, blind, base, about, refine, forbidden)
    fit = assign()
    if not _has_lone_middle(fit.roles, base):
        return fit
    held = replace(fit, cost=fit.cost + LONE_MIDDLE_COST)
    return min(held, assign(MIDDLE_VEINS), key=lambda f: f.cost)


def sought_veins(fit: Fit, misfits: Misfits) -> list[tuple[str, int, float]]:
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


def selections_of(
    candidates: Sequence[CandidateFeatures], common_trunk_mm: float
) -> list[Selection]:
    """Return sets of candidates that do not overlap: each trunk whole, or its branches."""
    singles = [k for k, c in enumerate(candidates) if len(c.members) == 1]
    trunks = [k for k, c in enumerate(candidates) if len(c.members) > 1]
    far = [set(candidates[k].members) for k in trunks if _branches_far_out(candidates[k])]
    trunks = [k for k in trunks if not any(set(candidates[k].members) < one for one in far)]
    selections: list[Selection] = []
    for whole in sorted(_apart(candidates, trunks), key=lambda w: (len(w), w)):
        if any(not any(one <= set(candidates[k].members) for k in whole) for one in far):
            continue
        taken = {m for k in whole for m in candidates[k].members}
        chosen = list(whole) + [k for k in singles if candidates[k].members[0] not in taken]
        split = sum(
            (1.0 - antrum_share(candidates[k])) * _long_chance(candidates[k], common_trunk_mm)
            for k in trunks
            if k not in whole
            and candidates[k].hint != SEVERAL_VEINS
            and candidates[k].common_length_mm >= common_trunk_mm
            and not any(set(candidates[k].members) < set(candidates[j].members) for j in whole)
        )
        selections.append((tuple(chosen), SPLIT_TRUNK_COST * split))
    return selections


def _apart(candidates: Sequence[CandidateFeatures], trunks: Sequence[int]) -> list[tuple[int, ...]]:
    """Return every set of trunks that share no branch, the empty one too."""
    sets: list[tuple[int, ...]] = [()]
    for k in trunks:
        own = set(candidates[k].members)
        sets += [
            (*one, k) for one in sets if not any(own & set(candidates[j].members) for j in one)
        ]
    return sets


def _branches_far_out(trunk: CandidateFeatures) -> bool:
    surely_mm = trunk.common_length_mm - trunk.ostium_error_mm
    return surely_mm >= FAR_MM and trunk.hint != SEVERAL_VEINS and antrum_share(trunk) == 0.0


def _long_chance(trunk: CandidateFeatures, common_trunk_mm: float) -> float:
    """How likely a trunk is as long as one that is common, its ostium being uncertain."""
    deviation = max(0.5 * trunk.ostium_error_mm, LEAST_LENGTH_SD_MM)
    return float(ndtr((trunk.common_length_mm - common_trunk_mm) / deviation))


def _assign(
    misfits: Misfits,
    upright: FloatArray,
    chosen: tuple[int, ...],
    blind: FloatArray,
    base: Sequence[str],
    about: Rotation,
    refine: bool,
    forbidden: Sequence[tuple[int, str]] = (),
    without: Collection[str] = (),
) -> Fit:
    """Assign by the Hungarian method, turning the template to fit, until it settles.

    ``upright`` (C, R) are the costs with the template turned as ``about``, ``blind`` (K, R)
    what the ``chosen`` cost for being blind. Nothing is given a role in ``without``.
    """
    roles = [*base, *(r for r, _ in OPTIONAL_ROLES if r not in without), *UNLIKE_VEINS]
    columns = [ROLES.index(role) for role in roles]
    at = np.ix_(chosen, columns)
    nothing = 1e3 * (1 - np.eye(len(chosen))) + np.diag(misfits.nothing[list(chosen)])
    rotation, tilt, costs = about, 0.0, upright
    result: Fit | None = None
    before: dict[str, int] | None = None
    for _ in range(4 if refine else 1):
        cost = costs[at] + blind[:, columns]
        for index, role in forbidden:
            if index in chosen and role in roles:
                cost[chosen.index(index), roles.index(role)] = 1e3
        full = np.concatenate([cost, nothing], axis=1)
        sought = full.copy()
        sought[:, : len(base)] -= SOUGHT_SAVES
        rows, cols = linear_sum_assignment(sought)
        taken_up = cols < len(roles) - len(UNLIKE_VEINS)
        if not (full[rows, cols] < full[rows, len(roles) + rows])[taken_up].any():
            # What looks little like a vein is one only beside what looks like one.
            rows, cols = linear_sum_assignment(full)
        taken = {roles[c]: chosen[r] for r, c in zip(rows, cols, strict=True) if c < len(roles)}
        missing = tuple(role for role in base if role not in taken)
        total = float(full[rows, cols].sum()) + MISSING_COST * len(missing)
        total += MISSING_APPENDAGE_COST * (APPENDAGE not in taken)
        behind = _behind(misfits.places, taken, rotation)
        total += 0.5 * (tilt / TILT_SPREAD_DEG) ** 2 + behind
        if result is None or total < result.cost - 1e-9:
            result = Fit(taken, total, rotation, chosen, missing, behind)
        elif refine:
            break
        if not refine or taken == before:
            break  # The same roles turn the template alike.
        before = taken
        rotation = _turn(misfits.places, taken, about)
        tilt = float(np.degrees((rotation * about.inv()).magnitude()))
        costs = misfits.turned(rotation)
    assert result is not None
    return result


def _behind(places: FloatArray, roles: Mapping[str, int], rotation: Rotation) -> float:
    """Return what speaks against roles in which the appendage lies behind a left vein.

    ``places`` (C, 3) are where the candidates lie, ``rotation`` turns the template to them.
    """
    if APPENDAGE not in roles:
        return 0.0
    ahead = -places @ rotation.as_matrix()[:, 1]  # to the front of the template
    before = [ahead[roles[APPENDAGE]] - ahead[roles[r]] for r in LEFT_SUPERIOR if r in roles]
    if not before:
        return 0.0
    lacking = max(LEAST_IN_FRONT - min(before), 0.0) / IN_FRONT_SPREAD
    return min(0.5 * lacking**2, MOST_BEHIND_COST)


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
