"""Which candidate is which vein, the appendage, the mitral side, or nothing.

Every role has a place and a direction in a template of the left atrium. The
template may turn a little, as hearts do; the assignment of candidates to roles
with the least misfit wins, over all usual sets of veins. The confidence of a
name comes from how much worse the best assignment without it is. The frame is
checked the same way: if the template fits far better turned half round, the
stated frame is wrong.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial.transform import Rotation

from veinfit.errors import InputError
from veinfit.frames import FloatArray, unit

APPENDAGE = "LAA"
MITRAL = "MV"

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

TILT_SPREAD_DEG = 18.0
"""Standard deviation of the whole heart's rotation against the patient."""

FRAME_MARGIN = 12.0
"""The frame is contradicted when turning half round fits better by this (log odds)."""

WEAK_FRAME_MARGIN = 4.0
"""From this on the doubt is worth a caution."""

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

OPTIONAL_ROLES: tuple[tuple[str, float], ...] = (("RMPV", 2.1), ("RMPV-2", 4.0), ("extra-1", 3.2))
"""Veins beyond the set and their cost: right middle 11 to 13 %, roof 4 % (same sources)."""

MISSING_COST = 6.0
"""Cost of a vein of the set that no candidate takes: it may be cut off, but seldom is."""

NOTHING_COST = 5.0
"""Cost of calling a blind candidate a bulge of the wall."""

OPEN_NOTHING_COST = 14.0
"""Cost of calling a cut tube nothing: somebody cut it for a reason."""

SPLIT_TRUNK_COST = 10.0
"""Cost of naming the branches of a trunk long enough to be common by definition."""

COMMON_ROLES = ("LCPV", "RCPV", "ICPV")
"""Roles that only a trunk of several branches can take."""

TRUNK_LENGTH_ERROR_MM = 0.8
"""Scale (logistic) of the error of a measured trunk length on atria with a known truth."""

WIDE_TRUNK = 1.8
"""A trunk's ostium this many times its branches' areas is as good an antrum that they share ..."""

ANTRUM = 2.2
"""... and from this on nothing else."""

ANTRUM_COST = 10.0
"""Cost of naming a shared antrum a common trunk."""

BLIND_VEIN_COST = 6.0
"""Cost of a blind branch being a vein where other veins are cut open."""

SLENDER = 2.0
"""A tube this many times longer than wide is no bulge, and a vein even when its end is closed."""

SLENDER_RELIEF = 4.0
"""What a slender blind branch saves as a vein, and costs more as nothing."""

OPEN_APPENDAGE_COST = 3.0
"""Cost of the appendage being cut open."""

SHAPELESS_APPENDAGE_COST = 4.0
"""Cost of the appendage being a bulge in which no tube can be followed."""

NO_OSTIUM_COST = 4.0
"""Cost of a vein without an ostium."""

WIDE_VEIN_MM = 32.0
"""No single vein is wider; a common trunk may be."""

NARROW_MITRAL_MM = 18.0
"""A mitral opening narrower than this is none."""

HINT_COST = 9.0
"""Cost of a name that a label of the input contradicts."""


@dataclass(frozen=True, slots=True, eq=False)
class Claim:
    """What the naming needs to know of a candidate.

    Attributes
    ----------
    members : tuple of int
        Branches it is made of.
    place, direction : (3,) array
        Unit vectors from the body's centre to it, and out along it.
    diameter_mm : float
        Of its ostium, opening or widest section.
    is_open : bool
        It ends in an opening of the input.
    has_ostium : bool
    slenderness : float
        Length of its tube over its diameter.
    shared_mm : float or None
        Length of the trunk; None for one branch.
    excess : float
        Area of a trunk's ostium over the areas of its branches together.
    hint : str
        What a label of the input says it is; empty where there is none.
    """

    members: tuple[int, ...]
    place: FloatArray
    direction: FloatArray
    diameter_mm: float
    is_open: bool
    has_ostium: bool
    slenderness: float
    shared_mm: float | None
    excess: float = 1.0
    hint: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Naming:
    """The roles found.

    Attributes
    ----------
    roles : mapping of str to int
        Role to index of the claim.
    confidence : mapping of str to float
    runner_up : mapping of str to str
        The next best role of the same candidate (``nothing`` for none).
    rotation : Rotation
        From the template to this atrium.
    frame_doubt : float
        Log odds for the frame being turned half round; negative is fine.
    """

    roles: Mapping[str, int]
    confidence: Mapping[str, float]
    runner_up: Mapping[str, str]
    rotation: Rotation
    frame_doubt: float


def name_candidates(claims: Sequence[Claim], common_trunk_mm: float, frame: str = "lps") -> Naming:
    """Assign roles to candidates.

    Parameters
    ----------
    claims : sequence of Claim
        Single branches and trunks; a trunk excludes its branches.
    common_trunk_mm : float
        From this shared length on a trunk is a vein of its own.
    frame : {'lps', 'ras'}
        The frame the input was stated to be in, for the message.

    Raises
    ------
    InputError
        No vein was found, or the anatomy contradicts the stated frame.
    """
    upright = _best(claims, common_trunk_mm, Rotation.identity())
    turned = _best(claims, common_trunk_mm, Rotation.from_rotvec([0.0, 0.0, np.pi]))
    doubt = upright.cost - turned.cost
    veins = [r for r in upright.roles if r not in (APPENDAGE, MITRAL)]
    if doubt > FRAME_MARGIN:
        other = "ras" if frame == "lps" else "lps"
        raise InputError(
            f"the anatomy contradicts the frame {frame}: the mitral side, the appendage and the "
            "veins fit a left atrium only when turned half round about the head-foot axis; "
            f"if the file is in {other.upper()}, pass --frame {other}"
        )
    if not veins:
        raise InputError(
            "no pulmonary vein was found: no branch of the surface looks like one; check that "
            "the veins were not cut off at the wall and that the label includes them"
        )
    confidence: dict[str, float] = {}
    runner_up: dict[str, str] = {}
    for role, index in upright.roles.items():
        rival = _best(
            claims, common_trunk_mm, upright.rotation, forbidden=(index, role), refine=False
        )
        gap = rival.cost - upright.cost
        confidence[role] = float(1.0 / (1.0 + np.exp(-np.clip(gap, -30, 30))))
        taken = [r for r, k in rival.roles.items() if k == index]
        runner_up[role] = taken[0] if taken else "nothing"
    for role, (bound, other) in _length_doubts(claims, upright.roles, common_trunk_mm).items():
        if bound < confidence[role]:
            confidence[role], runner_up[role] = bound, other
    return Naming(upright.roles, confidence, runner_up, upright.rotation, doubt)


def _length_doubts(
    claims: Sequence[Claim], roles: Mapping[str, int], common_trunk_mm: float
) -> dict[str, tuple[float, str]]:
    """Confidence that a trunk's length leaves to each role it concerns, and what else it may be.

    A trunk a little longer than the least that makes it common may as well be a
    little shorter; then its branches would be veins of their own.
    """
    doubts: dict[str, tuple[float, str]] = {}
    for index, claim in enumerate(claims):
        if claim.shared_mm is None or _antrum_share(claim) > 0.0:
            continue
        excess = (claim.shared_mm - common_trunk_mm) / TRUNK_LENGTH_ERROR_MM
        common = float(1.0 / (1.0 + np.exp(-np.clip(excess, -30, 30))))
        for role, taken in roles.items():
            if taken == index and role in COMMON_ROLES:
                doubts[role] = (common, "two veins")
            elif claims[taken].members[0] in claim.members and taken != index:
                doubts[role] = (1.0 - common, "a branch of a common trunk")
    return doubts


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    roles: dict[str, int]
    cost: float
    rotation: Rotation


def _best(
    claims: Sequence[Claim],
    common_trunk_mm: float,
    about: Rotation,
    forbidden: tuple[int, str] | None = None,
    refine: bool = True,
) -> _Fit:
    """Return the least-cost assignment with the template near the rotation ``about``."""
    best: _Fit | None = None
    for chosen, split_cost in _selections(claims, common_trunk_mm):
        for base, rarity in ROLE_SETS:
            fit = _assign(claims, chosen, base, about, common_trunk_mm, forbidden, refine)
            fit = _Fit(fit.roles, fit.cost + rarity + split_cost, fit.rotation)
            if best is None or fit.cost < best.cost:
                best = fit
    assert best is not None
    return best


def _selections(
    claims: Sequence[Claim], common_trunk_mm: float
) -> list[tuple[tuple[int, ...], float]]:
    """Return sets of claims that do not overlap: each trunk whole, or its branches."""
    singles = [k for k, c in enumerate(claims) if len(c.members) == 1]
    trunks = [k for k, c in enumerate(claims) if len(c.members) > 1]
    selections: list[tuple[tuple[int, ...], float]] = []
    for count in range(len(trunks) + 1):
        for whole in itertools.combinations(trunks, count):
            taken = [m for k in whole for m in claims[k].members]
            if len(taken) != len(set(taken)):
                continue
            chosen = list(whole) + [k for k in singles if claims[k].members[0] not in set(taken)]
            split = sum(
                1.0 - _antrum_share(claims[k])
                for k in trunks
                if k not in whole
                and (claims[k].shared_mm or 0.0) >= common_trunk_mm
                and not set(claims[k].members) & set(taken)
            )
            selections.append((tuple(chosen), SPLIT_TRUNK_COST * split))
    return selections


def _antrum_share(claim: Claim) -> float:
    """How far the common part of branches is their antrum rather than a trunk, 0 to 1."""
    return float(np.clip((claim.excess - WIDE_TRUNK) / (ANTRUM - WIDE_TRUNK), 0.0, 1.0))


def _assign(
    claims: Sequence[Claim],
    chosen: Sequence[int],
    base: Sequence[str],
    about: Rotation,
    common_trunk_mm: float,
    forbidden: tuple[int, str] | None,
    refine: bool,
) -> _Fit:
    """Assign by the Hungarian method, turning the template to fit, until it settles."""
    roles = [*base, *(r for r, _ in OPTIONAL_ROLES), APPENDAGE, MITRAL]
    extra = dict(OPTIONAL_ROLES)
    rotation = about
    result: _Fit | None = None
    for _ in range(4 if refine else 1):
        cost = np.array(
            [
                [
                    1e3
                    if forbidden == (k, role)
                    else _misfit(claims, chosen, k, role, rotation, common_trunk_mm)
                    + extra.get(role, 0.0)
                    for role in roles
                ]
                for k in chosen
            ]
        )
        nothing = np.array([_nothing_cost(claims[k]) for k in chosen])
        full = np.concatenate([cost, np.diag(nothing) + 1e3 * (1 - np.eye(len(chosen)))], axis=1)
        rows, cols = linear_sum_assignment(full)
        taken = {roles[c]: chosen[r] for r, c in zip(rows, cols, strict=True) if c < len(roles)}
        missing = MISSING_COST * sum(role not in taken for role in base)
        tilt = np.degrees((rotation * about.inv()).magnitude()) if refine else 0.0
        total = float(full[rows, cols].sum()) + missing + 0.5 * (tilt / TILT_SPREAD_DEG) ** 2
        if result is None or total < result.cost - 1e-9:
            result = _Fit(taken, total, rotation)
        elif refine:
            break
        if refine:
            rotation = _turn(claims, taken, about)
    assert result is not None
    return result


def _nothing_cost(claim: Claim) -> float:
    if claim.is_open:
        return OPEN_NOTHING_COST
    return NOTHING_COST + (SLENDER_RELIEF if claim.slenderness >= SLENDER else 0.0)


def _misfit(
    claims: Sequence[Claim],
    chosen: Sequence[int],
    index: int,
    role: str,
    rotation: Rotation,
    common_trunk_mm: float,
) -> float:
    """Half the squared misfit of a candidate in a role, plus what speaks against it."""
    claim = claims[index]
    place, direction = (rotation.apply(unit(v)) for v in TEMPLATE[role])
    loose = role in (APPENDAGE, MITRAL)
    place_spread = APPENDAGE_SPREAD_DEG if loose else PLACE_SPREAD_DEG
    misfit = 0.5 * (_angle(claim.place, place) / place_spread) ** 2
    misfit += 0.5 * min(_angle(claim.direction, direction) / DIRECTION_SPREAD_DEG, 3.0) ** 2
    if claim.hint and claim.hint != role:
        misfit += HINT_COST
    if role == MITRAL:
        if claim.diameter_mm < NARROW_MITRAL_MM:
            misfit += 12.0
        if claim.shared_mm is not None:
            misfit += 12.0
        return misfit
    if claim.diameter_mm > WIDE_VEIN_MM and role not in (*COMMON_ROLES, APPENDAGE):
        misfit += 8.0
    if role == APPENDAGE:
        misfit += SHAPELESS_APPENDAGE_COST if claim.slenderness == 0.0 else 0.0
        return misfit + (OPEN_APPENDAGE_COST if claim.is_open else 0.0)
    others_open = sum(claims[k].is_open for k in chosen if k != index)
    if not claim.is_open and others_open >= 2:
        misfit += BLIND_VEIN_COST - (SLENDER_RELIEF if claim.slenderness >= SLENDER else 0.0)
    if not claim.has_ostium:
        misfit += NO_OSTIUM_COST
    if role in COMMON_ROLES:
        short = common_trunk_mm - (claim.shared_mm or 0.0)
        if claim.shared_mm is None or short > 0:
            misfit += 12.0
        misfit += ANTRUM_COST * _antrum_share(claim)
    return misfit


def _angle(a: FloatArray, b: FloatArray) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def _turn(claims: Sequence[Claim], roles: Mapping[str, int], about: Rotation) -> Rotation:
    """Turn the template to the roles taken, held near ``about`` by the tilt's spread."""
    template: list[FloatArray] = []
    seen: list[FloatArray] = []
    weight: list[float] = []
    for role, index in roles.items():
        spread = APPENDAGE_SPREAD_DEG if role in (APPENDAGE, MITRAL) else PLACE_SPREAD_DEG
        template.append(unit(TEMPLATE[role][0]))
        seen.append(claims[index].place)
        weight.append(1.0 / spread**2)
    for axis in np.eye(3):
        template.append(axis)
        seen.append(about.apply(axis))
        weight.append(0.5 / TILT_SPREAD_DEG**2)
    rotation, _ = Rotation.align_vectors(
        np.array(seen), np.array(template), weights=np.array(weight)
    )
    return rotation
