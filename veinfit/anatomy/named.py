"""The candidates named; bulges of the wall are candidates too where a vein is missing without."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.branches.finding import find_bulges
from veinfit.anatomy.branches.inscribed import InscribedSpheres
from veinfit.anatomy.branches.labelled_veins import LabelHints
from veinfit.anatomy.branches.lumen import Lumen
from veinfit.anatomy.branches.model import Branches
from veinfit.anatomy.candidates import (
    Candidate,
    find_candidates,
    runs_aslant,
    single_candidate,
)
from veinfit.anatomy.naming.frame_check import StatedFrame
from veinfit.anatomy.naming.names import CandidateFeatures, Naming
from veinfit.anatomy.naming.with_bulges import name_with_bulges
from veinfit.settings import AnatomySettings
from veinfit.vectors import FloatArray, unit

LEAST_SLENDERNESS = 1.0
"""A tube this many times longer than wide is no bulge."""

LEAST_SURE_SHARE = 0.6
"""Where the wall turns into the atrium in fewer directions than this, the way from an ostium to the
cut of its vein tells the vein's direction as well as its normal does ..."""

LEAST_WAY_MM = 1.0
"""... unless it is shorter than this."""


@dataclass(frozen=True, slots=True, eq=False)
class NamedCandidates:
    """What the naming was told and what it said.

    Attributes
    ----------
    branches : Branches
    candidates : tuple of Candidate
    features : tuple of CandidateFeatures
    naming : Naming
    """

    branches: Branches
    candidates: tuple[Candidate, ...]
    features: tuple[CandidateFeatures, ...]
    naming: Naming


def name_found(
    lumen: Lumen,
    rough: Lumen,
    branches: Branches,
    spheres: InscribedSpheres,
    labels: LabelHints,
    settings: AnatomySettings,
    stated: StatedFrame,
) -> NamedCandidates:
    """Walk what leaves the body and name it.

    Parameters
    ----------
    lumen, rough : Lumen
        The blood, and the same with fewer faces, in which branches are walked.
    branches : Branches
    spheres : InscribedSpheres
    labels : LabelHints
    settings : AnatomySettings
    stated : StatedFrame

    Returns
    -------
    NamedCandidates

    Raises
    ------
    InputError
        As :func:`~veinfit.anatomy.naming.names.name_candidates`.
    """
    count = len(branches.branches)
    candidates = find_candidates(rough, branches, settings, labels)
    features = _features(lumen, branches, candidates, labels, count)
    more, all_candidates, all_features = branches, candidates, features

    def with_bulges() -> tuple[CandidateFeatures, ...]:
        nonlocal more, all_candidates, all_features
        more = find_bulges(spheres, branches)
        bulges = (
            single_candidate(rough, more, k, settings) for k in range(count, len(more.branches))
        )
        all_candidates = (*candidates[:count], *bulges, *candidates[count:])
        all_features = _features(lumen, more, all_candidates, labels, count)
        return all_features

    naming, by_bulges = name_with_bulges(features, with_bulges, settings.common_trunk_mm, stated)
    if by_bulges:
        return NamedCandidates(more, all_candidates, all_features, naming)
    return NamedCandidates(branches, candidates, features, naming)


def _features(
    lumen: Lumen,
    branches: Branches,
    candidates: Sequence[Candidate],
    labels: LabelHints,
    bulges_from: int,
) -> tuple[CandidateFeatures, ...]:
    """Return what the naming needs to know; branches from ``bulges_from`` on are bulges."""
    features = []
    for candidate in candidates:
        members = [branches.branches[m] for m in candidate.members]
        first = members[0]
        if candidate.ostium is not None:
            centre = candidate.ostium.centre
            direction = _direction(candidate, lumen, branches)
            if runs_aslant(candidate, branches):
                centre, direction = first.tip, unit(first.tip - branches.body_centre)
            diameter = candidate.ostium.measures.d_area_mm
        elif first.opening is not None:
            opening = lumen.openings[first.opening]
            centre, direction, diameter = opening.centre, opening.normal, opening.diameter_mm
        else:
            centre = first.tip
            direction = unit(first.tip - branches.body_centre)
            widest = candidate.tube.areas_mm2.max() if candidate.tube is not None else 1000.0
            diameter = float(np.sqrt(4.0 * widest / np.pi))
        said = {labels.of_branch(m) for m in members}
        features.append(
            CandidateFeatures(
                members=candidate.members,
                place=unit(centre - branches.body_centre),
                direction=direction,
                diameter_mm=diameter,
                is_open=all(m.opening is not None for m in members),
                is_closed=any(
                    m.opening is not None and lumen.openings[m.opening].is_closed for m in members
                ),
                has_ostium=candidate.has_turn or _is_tube(candidate),
                slenderness=_slenderness(candidate),
                shared_mm=candidate.carina_mm,
                common_mm=candidate.common_mm,
                cut_members=sum(m.opening is not None for m in members),
                excess=candidate.excess,
                hint=labels.of_all(said),
                is_bulge=candidate.members[0] >= bulges_from,
                ostium_error_mm=0.0 if candidate.ostium is None else candidate.ostium.error_mm,
            )
        )
    return tuple(features)


def _direction(candidate: Candidate, lumen: Lumen, branches: Branches) -> FloatArray:
    """Return the direction (3,) out of an ostium, by the way to the cut too where it turns little.

    Where the wall turns in hardly half of the directions the normal of its plane says little.
    """
    ostium = candidate.ostium
    assert ostium is not None
    opening = branches.branches[candidate.members[0]].opening
    turns = ostium.evidence is None or ostium.evidence.share >= LEAST_SURE_SHARE
    if turns or opening is None or len(candidate.members) > 1:
        return ostium.normal
    way = lumen.openings[opening].centre - ostium.centre
    if way @ ostium.normal < LEAST_WAY_MM:
        return ostium.normal
    return unit(ostium.normal + unit(way))


def _is_tube(candidate: Candidate) -> bool:
    """Whether a branch that merges too softly for a turn is yet long enough to be a vein."""
    return candidate.ostium is not None and _slenderness(candidate) >= LEAST_SLENDERNESS


def _slenderness(candidate: Candidate) -> float:
    if candidate.tube is None or not len(candidate.tube.areas_mm2):
        return 0.0
    diameter = float(np.sqrt(4.0 * np.median(candidate.tube.areas_mm2) / np.pi))
    return candidate.tube.length_mm / diameter
