"""What a candidate costs in each role: its distance from the template, and what speaks against it.

The roles are the veins, the appendage and the mitral side. Costs are log odds; those that
depend on the turn of the template are reckoned for all candidates and roles at once, as the
naming asks for them some hundred times a case.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import log_ndtr

from veinfit.anatomy.naming.antrum import antrum_share
from veinfit.anatomy.naming.diameters import FIRST_BRANCHES, USUAL_DIAMETERS
from veinfit.anatomy.naming.features import CandidateFeatures, share_of
from veinfit.anatomy.naming.frame_check import Axes, seen_in
from veinfit.vectors import BoolArray, FloatArray, cross, unit
from veinfit.vein_names import APPENDAGE, MITRAL, TRUNK_BRANCHES

SOME_VEIN = "some vein"
"""The hint of a label that holds all veins."""

SEVERAL_VEINS = "several veins"
"""The hint of a common part whose branches have labels of their own, while it has none."""

TEMPLATE: Mapping[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "LSPV": ((0.76, -0.12, 0.60), (0.78, -0.28, 0.55)),
    "LIPV": ((0.83, 0.45, 0.10), (0.75, 0.62, -0.10)),
    "LCPV": ((0.87, 0.20, 0.38), (0.88, 0.20, 0.25)),
    "RSPV": ((-0.78, -0.05, 0.55), (-0.78, -0.25, 0.55)),
    "RIPV": ((-0.75, 0.60, -0.05), (-0.70, 0.68, -0.15)),
    "RMPV": ((-0.92, 0.20, 0.28), (-0.95, 0.05, 0.10)),
    "RMPV-2": ((-0.90, 0.32, 0.15), (-0.92, 0.25, 0.00)),
    "RCPV": ((-0.88, 0.28, 0.28), (-0.88, 0.28, 0.20)),
    "ICPV": ((0.05, 0.85, -0.20), (0.05, 0.90, -0.30)),
    "extra-1": ((0.00, 0.30, 0.95), (0.00, 0.20, 0.97)),
    APPENDAGE: ((0.62, -0.66, 0.35), (0.50, -0.80, 0.30)),
    MITRAL: ((0.38, -0.45, -0.80), (0.35, -0.50, -0.78)),
}
"""Place (from the body's centre) and direction (out of it) of each role, LPS.

The signs are those of published anatomy: superior veins point forward and up,
inferior veins backward and down, the left ones lie higher (Ho et al., Heart
1999, from memory); the magnitudes are this project's, checked on atria that it
did not make.
"""

PLACE_SPREAD_DEG = 18.0
"""Standard deviation of a vein's place about the template."""

DIRECTION_SPREAD_DEG = 30.0
"""Standard deviation of a vein's direction about the template."""

APPENDAGE_SPREAD_DEG = 28.0
"""The appendage and the mitral side vary more in place."""

COMMON_ROLES = tuple(TRUNK_BRANCHES)
"""Roles of trunks of several branches; a left one whose branches were cut off shows none."""

OPTIONAL_ROLES: tuple[tuple[str, float], ...] = (("RMPV", 2.1), ("RMPV-2", 4.0), ("extra-1", 3.2))
"""Veins beyond the set and their cost: right middle 11 to 13 %, roof 4 % (same sources)."""

MOST_DEVIATIONS = 2.0
"""A diameter counts for no more standard deviations than this: whole atria are small or large."""

EARLY_BRANCH_MM = 5.0
"""All branches nearer to the ostium than this are as rare as one that is so near."""

NOTHING_COST = 5.0
"""Cost of calling a blind candidate a bulge of the wall."""

BULGE_NOTHING_COST = 3.0
"""Cost of calling nothing what reaches hardly past the wall ..."""

BULGE_VEINS = ("LSPV", "LIPV", "RSPV", "RIPV")
BULGE_COST = 12.0
"""... and of its being anything but one of these."""

OPEN_NOTHING_COST = 14.0
"""Cost of calling a cut tube nothing: somebody cut it for a reason."""

ANTRUM_COST = 10.0
"""Cost of naming a shared antrum a common trunk."""

BLIND_VEIN_COST = 6.0
"""Cost of a blind branch being a vein where other veins are cut open."""

SLENDER = 2.0
"""A tube this many times longer than wide is no bulge, and a vein even when its end is closed."""

SLENDER_RANGE = (0.5, 1.5)
"""Where all ends are closed, a branch with an ostium is a bulge the less the longer it is: as many
times as wide as the first, it may be one; as the second, it is none."""

SLENDER_RELIEF = 4.0
"""What a slender blind branch saves as a vein, and costs more as nothing."""

LEAST_OPEN = 2
"""Where so many others are left open, all veins are."""

OPEN_APPENDAGE_COST = 3.0
"""Cost of the appendage being cut open."""

WIDE_APPENDAGE_MM_RANGE = (26.0, 34.0)
WIDE_APPENDAGE_COST = 4.0
"""... and more of it being cut open where it is this wide: that is the mitral side."""

BLIND_MITRAL_COST = 4.0
"""Cost of the mitral side being blind where veins are cut open."""

SHAPELESS_APPENDAGE_COST = 4.0
"""Cost of the appendage being a bulge in which no tube can be followed."""

NO_OSTIUM_COST = 4.0
"""Cost of a vein without an ostium."""

TRUNK_MM_RANGE = (18.0, 25.0)
"""A single left branch as wide as the second is as good as a common trunk whose branches were cut
off, one no wider than the first is none. Left common trunks are 24 mm wide in the mean, a left
superior vein 17 mm (Cronin et al., Acad Radiol 2007)."""

NO_BRANCHES_COST = 12.0
"""Cost of a common trunk that shows no branches, and is no wider than a vein."""

WIDE_VEIN_MM_RANGE = (26.0, 32.0)
"""What branches share is seldom one vein if wider than the first, and never than the second."""

WIDE_BRANCH_MM_RANGE = (32.0, 38.0)
"""Of a single branch more is let pass: its ostium may have come out too wide."""

WIDE_BRANCH_COST = 4.0
"""Cost of a single branch that is wider: less than that of a vein that is missing."""

WIDE_VEIN_COST = 8.0
"""Cost of a vein as wide as none is."""

NARROW_MITRAL_MM = 18.0
"""A mitral opening narrower than this is none."""

HINT_COST = 9.0
"""Cost of a name that a label of the input contradicts."""


ROLES: tuple[str, ...] = tuple(TEMPLATE)
"""All roles, in the order of the columns of the costs."""

ROLE_PLACES: FloatArray = unit([place for place, _ in TEMPLATE.values()])
ROLE_DIRECTIONS: FloatArray = unit([direction for _, direction in TEMPLATE.values()])
"""(R, 3) unit vectors of the template, a role a row."""

_LOOSE: BoolArray = np.array([role in (APPENDAGE, MITRAL) for role in ROLES])
PLACE_SPREADS_DEG: FloatArray = np.where(_LOOSE, APPENDAGE_SPREAD_DEG, PLACE_SPREAD_DEG)
"""(R,) standard deviation of the place in each role."""


@dataclass(frozen=True, slots=True, eq=False)
class Misfits:
    """Costs of some candidates in every role.

    Attributes
    ----------
    places, directions : (C, 3) array
        Of the candidates.
    fixed : (C, R) array
        What speaks against a candidate in a role however the template turns.
    blind : (C, R) array
        What a candidate costs as a vein or as the mitral side where others are cut open and it is
        not; zero for an open one.
    left_open : (C,) bool array
        It ends in an opening that the input does not close: one is seen wherever there is one,
        while the edge of a closed one may be too soft to tell.
    nothing : (C,) array
        What it costs to call it nothing.
    """

    places: FloatArray
    directions: FloatArray
    fixed: FloatArray
    blind: FloatArray
    left_open: BoolArray
    nothing: FloatArray

    @classmethod
    def of(cls, candidates: Sequence[CandidateFeatures], common_trunk_mm: float) -> Misfits:
        """Reckon the costs that do not depend on the turn of the template."""
        left_open = np.array([c.is_open and not c.is_closed for c in candidates], dtype=bool)
        others_open = left_open.sum() - left_open
        return cls(
            places=np.array([c.place for c in candidates]).reshape(-1, 3),
            directions=np.array([c.direction for c in candidates]).reshape(-1, 3),
            fixed=np.array(
                [[_against(c, role, common_trunk_mm) for role in ROLES] for c in candidates]
            ).reshape(-1, len(ROLES)),
            blind=np.array([_blind_costs(c) for c in candidates]).reshape(-1, len(ROLES)),
            left_open=left_open,
            nothing=np.array(
                [_nothing_cost(c, n) for c, n in zip(candidates, others_open, strict=True)]
            ),
        )

    def seen_in(self, axes: Axes) -> Misfits:
        """Return the same candidates as they would lie in another frame."""
        return replace(
            self,
            places=seen_in(axes, self.places),
            directions=seen_in(axes, self.directions),
        )

    def turned(self, rotation: Rotation) -> FloatArray:
        """Return the (C, R) costs with the template turned: half the squared misfit, and the rest.

        Without what a blind candidate costs, which depends on the others.
        """
        place = _angles_deg(self.places, rotation.apply(ROLE_PLACES)) / PLACE_SPREADS_DEG
        direction = _angles_deg(self.directions, rotation.apply(ROLE_DIRECTIONS))
        off = np.minimum(direction / DIRECTION_SPREAD_DEG, 3.0)
        return 0.5 * place**2 + 0.5 * off**2 + self.fixed

    def blind_among(self, chosen: Sequence[int]) -> FloatArray:
        """Return the (K, R) costs of those candidates that are blind where others are open."""
        rows = list(chosen)
        others_open = self.left_open[rows].sum() - self.left_open[rows] >= LEAST_OPEN
        return self.blind[rows] * others_open[:, None]


def _blind_costs(candidate: CandidateFeatures) -> FloatArray:
    """Return the (R,) costs of a candidate where others are cut open."""
    if candidate.is_open:
        return np.zeros(len(ROLES))
    vein = BLIND_VEIN_COST - _relief(candidate)
    other = {APPENDAGE: 0.0, MITRAL: BLIND_MITRAL_COST}
    return np.array([other.get(role, vein) for role in ROLES])


def _angles_deg(vectors: FloatArray, roles: FloatArray) -> FloatArray:
    """Return the (C, R) angles between vectors (C, 3) and (R, 3), degrees."""
    sine = np.linalg.norm(cross(vectors[:, None], roles[None]), axis=-1)
    return np.degrees(np.arctan2(sine, vectors @ roles.T))


def _relief(candidate: CandidateFeatures) -> float:
    return SLENDER_RELIEF if candidate.slenderness >= SLENDER else 0.0


def _cut_branches_cost(candidate: CandidateFeatures) -> float:
    return OPEN_NOTHING_COST * candidate.cut_members * (len(candidate.members) > 1)


def _nothing_cost(candidate: CandidateFeatures, others_open: int) -> float:
    # What a label of its own contradicts in every name may be nothing: so a mirrored volume shows.
    told = candidate.is_closed and candidate.hint
    if candidate.is_bulge:
        return BULGE_NOTHING_COST
    if len(candidate.members) > 1:
        return max(_cut_branches_cost(candidate), NOTHING_COST + _relief(candidate))
    if candidate.is_open and not told:
        return OPEN_NOTHING_COST
    relief = _relief(candidate)
    if candidate.has_ostium and others_open < LEAST_OPEN:
        relief = SLENDER_RELIEF * share_of(SLENDER_RANGE, candidate.slenderness)
    return NOTHING_COST + relief


def _allows(hint: str, role: str) -> bool:
    """Whether what a label says of a candidate goes with a role."""
    return role not in (APPENDAGE, MITRAL) if hint == SOME_VEIN else role == hint


def _unusual_size(candidate: CandidateFeatures, role: str) -> float:
    """Return what the diameter and the nearness of the first branch say against a vein's role."""
    if not candidate.has_ostium:
        return NO_OSTIUM_COST
    mean, deviation = USUAL_DIAMETERS[role]
    off = min(abs(candidate.diameter_mm - mean) / deviation, MOST_DEVIATIONS)
    cost = 0.5 * off**2
    if candidate.shared_mm is not None and role in FIRST_BRANCHES:
        mean, deviation = FIRST_BRANCHES[role]
        cost -= float(log_ndtr((max(candidate.shared_mm, EARLY_BRANCH_MM) - mean) / deviation))
    return cost


def _unbranched_cost(candidate: CandidateFeatures, role: str) -> float:
    """Return what speaks against a single branch being a common trunk."""
    if role != "LCPV":
        return NO_BRANCHES_COST
    low, high = TRUNK_MM_RANGE
    return NO_BRANCHES_COST * float(
        np.clip((high - candidate.diameter_mm) / (high - low), 0.0, 1.0)
    )


def _against(candidate: CandidateFeatures, role: str, common_trunk_mm: float) -> float:
    """Return what speaks against a candidate in a role, wherever it lies."""
    cost = dict(OPTIONAL_ROLES).get(role, 0.0)
    if candidate.hint and not _allows(candidate.hint, role):
        cost += HINT_COST
    cost += BULGE_COST * (candidate.is_bulge and role not in BULGE_VEINS)
    if role == MITRAL:
        cost += 12.0 if candidate.diameter_mm < NARROW_MITRAL_MM else 0.0
        return cost + (12.0 if candidate.shared_mm is not None else 0.0)
    if role == APPENDAGE:
        # Lobes of an appendage end blind: what is cut open beside one is a vein.
        cost += _cut_branches_cost(candidate)
        cost += SHAPELESS_APPENDAGE_COST if candidate.slenderness == 0.0 else 0.0
        if candidate.is_open:
            cost += OPEN_APPENDAGE_COST
            cost += WIDE_APPENDAGE_COST * share_of(WIDE_APPENDAGE_MM_RANGE, candidate.diameter_mm)
        return cost
    if role not in COMMON_ROLES:
        single = candidate.shared_mm is None
        wide = WIDE_BRANCH_MM_RANGE if single else WIDE_VEIN_MM_RANGE
        most = WIDE_BRANCH_COST if single else WIDE_VEIN_COST
        cost += most * share_of(wide, candidate.diameter_mm)
    cost += _unusual_size(candidate, role)
    if role in COMMON_ROLES:
        if candidate.shared_mm is None:
            cost += 0.0 if candidate.hint == role else _unbranched_cost(candidate, role)
        elif candidate.common_length_mm < common_trunk_mm:
            cost += NO_BRANCHES_COST
        cost += ANTRUM_COST * antrum_share(candidate)
    return cost
