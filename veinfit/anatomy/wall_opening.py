"""Where the veins and the mitral side end: blind ends cut off, the caps taken off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.anatomy.branches.branch_sections import tangents
from veinfit.anatomy.branches.end_cuts import (
    ROUNDED_RIM_MM,
    EndCut,
    OpenWall,
    cut_and_parents,
    open_wall,
)
from veinfit.anatomy.branches.lumen import Lumen
from veinfit.anatomy.branches.mitral import MitralSide, find_mitral_side
from veinfit.anatomy.branches.model import Branches
from veinfit.anatomy.candidates import Candidate
from veinfit.anatomy.mitral_and_septum import MitralOpening
from veinfit.anatomy.naming.names import TEMPLATE, Naming
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, IntArray, unit
from veinfit.vein_names import APPENDAGE, MITRAL


@dataclass(frozen=True, slots=True, eq=False)
class OpenedLumen:
    """The open wall, and where each branch's end and the mitral side are on it."""

    wall: OpenWall
    end_of_branch: Mapping[int, FloatArray]
    mitral: MitralSide


def open_lumen(
    lumen: Lumen,
    branches: Branches,
    candidates: Sequence[Candidate],
    naming: Naming,
    roles: Mapping[str, int],
    rough: Surface | None = None,
) -> OpenedLumen:
    """Cut blind vein ends and a closed mitral side, and take the caps off.

    ``rough`` is the closed surface with fewer faces, where there is one: a flat lid is sought
    there.
    """
    ends: dict[int, FloatArray] = {}
    cuts: list[EndCut] = []
    single = {c.members[0]: c for c in candidates if len(c.members) == 1}
    for role, index in roles.items():
        if role in (APPENDAGE, MITRAL):
            continue
        for member in candidates[index].members:
            end = branches.branches[member].opening
            if end is not None:
                ends[member] = lumen.openings[end].centre
                continue
            cut = _blind_end(single[member])
            if cut is not None:
                cuts.append(cut)
                ends[member] = cut.origin
    mitral: MitralSide
    taken = naming.roles.get(MITRAL)
    branch = None if taken is None else branches.branches[candidates[taken].members[0]]
    if branch is not None and branch.opening is not None:
        opening = lumen.openings[branch.opening]
        cut = EndCut(opening.centre, opening.normal)
        sure = naming.confidence.get(MITRAL, 0.5)
        mitral = MitralSide(opening.centre, opening.normal, cut, "opening", sure)
    else:
        expected = naming.rotation.apply(unit(TEMPLATE[MITRAL][0]))
        closed = lumen.wall.surface if rough is None else rough
        mitral = find_mitral_side(closed, branches.body_centre, expected)
        cuts.append(mitral.cut)
    opened, parent = cut_and_parents(lumen.wall, cuts)
    was_cap = lumen.wall.is_cap
    if lumen.is_lid is not None:
        # What closes the input's own openings; its lids are wall that was taken off.
        was_cap = was_cap & ~lumen.is_lid
    return OpenedLumen(open_wall(opened, was_cap[parent]), ends, mitral)


def _blind_end(branch: Candidate) -> EndCut | None:
    """Return the cut of a blind branch: along its flat end, else square to its first section."""
    if branch.end is not None:
        return EndCut(branch.end.centre - ROUNDED_RIM_MM * branch.end.normal, branch.end.normal)
    if branch.tube is None or len(branch.tube.centres) < 2:
        return None
    return EndCut(branch.tube.centres[0], -tangents(branch.tube.centres)[0])


def end_rims(opened: OpenedLumen, members: Sequence[int]) -> tuple[IntArray, ...]:
    """Return the rim nearest to each branch's end, in the order of the branches."""
    rims: list[IntArray] = []
    for member in members:
        end = opened.end_of_branch.get(member)
        if end is None or not len(opened.wall.rims):
            continue
        rims.append(nearest_rim(opened.wall, end))
    return tuple(rims)


def nearest_rim(wall: OpenWall, point: FloatArray) -> IntArray:
    """Return the vertex indices of the rim whose middle is nearest to a point (3,)."""
    return wall.rims[int(np.argmin(np.linalg.norm(wall.centres - point, axis=1)))]


def mitral_opening(opened: OpenedLumen) -> MitralOpening | None:
    """Return the mitral side with its rim; None where the wall has no cut edge."""
    side = opened.mitral
    if not len(opened.wall.rims):
        return None
    rim = nearest_rim(opened.wall, side.cut.origin)
    return MitralOpening(side.centre, side.normal, rim, side.confidence, side.source)
