"""The anatomy stages in order: lumen, branches, names, ostia, courses, measures."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.branches import Branches, find_branches
from veinfit.anatomy.candidates import MOST_MEMBERS, Candidate, find_candidates
from veinfit.anatomy.centrelines import continue_into_branch, follow_vein, trunk_sections
from veinfit.anatomy.ends import EndCut, OpenWall, cut_ends, open_wall
from veinfit.anatomy.hints import LabelHints
from veinfit.anatomy.inscribed import inscribed_spheres
from veinfit.anatomy.lumen import Lumen, prepare_lumen
from veinfit.anatomy.measures import fit_axis, takeoff_wall_deg
from veinfit.anatomy.mitral import MitralSide, find_mitral_side
from veinfit.anatomy.model import (
    Anatomy,
    Appendage,
    Contour,
    LumenInput,
    MitralOpening,
    Ostium,
    Vein,
)
from veinfit.anatomy.names import (
    APPENDAGE,
    MITRAL,
    TEMPLATE,
    WEAK_FRAME_MARGIN,
    Claim,
    Naming,
    name_candidates,
)
from veinfit.anatomy.ridges import ridge_widths
from veinfit.anatomy.tubes import WALL_REACH_MM, section_at, tangents
from veinfit.anatomy.verdict import SHORT_STUB_MM, input_verdict
from veinfit.frames import (
    FloatArray,
    Frame,
    IntArray,
    frontal_angle_deg,
    transverse_angle_deg,
    unit,
)
from veinfit.notes import Note
from veinfit.settings import Settings
from veinfit.surface import Surface

VEIN_ORDER = (
    "LSPV",
    "LIPV",
    "LCPV",
    "RSPV",
    "RMPV",
    "RMPV-2",
    "RIPV",
    "RCPV",
    "ICPV",
)
"""Veins are listed in this order; extra veins follow."""

TRUNK_BRANCHES: Mapping[str, tuple[str, str]] = {
    "LCPV": ("LSPV", "LIPV"),
    "RCPV": ("RSPV", "RIPV"),
    "ICPV": ("LIPV", "RIPV"),
}
"""Names of a common trunk's branches: the superior first, of ICPV the left first."""

WIDEST_EXTRA_MM = 32.0
"""An unnamed open branch wider than this is no vein."""

EXTRA_NAME_CONFIDENCE = 0.5
"""An extra vein is a vein for sure, but its name says little."""

SECTION_CONFIDENCE = 0.3
"""An appendage's opening taken from a section instead of the wall's half turn."""

UNNAMED_TRUNK_CONFIDENCE = 0.5
"""A branch of what may be a common trunk: its own name is even odds."""

CLOSE_RUNNER_UP = 0.9
"""A name below this confidence is noted with its runner-up."""

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """The open wall, and where each branch's end and the mitral side are on it."""

    wall: OpenWall
    end_of_branch: Mapping[int, FloatArray]
    mitral: MitralSide | None


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """What was found before anything is measured.

    Attributes
    ----------
    lumen : Lumen
    branches : Branches
    candidates : sequence of Candidate
    naming : Naming
    roles : mapping of str to int
        Name of every vein, of the appendage and of the mitral side, to its candidate.
    opened : Opened
    settings : Settings
    notes : tuple of Note
        Of the lumen.
    resolution_mm : float or None
        Of the volume; None for a mesh.
    """

    lumen: Lumen
    branches: Branches
    candidates: Sequence[Candidate]
    naming: Naming
    roles: Mapping[str, int]
    opened: Opened
    settings: Settings
    notes: tuple[Note, ...]
    resolution_mm: float | None = None

    @property
    def vein_names(self) -> tuple[str, ...]:
        """Names of the veins, measured or not, in the order of the trade."""
        names = (r for r in self.roles if r not in (APPENDAGE, MITRAL))
        return tuple(
            sorted(names, key=lambda r: (VEIN_ORDER.index(r) if r in VEIN_ORDER else 99, r))
        )


def find_anatomy(
    lumen_input: LumenInput,
    settings: Settings,
    frame: Frame = "lps",
    progress: Progress | None = None,
) -> Anatomy:
    """Find and measure the veins of a left atrium.

    Parameters
    ----------
    lumen_input : LumenInput
    settings : Settings
    frame : {'lps', 'ras'}
        The frame the file was stated to be in; only named in messages.
    progress : callable, optional
        Told the name of each stage as it begins.

    Raises
    ------
    InputError
        The surface cannot be a left atrium, has no veins, or contradicts the frame.
    """
    tell = progress or (lambda stage: None)
    found = detect(lumen_input, settings, frame, tell)
    tell("measures")
    return measure(found)


def detect(lumen_input: LumenInput, settings: Settings, frame: Frame, tell: Progress) -> Detection:
    """Run the stages up to the open wall; parameters and errors as of :func:`find_anatomy`."""
    tell("lumen")
    lumen, notes = prepare_lumen(lumen_input.surface, settings.surface)
    tell("branches")
    branches = find_branches(inscribed_spheres(lumen.wall.surface), lumen.openings)
    candidates = find_candidates(lumen, branches, settings.anatomy)
    tell("names")
    claims = _claims(lumen, branches, candidates, lumen_input.hints)
    naming = name_candidates(claims, settings.anatomy.common_trunk_mm, frame)
    roles = _with_extras(naming, claims, candidates)
    tell("wall")
    opened = open_lumen(lumen, branches, candidates, naming, roles)
    return Detection(
        lumen,
        branches,
        candidates,
        naming,
        roles,
        opened,
        settings,
        notes,
        lumen_input.resolution_mm,
    )


def _claims(
    lumen: Lumen,
    branches: Branches,
    candidates: Sequence[Candidate],
    hints: Mapping[str, FloatArray],
) -> list[Claim]:
    labels = LabelHints(hints)
    claims = []
    for candidate in candidates:
        members = [branches.branches[m] for m in candidate.members]
        first = members[0]
        if candidate.ostium is not None:
            centre, direction = candidate.ostium.centre, candidate.ostium.normal
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
        claims.append(
            Claim(
                members=candidate.members,
                place=unit(centre - branches.body_centre),
                direction=direction,
                diameter_mm=diameter,
                is_open=all(m.opening is not None for m in members),
                has_ostium=candidate.ostium is not None,
                slenderness=_slenderness(candidate),
                shared_mm=candidate.carina_mm,
                excess=candidate.excess,
                hint=said.pop() if len(said) == 1 else "",
            )
        )
    return claims


def _slenderness(candidate: Candidate) -> float:
    if candidate.tube is None or not len(candidate.tube.areas_mm2):
        return 0.0
    diameter = float(np.sqrt(4.0 * np.median(candidate.tube.areas_mm2) / np.pi))
    return candidate.tube.length_mm / diameter


def _with_extras(
    naming: Naming, claims: Sequence[Claim], candidates: Sequence[Candidate]
) -> dict[str, int]:
    """Give every open tube that no role took a name of its own: no vein is dropped."""
    roles = dict(naming.roles)
    used = {m for index in roles.values() for m in claims[index].members}
    number = 1
    for index, claim in enumerate(claims):
        if len(claim.members) > 1 or claim.members[0] in used or not claim.is_open:
            continue
        if candidates[index].ostium is None or claim.diameter_mm > WIDEST_EXTRA_MM:
            continue
        while f"extra-{number}" in roles:
            number += 1
        roles[f"extra-{number}"] = index
    return roles


def open_lumen(
    lumen: Lumen,
    branches: Branches,
    candidates: Sequence[Candidate],
    naming: Naming,
    roles: Mapping[str, int],
) -> Opened:
    """Cut blind vein ends and a closed mitral side, and take the caps off."""
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
            tube = single[member].tube
            if tube is None or len(tube.centres) < 2:
                continue
            origin = tube.centres[0]
            cuts.append(EndCut(origin, -tangents(tube.centres)[0]))
            ends[member] = origin
    mitral: MitralSide | None = None
    taken = naming.roles.get(MITRAL)
    branch = None if taken is None else branches.branches[candidates[taken].members[0]]
    if branch is not None and branch.opening is not None:
        opening = lumen.openings[branch.opening]
        cut = EndCut(opening.centre, opening.normal)
        mitral = MitralSide(
            opening.centre, opening.normal, cut, True, naming.confidence.get(MITRAL, 0.5)
        )
    else:
        expected = naming.rotation.apply(unit(TEMPLATE[MITRAL][0]))
        mitral = find_mitral_side(lumen.wall.surface, branches.body_centre, expected)
        cuts.append(mitral.cut)
    return Opened(open_wall(cut_ends(lumen.wall, cuts)), ends, mitral)


def measure(
    found: Detection, kept: Mapping[str, Vein] | None = None, ridges: bool = True
) -> Anatomy:
    """Measure what was found.

    Parameters
    ----------
    found : Detection
    kept : mapping of str to Vein, optional
        Veins that were measured before and are taken over as they are.
    ridges : bool
        Whether to measure the ridges between ostia too.
    """
    lumen, branches, candidates = found.lumen, found.branches, found.candidates
    naming, roles, opened = found.naming, found.roles, found.opened
    notes = list(found.notes)
    names = found.vein_names
    ostia = {name: o for name in names if (o := candidates[roles[name]].ostium) is not None}
    unmeasured: dict[str, str] = {}
    veins: list[Vein] = []
    for name in names:
        candidate = candidates[roles[name]]
        if candidate.ostium is None:
            unmeasured[name] = candidate.reason
            notes.append(
                Note("ostium", f"{name} is not measured: {candidate.reason}", name, "caution")
            )
            continue
        if kept and name in kept:
            rims = _end_rims(opened, candidate.members)
            veins.append(replace(kept[name], end_rims=rims))
            continue
        others = [ostia[other] for other in ostia if other != name]
        veins.append(
            _vein(
                lumen, branches, candidates, candidate, naming, name, opened, others, found.settings
            )
        )
    wall = opened.wall.surface
    appendage = _appendage(wall, branches, candidates, naming)
    mitral = _mitral(opened)
    contours = {v.name: v.ostium.contour for v in veins}
    if appendage is not None:
        contours[APPENDAGE] = appendage.contour
    widths, ridge_notes = ridge_widths(wall, contours if ridges else {})
    notes += _case_notes(opened, appendage, naming)
    verdict = input_verdict(
        wall,
        found.resolution_mm,
        {vein.name: float(vein.centreline.s_mm[-1]) for vein in veins},
        tuple(unmeasured),
        (lumen.holes_filled, _open_holes(found)),
        tuple(note.text for note in found.notes if note.stage == "surface"),
    )
    return Anatomy(
        lumen=lumen.wall.surface,
        wall=wall,
        body_centre=branches.body_centre,
        body_radius_mm=branches.body_radius_mm,
        volume_ml=lumen.volume_ml,
        veins=tuple(veins),
        appendage=appendage,
        mitral=mitral,
        ridges=widths,
        notes=(verdict.note, *notes, *ridge_notes, *(n for v in veins for n in v.notes)),
        unmeasured=unmeasured,
        verdict=verdict,
    )


def _vein(
    lumen: Lumen,
    branches: Branches,
    candidates: Sequence[Candidate],
    candidate: Candidate,
    naming: Naming,
    name: str,
    opened: Opened,
    others: Sequence[Ostium],
    settings: Settings,
) -> Vein:
    ostium = candidate.ostium
    assert ostium is not None and candidate.tube is not None
    single = {c.members[0]: c for c in candidates if len(c.members) == 1}
    main = branches.branches[candidate.members[0]]
    tube = candidate.tube
    end = lumen.openings[main.opening].centre if main.opening is not None else None
    step = settings.anatomy.section_step_mm
    is_trunk = len(candidate.members) > 1
    if is_trunk:
        course = follow_vein(tube.wall, ostium, tube.centres, tube.centres[0], step, rounds=0)
        assert candidate.carina_mm is not None and candidate.crest is not None
        trunk = candidate.carina_mm
        ways = [branches.branches[m].way for m in candidate.members]
        sections = trunk_sections(tube.wall, ostium, candidate.crest, trunk, ways)
        if (branch_tube := single[candidate.members[0]].tube) is not None:
            away = tangents(tube.centres)[0]
            beyond = branch_tube.centres[(branch_tube.centres - tube.centres[0]) @ away < 0]
            near = lumen.wall.near(np.concatenate([tube.way, branch_tube.way]), WALL_REACH_MM)
            course = continue_into_branch(course, near, ostium, beyond, end, step)
    else:
        course = follow_vein(tube.wall, ostium, tube.centres, end, step)
        trunk = float(course.centreline.s_mm[-1])
        sections = course.sections
    line = course.centreline
    axis = fit_axis(ostium, sections, settings.anatomy.axis_length_mm, trunk)
    takeoff = takeoff_wall_deg(axis.direction, opened.wall.surface, ostium, others)
    confidence = naming.confidence.get(name, EXTRA_NAME_CONFIDENCE)
    shared = _unnamed_trunk_mm(branches, candidate, settings.anatomy.common_trunk_mm)
    if shared is not None:
        confidence = min(confidence, UNNAMED_TRUNK_CONFIDENCE)
    notes = [replace(n, subject=name) for n in candidate.notes]
    if confidence < CLOSE_RUNNER_UP:
        runner_up = naming.runner_up.get(name, "nothing")
        notes.append(
            Note(
                "names",
                f"the name {name} is uncertain ({confidence:.0%}); next best: {runner_up}",
                name,
                "caution",
            )
        )
    if shared is not None:
        notes.append(
            Note(
                "names",
                f"it runs together with another branch for about {shared:.0f} mm before the "
                "atrium, but the common part has no clear ostium: it may belong to a common trunk, "
                "and its ostium lie nearer to the atrium",
                name,
                "caution",
            )
        )
    if not axis.sound:
        notes.append(
            Note(
                "measures",
                f"the vein is clear of its ostium for under {axis.length_mm + 0.05:.1f} mm: "
                "its axis leans on the ostial normal and is uncertain",
                name,
                "caution",
            )
        )
    if takeoff is None:
        notes.append(Note("measures", "too little atrial wall around it for a take-off", name))
    if line.s_mm[-1] < SHORT_STUB_MM:
        notes.append(
            Note(
                "input",
                f"the stub is only {line.s_mm[-1]:.1f} mm long past the ostium",
                name,
                "caution",
            )
        )
    return Vein(
        name=name,
        name_confidence=confidence,
        ostium=ostium,
        centreline=line,
        sections=course.sections,
        axis=axis.direction,
        axis_length_mm=axis.length_mm,
        takeoff_wall_deg=takeoff,
        takeoff_frontal_deg=frontal_angle_deg(axis.direction),
        takeoff_transverse_deg=transverse_angle_deg(axis.direction),
        trunk_length_mm=trunk,
        trunk_at_least=not is_trunk,
        end_rims=_end_rims(opened, candidate.members),
        branches=_branch_names(name, branches, candidate.members),
        notes=tuple(notes),
    )


def _unnamed_trunk_mm(
    branches: Branches, candidate: Candidate, common_trunk_mm: float
) -> float | None:
    """Length of a part that a single branch shares with others and that is no vein itself."""
    if len(candidate.members) > 1:
        return None
    lengths = [
        part.length_mm
        for part in branches.shared
        if candidate.members[0] in part.members
        and len(part.members) <= MOST_MEMBERS
        and part.length_mm >= common_trunk_mm
    ]
    return max(lengths, default=None)


def _branch_names(name: str, branches: Branches, members: Sequence[int]) -> tuple[str, ...]:
    if len(members) < 2:
        return ()
    if name in TRUNK_BRANCHES and len(members) == 2:
        return TRUNK_BRANCHES[name]
    return tuple(f"{name}-branch-{k + 1}" for k in range(len(members)))


def _open_holes(found: Detection) -> int:
    """Count the openings that are no end of a vein or the appendage, and not the mitral side."""
    used = {
        found.branches.branches[member].opening
        for index in found.roles.values()
        for member in found.candidates[index].members
    }
    return sum(index not in used for index in range(len(found.lumen.openings)))


def _end_rims(opened: Opened, members: Sequence[int]) -> tuple[IntArray, ...]:
    """Return the rim nearest to each branch's end, in the order of the branches."""
    rims: list[IntArray] = []
    for member in members:
        end = opened.end_of_branch.get(member)
        if end is None or not len(opened.wall.rims):
            continue
        rims.append(_nearest_rim(opened.wall, end))
    return tuple(rims)


def _nearest_rim(wall: OpenWall, point: FloatArray) -> IntArray:
    return wall.rims[int(np.argmin(np.linalg.norm(wall.centres - point, axis=1)))]


def _appendage(
    wall: Surface,
    branches: Branches,
    candidates: Sequence[Candidate],
    naming: Naming,
) -> Appendage | None:
    """Return the appendage; without an ostium of its own its last narrow section stands in."""
    index = naming.roles.get(APPENDAGE)
    if index is None:
        return None
    candidate = candidates[index]
    tip = int(cKDTree(wall.points).query(branches.branches[candidate.members[0]].tip)[1])
    confidence = naming.confidence[APPENDAGE]
    if candidate.ostium is not None:
        ostium = candidate.ostium
        return Appendage(
            ostium.centre, ostium.normal, ostium.contour, tip, min(confidence, ostium.confidence)
        )
    if candidate.tube is None or len(candidate.tube.centres) < 2:
        return None
    centre = candidate.tube.centres[-1]
    normal = -tangents(candidate.tube.centres)[-1]
    section = section_at(candidate.tube.wall, centre, normal)
    if section is None:
        return None
    return Appendage(
        section.centroid,
        normal,
        Contour(section.contour.points),
        tip,
        min(confidence, SECTION_CONFIDENCE),
    )


def _mitral(opened: Opened) -> MitralOpening | None:
    side = opened.mitral
    if side is None or not len(opened.wall.rims):
        return None
    rim = _nearest_rim(opened.wall, side.cut.origin)
    return MitralOpening(side.centre, side.normal, rim, side.confidence)


def _case_notes(opened: Opened, appendage: Appendage | None, naming: Naming) -> list[Note]:
    notes: list[Note] = []
    if opened.mitral is not None and not opened.mitral.flat:
        notes.append(
            Note(
                "branches",
                "the surface is closed at the mitral side without a flat lid; its place is "
                "estimated from the veins",
                MITRAL,
                "caution",
            )
        )
    if appendage is None:
        notes.append(
            Note(
                "branches",
                "no appendage was found: distances to it and the ridge beside it are not given",
                APPENDAGE,
            )
        )
    elif appendage.confidence <= SECTION_CONFIDENCE:
        notes.append(
            Note(
                "branches",
                "the appendage has no clear ostium; a section near its base stands in for it",
                APPENDAGE,
            )
        )
    if naming.frame_doubt > -WEAK_FRAME_MARGIN:
        notes.append(
            Note(
                "names",
                "the anatomy does not settle the frame: check that left and right are right",
                severity="caution",
            )
        )
    return notes
