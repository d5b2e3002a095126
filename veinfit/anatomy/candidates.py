"""What could be a vein: every branch, and every trunk that branches share.

Each candidate is walked as a tube and given an ostium where it has one; which
of them are veins, and which veins, is for the names to decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from veinfit.anatomy.branches import Branches, SharedPart
from veinfit.anatomy.contours import enters
from veinfit.anatomy.flat_ends import FlatEnd, find_flat_end, walk_from
from veinfit.anatomy.lumen import Lumen
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.ostia import END_CLEARANCE_MM, find_ostium, find_ostium_about
from veinfit.anatomy.ostial_plane import OstiumFailure, known_for
from veinfit.anatomy.partings import Parting
from veinfit.anatomy.trunks import find_trunk
from veinfit.anatomy.tubes import Tube, walk_tube
from veinfit.frames import FloatArray
from veinfit.notes import Note
from veinfit.settings import AnatomySettings

MOST_MEMBERS = 4
"""No trunk has more branches than this; what joins more is the body."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A branch, or a trunk with its branches.

    Attributes
    ----------
    members : tuple of int
        Indices of the branches; more than one for a trunk, the longest first.
    tube : Tube or None
        The branch's tube; for a trunk the tube from the carina to the body.
    ostium : Ostium or None
    carina_mm : float or None
        Length from the ostium to the crest where the branches part; None for one branch.
    reason : str
        Why there is no ostium.
    notes : tuple of Note
    excess : float
        Area of a trunk's ostium over its branches' typical areas together; 1 for one branch.
    parting : Parting or None
        Where a trunk's branches part; None for one branch.
    end : FlatEnd or None
        Where a blind branch was cut flat.
    """

    members: tuple[int, ...]
    tube: Tube | None
    ostium: Ostium | None
    carina_mm: float | None
    reason: str
    notes: tuple[Note, ...]
    excess: float = 1.0
    parting: Parting | None = None
    end: FlatEnd | None = None


def find_candidates(
    lumen: Lumen, branches: Branches, settings: AnatomySettings
) -> tuple[Candidate, ...]:
    """Walk every branch and every shared trunk; single branches come first."""
    singles = [_single(lumen, branches, k, settings) for k in range(len(branches.branches))]
    trunks = [
        trunk
        for part in branches.shared
        if (trunk := _trunk(lumen, branches, singles, part, settings)) is not None
    ]
    return tuple(singles + trunks)


def _single(lumen: Lumen, branches: Branches, index: int, settings: AnatomySettings) -> Candidate:
    branch = branches.branches[index]
    opening = None if branch.opening is None else lumen.openings[branch.opening].normal
    tube = walk_tube(lumen, branch.way, opening)
    end = None
    if tube is not None and opening is None:
        end = find_flat_end(lumen.wall, tube)
        tube = (end and walk_from(end, lumen, branches.ways)) or tube
    if tube is None:
        return Candidate((index,), None, None, None, "no section surrounds its middle", ())
    found = find_ostium(tube, settings)
    if isinstance(found, OstiumFailure) and opening is not None:
        # A stub so short that its sections mislead: it was cut square to something.
        found = find_ostium_about(tube, (branch.tip, opening), settings, END_CLEARANCE_MM)
    return with_ostium(index, tube, branch.way, found, end)


def with_ostium(
    index: int,
    tube: Tube,
    way: FloatArray,
    found: tuple[Ostium, tuple[Note, ...]] | OstiumFailure,
    end: FlatEnd | None = None,
) -> Candidate:
    """Return a single branch with the ostium found, if that parts its ``way`` from the atrium."""
    if isinstance(found, OstiumFailure):
        return Candidate((index,), tube, None, None, found.reason, (), end=end)
    ostium, notes = found
    if not enters(way, ostium.contour.points, ostium.centre, ostium.normal):
        reason = "the plane through its wall's half turns does not part it from the atrium"
        return Candidate((index,), tube, None, None, reason, (), end=end)
    # The farthest cell of an oblique cut lies in its corner, past its middle.
    last = way[-1] if end is None else end.centre
    ostium, short = known_for(ostium, float((last - ostium.centre) @ ostium.normal))
    return Candidate((index,), tube, ostium, None, "", (*notes, *short), end=end)


def _trunk(
    lumen: Lumen,
    branches: Branches,
    singles: Sequence[Candidate],
    part: SharedPart,
    settings: AnatomySettings,
) -> Candidate | None:
    members = part.members
    tubes = [tube for m in members if (tube := singles[m].tube) is not None]
    if len(members) > MOST_MEMBERS or len(tubes) < len(members):
        return None
    ways = [branches.branches[m].way for m in members]
    trunk = find_trunk(lumen, part, ways, tubes, settings)
    if trunk is None:
        return None
    return Candidate(
        members,
        trunk.tube,
        trunk.ostium,
        trunk.length_mm,
        "",
        trunk.notes,
        trunk.excess,
        part.parting,
    )
