"""Whether the common part of branches is a trunk, or the antrum that they leave."""

from __future__ import annotations

from veinfit.anatomy.naming.features import CandidateFeatures, share_of

WIDE_TRUNK = 1.75
"""A trunk's ostium this many times its branches' areas is as good an antrum that they share ..."""

ANTRUM = 2.05
"""... and from this on nothing else. 101 common trunks of invented atria reach 1.81, with their
branches measured where they part."""

ANTRUM_LENGTH_SHARE = (0.5, 0.8)
"""What is longer than the second share of its width is a trunk and no antrum, however narrow its
branches are; up to the first it may be either."""

ANTRUM_MM_RANGE = (26.0, 32.0)
"""... nor is a right one wider than any single vein, 30 mm at most (Cronin et al., Acad Radiol
2007), whose branches are so narrow. A left trunk is no rarity: its ostium may lie in the atrium."""

MOST_TRUNK_BRANCHES = 2
"""Right branches beyond this that share an antrum are three veins, not a common trunk: a right
middle vein has one patient in eight, a right common trunk one in 200 (Cronin et al., Acad Radiol
2007)."""

WIDE_COMMON_MM_RANGE = (36.0, 44.0)
"""Of a common trunk: published ones are 24.3 mm wide in the mean (SD 7.5), 44 mm at most (Cronin et
al., Acad Radiol 2007); what is as wide is rather the part of the atrium that both veins leave."""


def antrum_share(candidate: CandidateFeatures) -> float:
    """How far the common part of branches is their antrum rather than a trunk, 0 to 1."""
    is_right = candidate.place[0] < 0.0
    if len(candidate.members) > MOST_TRUNK_BRANCHES and is_right:
        return 1.0
    wide = share_of((WIDE_TRUNK, ANTRUM), candidate.excess)
    length = (candidate.shared_mm or 0.0) / candidate.diameter_mm
    short = 1.0 - share_of(ANTRUM_LENGTH_SHARE, length)
    no_vein = share_of(ANTRUM_MM_RANGE, candidate.diameter_mm) if is_right else 0.0
    no_trunk = share_of(WIDE_COMMON_MM_RANGE, candidate.diameter_mm)
    return max(wide * max(short, no_vein), no_trunk)
