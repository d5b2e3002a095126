"""What could be a vein: every branch, and every trunk that branches share.

Each candidate is walked as a tube and given an ostium where it has one; which
of them are veins, and which veins, is for the names to decide.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from veinfit.anatomy.branches.blind_ends import Line, end_and_tube, end_line, starts_at
from veinfit.anatomy.branches.branch_sections import (
    WALL_REACH_MM,
    BranchSections,
    walk_from_end,
    walk_tube,
)
from veinfit.anatomy.branches.flat_ends import FlatEnd
from veinfit.anatomy.branches.labelled_veins import LabelHints
from veinfit.anatomy.branches.lumen import Lumen
from veinfit.anatomy.branches.model import Bifurcation, Branches, SharedPart
from veinfit.anatomy.branches.widening import Widening, leaning
from veinfit.anatomy.model import Ostium
from veinfit.anatomy.ostium.going_on import goes_on
from veinfit.anatomy.ostium.plane import OstiumFailure, known_for
from veinfit.anatomy.ostium.search import END_CLEARANCE_MM, find_ostium, find_ostium_about
from veinfit.anatomy.ostium.sections import (
    Found,
    is_sharp,
    tube_of_sections,
    weighed,
    where_it_ends,
)
from veinfit.anatomy.ostium.trunks import find_trunk
from veinfit.anatomy.walked_aslant import (
    WIDEST_MM,
    around_bends,
    is_in_atrium,
    lies_past,
    starts_wider_than_a_vein,
    walked_in,
)
from veinfit.notes import Note
from veinfit.settings import AnatomySettings
from veinfit.surface.contours import enters, passes
from veinfit.vectors import FloatArray, unit
from veinfit.vein_names import MIDDLE_VEINS, TRUNK_BRANCHES

MOST_MEMBERS = 4
"""No trunk has more branches than this; what joins more is the body."""


LONG_MM = 16.0
"""The direction of a vein shorter than this is that of its ostium too, of the shortest half. A
longer one is not searched from its cut: its taper there looks like an ostium."""

SURE_OSTIUM = 0.8
"""What comes through an ostium of this confidence is a branch of its vein."""

LEAST_TURNING_SHARE = 0.4
"""A wall that turns into the atrium in fewer directions than this may be that of a bulge."""

BRANCH_OSTIUM_MM = 2.0
"""The ostium of a branch of a trunk lies about so far before their carina: where its own wall has
made half of its turn."""

NO_SECTION = "no cross-section of the wall surrounds its middle"


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A branch, or a trunk with its branches.

    Attributes
    ----------
    members : tuple of int
        Indices of the branches; more than one for a trunk, the longest first.
    tube : BranchSections or None
        The branch's tube; for a trunk the tube from the carina to the body.
    ostium : Ostium or None
    carina_mm : float or None
        Length from the ostium to the carina where the branches part; None for one branch.
    common_mm : float or None
        Length of a trunk before its branches' own ostia, no more than ``carina_mm``. Where an
        ostium of theirs lies hardly past that of the trunk, its branch leaves the atrium itself,
        however far out the carina is. None for one branch.
    reason : str
        Why there is no ostium.
    notes : tuple of Note
    excess : float
        Area of a trunk's ostium over its branches' typical areas together; 1 for one branch.
    bifurcation : Bifurcation or None
        Where a trunk's branches part; None for one branch.
    end : FlatEnd or None
        Where a blind branch was cut flat.
    border : (centre, normal) or None
        Of the vein's own label.
    perturbed : tuple of Candidate
        The same on perturbed walls, in whose middle its ostium was placed.
    """

    members: tuple[int, ...]
    tube: BranchSections | None
    ostium: Ostium | None
    carina_mm: float | None
    reason: str
    notes: tuple[Note, ...]
    excess: float = 1.0
    bifurcation: Bifurcation | None = None
    end: FlatEnd | None = None
    border: Line | None = None
    common_mm: float | None = None
    perturbed: tuple[Candidate, ...] = ()

    @property
    def has_turn(self) -> bool:
        """Whether the wall turns into the atrium around it, as that of a vein does."""
        if self.ostium is None:
            return False
        evidence = self.ostium.evidence
        return evidence is None or evidence.share >= LEAST_TURNING_SHARE


def find_candidates(
    lumen: Lumen,
    branches: Branches,
    settings: AnatomySettings,
    labels: LabelHints | None = None,
) -> tuple[Candidate, ...]:
    """Walk every branch and every shared trunk; single branches come first.

    Parameters
    ----------
    lumen : Lumen
    branches : Branches
    settings : AnatomySettings
    labels : LabelHints, optional
        Of the input: their borders help to place the ostia of labelled veins.
    """
    labels = labels or LabelHints({})
    borders = {vein.name: (vein.centre, vein.normal) for vein in labels.veins}
    singles = [
        single_candidate(lumen, branches, k, settings, borders.get(labels.of_branch(branch)))
        for k, branch in enumerate(branches.branches)
    ]
    trunks = [
        trunk
        for part in branches.shared
        if (trunk := _trunk(lumen, branches, singles, part, settings)) is not None
    ]
    return tuple(singles + trunks)


def single_candidate(
    lumen: Lumen,
    branches: Branches,
    index: int,
    settings: AnatomySettings,
    border: Line | None = None,
    rivals: Sequence[FloatArray] = (),
    from_tip: bool = False,
    about_leaning: bool = True,
) -> Candidate:
    """Walk one branch and give it an ostium.

    Parameters
    ----------
    lumen : Lumen
    branches : Branches
    index : int
        Of the branch.
    settings : AnatomySettings
    border : (centre, normal), optional
        Of its own label.
    rivals : sequence of (N, 3) array
        Paths into other veins: its ostium takes none of them in.
    from_tip : bool
        What was walked lies in the atrium: only sections square to the way to its tip are its own.
    about_leaning : bool
        Whether leaning axes and walks count too.
    """
    branch = branches.branches[index]
    opening = None if branch.opening is None else lumen.openings[branch.opening]
    end = None
    if opening is not None:
        tube = walk_from_end(lumen, branch.path, opening.normal)
    elif from_tip:
        tube = None
    else:
        tube = walk_tube(lumen, branch.path)
        end, tube = end_and_tube(lumen, branches, branch, tube)
    cut = (opening.centre, opening.normal) if opening is not None else None
    cut = (end.centre, end.normal) if end is not None else cut
    place = branch.tip if cut is None else cut[0]
    if tube is not None and not starts_at(tube, place, cut, end):
        tube = None  # what was walked lies in the atrium
    path = branch.path[::-1]
    wall = tube.wall if tube is not None else lumen.wall.near(path, WALL_REACH_MM)
    line, walked = walked_in(wall, end_line(branch, tube, cut, border), cut, tube, rivals)
    if tube is None and walked is not None:
        tube = tube_of_sections(walked, wall, path)
    if tube is None:
        return Candidate((index,), None, None, None, NO_SECTION, (), end=end)
    found = find_ostium(tube, settings, rivals=rivals, about_leaning=about_leaning)
    waist = None if walked is None else walked.waist_index()
    if walked is not None and waist is not None and lies_past(found, walked, waist):
        tube = tube_of_sections(walked, wall, path)
        part = tube_of_sections(walked.past(waist), wall, path)
        found = find_ostium(part, settings, rivals=rivals, about_leaning=about_leaning)
    if walked is not None and not tube.is_longer_than_wide and is_in_atrium(found, walked):
        found = OstiumFailure(NO_SECTION)
    if isinstance(found, OstiumFailure) and cut is not None and tube.length_mm <= LONG_MM:
        # A stub so short that its sections mislead: it was cut square to something.
        found = find_ostium_about(tube, cut, settings, END_CLEARANCE_MM)
    by_turn = None if isinstance(found, OstiumFailure) else found
    if by_turn is not None and not _parts(by_turn[0], branch.path):
        by_turn = None
    walks: Sequence[Widening] = [] if walked is None else [walked]
    if about_leaning and line is not None and (by_turn is None or not is_sharp(by_turn[0])):
        direction = _direction(line[1], tube, by_turn)
        along = walked if direction is line[1] else None
        walks = leaning(wall, line[0], direction, rivals, first=along) or walks
        bent = around_bends(walks, wall, line[0], tube, rivals)
        walks = walks if by_turn is None and not bent else bent
    found = weighed(wall, by_turn, walks, border, rivals) or found
    if not isinstance(found, OstiumFailure) and goes_on(tube, found[0]):
        # What the walks told is a taper.
        told = weighed(wall, by_turn, [], border, rivals)
        found = told or where_it_ends(tube) or found
    # The farthest cell of an oblique cut lies in its corner, past its middle.
    last = branch.tip if cut is None else cut[0]
    return replace(with_ostium(index, tube, last, found, end), border=border)


def _direction(axis: FloatArray, tube: BranchSections, by_turn: Found | None) -> FloatArray:
    """Return the direction (3,) of a vein at its end; the shorter it is, the more its ostium's."""
    if by_turn is None or tube.length_mm >= LONG_MM:
        return axis
    share = 1.0 - tube.length_mm / LONG_MM
    return unit((1.0 - 0.5 * share) * axis + 0.5 * share * by_turn[0].normal)


def _parts(ostium: Ostium, path: FloatArray) -> bool:
    """Whether an ostium parts the ``path`` from the body into the vein from the atrium."""
    return enters(path, ostium.contour.points, ostium.centre, ostium.normal)


def parted(
    lumen: Lumen,
    branches: Branches,
    candidates: Sequence[Candidate],
    veins: Mapping[str, int],
    settings: AnatomySettings,
    about_leaning: bool = True,
) -> tuple[tuple[Candidate, ...], frozenset[str]]:
    """Part the ostia of single veins from the other veins.

    A branch of a vein shares its ostium; only what is a vein of its own does not. A middle or
    an extra vein that comes through the sure ostium of another is a branch of that.

    Parameters
    ----------
    lumen : Lumen
    branches : Branches
    candidates : sequence of Candidate
    veins : mapping of str to int
        Which of them are veins, by name.
    settings : AnatomySettings
    about_leaning : bool
        Whether leaning axes and walks count too.

    Returns
    -------
    candidates : tuple of Candidate
    branches_of_others : frozenset of str
        Names of veins that turn out to be branches of another.
    """

    def through(k: int, others: Collection[str]) -> list[str]:
        """Names of the others that come through the ostium of candidate ``k``."""
        ostium = candidates[k].ostium
        if ostium is None or len(candidates[k].members) > 1:
            return []
        plane = ostium.contour.points, ostium.centre, ostium.normal
        paths = {
            n: [branches.branches[m].path for m in candidates[veins[n]].members] for n in others
        }
        return [n for n in others if any(passes(path, *plane) for path in paths[n])]

    minor = [name for name in veins if name in MIDDLE_VEINS or name.startswith("extra-")]
    shared = {
        name
        for k in (veins[n] for n in veins if n not in minor)
        if (ostium := candidates[k].ostium) is not None and ostium.confidence >= SURE_OSTIUM
        for name in through(k, minor)
    }
    result = list(candidates)
    own = [name for name in veins if name not in shared]
    for name in own:
        k = veins[name]
        rivals = through(k, [other for other in own if other != name])
        from_tip = name not in TRUNK_BRANCHES and runs_aslant(candidates[k], branches)
        if not rivals and not from_tip:
            continue
        paths = [branches.branches[m].path for r in rivals for m in candidates[veins[r]].members]
        member, border = candidates[k].members[0], candidates[k].border
        alone = single_candidate(
            lumen, branches, member, settings, border, paths, from_tip, about_leaning
        )
        result[k] = alone if alone.ostium is not None else candidates[k]
    return tuple(result), frozenset(shared)


def runs_aslant(candidate: Candidate, branches: Branches) -> bool:
    """Whether the walk from the tip of one blind branch runs aslant through the atrium.

    One that shows no ostium is taken for such.
    """
    if candidate.tube is None or len(candidate.members) > 1:
        return False
    if branches.branches[candidate.members[0]].opening is not None:
        return False
    wide = candidate.ostium is None or candidate.ostium.measures.d_area_mm > WIDEST_MM
    return wide or starts_wider_than_a_vein(candidate.tube)


def with_ostium(
    index: int,
    tube: BranchSections,
    last: FloatArray,
    found: tuple[Ostium, tuple[Note, ...]] | OstiumFailure,
    end: FlatEnd | None = None,
) -> Candidate:
    """Return a single branch with the ostium found, the middle of its end being ``last`` (3,)."""
    if isinstance(found, OstiumFailure):
        return Candidate((index,), tube, None, None, found.reason, (), end=end)
    ostium, notes = found
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
    paths = [branches.branches[m].path for m in members]
    ostia = [singles[m].ostium for m in members]
    area = sum(o.measures.area_mm2 for o in ostia if o is not None) if all(ostia) else 0.0
    trunk = find_trunk(lumen, part, paths, tubes, settings, area)
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
        part.bifurcation,
        common_mm=min([trunk.length_mm, *_past_trunk_mm(trunk.ostium, ostia, paths)]),
    )


def _past_trunk_mm(
    trunk: Ostium, ostia: Sequence[Ostium | None], paths: Sequence[FloatArray]
) -> list[float]:
    """How far past a trunk's ostium its two branches' carina lies by each one's own ostium, mm.

    An ostium that takes in the other branch too is the trunk's.
    """
    if len(ostia) > 2:
        return []
    return [
        float((own.centre - trunk.centre) @ trunk.normal) + BRANCH_OSTIUM_MM
        for own, other in zip(ostia, reversed(paths), strict=True)
        if own is not None and not passes(other, own.contour.points, own.centre, own.normal)
    ]
