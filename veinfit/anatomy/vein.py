"""One vein: its course, its sections, its measures, and what is uncertain about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from veinfit.anatomy.branches.branch_sections import WALL_REACH_MM, tangents
from veinfit.anatomy.branches.centrelines import (
    VeinCourse,
    continue_into_branch,
    follow_vein,
    trunk_sections,
    wall_beside,
)
from veinfit.anatomy.candidates import MOST_MEMBERS, Candidate
from veinfit.anatomy.detection import Detection
from veinfit.anatomy.measures import takeoff_wall_deg
from veinfit.anatomy.model import Ostium, Vein
from veinfit.anatomy.naming.diameters import UNUSUAL_CONFIDENCE, unusual_diameter
from veinfit.anatomy.naming.names import NO_VEIN
from veinfit.anatomy.ostium.certainty import wider_for_voxels
from veinfit.anatomy.perturbed_walls import middle_share
from veinfit.anatomy.vein_axis import Axis, fit_axis, trunk_axis
from veinfit.anatomy.wall_opening import end_rims
from veinfit.frames import frontal_angle_deg, transverse_angle_deg
from veinfit.notes import Note
from veinfit.vectors import FloatArray, unit
from veinfit.vein_names import APPENDAGE, MIDDLE_VEINS, MITRAL, TRUNK_BRANCHES

OTHER_AXES_SHARE = 0.5
"""The axes from ostia on perturbed walls count together as much as that from the ostium taken: more
moved the farthest axes of drawn veins away from the truth."""

EXTRA_NAME_CONFIDENCE = 0.5
"""An extra vein is a vein for sure, but its name says little."""

UNNAMED_TRUNK_CONFIDENCE = 0.5
"""A branch of what may be a common trunk: its own name is even odds ..."""

RIGHT_PAIR_CONFIDENCE = 0.9
"""... but right veins have a common trunk in 0.5 % (Cronin et al., Acad Radiol 2007), and paths of
a flat atrium join early: none of ten pairs of two real atria in new shapes shared one, nor did the
pair of one drawn atrium."""

EARLY_BRANCH_MM = 2.0
"""A right vein and a middle one that share this much may be a vein and its first branch."""

CLOSE_RUNNER_UP = 0.9
"""A name below this confidence is noted with its runner-up."""


def measure_vein(found: Detection, name: str, others: Sequence[Ostium]) -> Vein:
    """Follow a vein that has an ostium, and measure it.

    Parameters
    ----------
    found : Detection
    name : str
        Of the vein, a role in ``found``.
    others : sequence of Ostium
        Of the other veins, whose walls are no part of this one's surroundings.
    """
    candidate = found.candidates[found.roles[name]]
    ostium = candidate.ostium
    assert ostium is not None
    if not ostium.by_hand:
        wider = wider_for_voxels(found.resolution_mm)
        ostium = replace(ostium, error_mm=wider * ostium.error_mm)
    course, axis, trunk_mm = _courses(found, candidate, ostium)
    line = course.centreline
    takeoff = takeoff_wall_deg(axis.direction, found.opened.wall.surface, ostium, others)
    confidence = found.naming.confidence.get(name, EXTRA_NAME_CONFIDENCE)
    shared, sure = _unnamed_trunk(found, candidate, _least_shared_mm(found, name))
    confidence = min(confidence, sure)
    notes = [replace(n, subject=name) for n in candidate.notes]
    if confidence < CLOSE_RUNNER_UP:
        runner_up = found.naming.runner_up.get(name, NO_VEIN)
        text = f"the name {name} is uncertain ({confidence:.0%}); next best: {runner_up}"
        notes.append(Note("names", text, name, "caution"))
    if shared is not None:
        text = (
            f"it joins another branch about {shared:.0f} mm before the atrium, and the common "
            "part shows no clear ostium. Both may be branches of one vein with its ostium nearer "
            "to the atrium"
        )
        notes.append(Note("names", text, name, "caution"))
    unusual = unusual_diameter(name, ostium.measures.d_area_mm)
    if unusual is not None:
        if not ostium.by_hand:
            ostium = replace(ostium, confidence=min(ostium.confidence, UNUSUAL_CONFIDENCE))
        notes.append(Note("ostium", unusual, name, "caution"))
    if not axis.sound:
        text = (
            f"less than {axis.length_mm + 0.05:.1f} mm of the vein is measured clear of its "
            "ostium: the axis is uncertain and follows the ostial normal"
        )
        notes.append(Note("measures", text, name, "caution"))
    if takeoff is None:
        notes.append(
            Note(
                "measures", "there is too little atrial wall around it to measure a take-off", name
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
        axis_error_deg=axis.error_deg,
        takeoff_wall_deg=takeoff,
        takeoff_frontal_deg=frontal_angle_deg(axis.direction),
        takeoff_transverse_deg=transverse_angle_deg(axis.direction),
        trunk_length_mm=trunk_mm,
        trunk_at_least=len(candidate.members) == 1,
        end_rims=end_rims(found.opened, candidate.members),
        branches=_branch_names(name, candidate.members),
        notes=tuple(notes),
    )


def _courses(
    found: Detection, candidate: Candidate, ostium: Ostium
) -> tuple[VeinCourse, Axis, float]:
    """Return a vein's course, its axis, and its trunk's length."""
    tube = candidate.tube
    assert tube is not None
    branches = found.branches.branches
    end = _cut_end(found, candidate.members[0])
    step = found.settings.anatomy.section_step_mm
    axis_mm = found.settings.anatomy.axis_length_mm
    if len(candidate.members) == 1:
        wall = wall_beside(tube, ostium)
        course = follow_vein(wall, ostium, tube.centres, end, step)
        length = float(course.centreline.s_mm[-1])
        last = tube.centres[0] if end is None else end
        flat = _end_normal(found, candidate)
        axis = fit_axis(wall, ostium, last, axis_mm, length, flat)
        if candidate.perturbed and not ostium.by_hand:
            axis = _axis_in_the_middle(candidate, axis, (end, flat), axis_mm)
        return course, axis, length
    course = follow_vein(tube.wall, ostium, tube.centres, tube.centres[0], step, rounds=0)
    assert candidate.carina_mm is not None and candidate.bifurcation is not None
    paths = [branches[m].path for m in candidate.members]
    sections = trunk_sections(tube.wall, ostium, candidate.bifurcation, candidate.carina_mm, paths)
    (beyond,) = (c.tube for c in found.candidates if c.members == candidate.members[:1])
    if beyond is not None:
        away = tangents(tube.centres)[0]
        centres = beyond.centres[(beyond.centres - tube.centres[0]) @ away < 0]
        near = found.lumen.wall.near(np.concatenate([tube.path, beyond.path]), WALL_REACH_MM)
        course = continue_into_branch(course, near, ostium, centres, end, step)
    axis = trunk_axis(ostium, sections, axis_mm, candidate.carina_mm)
    return course, axis, candidate.carina_mm


def _axis_in_the_middle(
    candidate: Candidate,
    axis: Axis,
    cut: tuple[FloatArray | None, FloatArray | None],
    axis_mm: float,
) -> Axis:
    """Return an axis turned to the middle of those from the ostia on perturbed walls.

    All are fitted to the vein's own wall. ``cut`` is the middle (3,) of the vein's end and its
    normal (3,), None where it has none.
    """
    assert candidate.tube is not None and candidate.ostium is not None
    end, flat = cut
    others = []
    for other in candidate.perturbed:
        assert other.tube is not None and other.ostium is not None
        wall = wall_beside(replace(other.tube, wall=candidate.tube.wall), other.ostium)
        last = other.tube.centres[0] if end is None else end
        reach = float(np.linalg.norm(last - other.ostium.centre))
        others.append(fit_axis(wall, other.ostium, last, axis_mm, reach, flat).direction)
    share = OTHER_AXES_SHARE * middle_share(candidate.ostium)
    mean = np.mean(others, axis=0)
    return replace(axis, direction=unit((1.0 - share) * axis.direction + share * mean))


def _cut_end(found: Detection, member: int) -> FloatArray | None:
    """Return the middle (3,) of a branch's cut: of an opening or a flat end, None if rounded."""
    opening = found.branches.branches[member].opening
    if opening is not None:
        return found.lumen.openings[opening].centre
    (single,) = (c for c in found.candidates if c.members == (member,))
    return None if single.end is None else single.end.centre


def _end_normal(found: Detection, candidate: Candidate) -> FloatArray | None:
    """Return the normal (3,) of a single branch's cut, out of the vein; None for a rounded end."""
    opening = found.branches.branches[candidate.members[0]].opening
    if opening is not None:
        return found.lumen.openings[opening].normal
    return None if candidate.end is None else candidate.end.normal


def _least_shared_mm(found: Detection, name: str) -> float:
    """From which shared length on the branches may be those of one vein.

    Right inferior veins branch early: what looks like a middle vein beside one may be a branch.
    """
    middle = any(role in found.roles for role in MIDDLE_VEINS)
    if middle and name in (*MIDDLE_VEINS, "RSPV", "RIPV"):
        return EARLY_BRANCH_MM
    return found.settings.anatomy.common_trunk_mm


def _unnamed_trunk(
    found: Detection, candidate: Candidate, least_mm: float
) -> tuple[float | None, float]:
    """Length of a part that a single branch shares with others and that shows no ostium.

    One that does was weighed by the names: a trunk too short to be common, or an antrum. What a
    vein shares with the appendage is the atrium. Second comes the confidence that it leaves to
    the branch's own name.
    """
    if len(candidate.members) > 1:
        return None, 1.0
    weighed = {c.members for c in found.candidates}
    names = {found.candidates[k].members[0]: name for name, k in found.roles.items()}
    parts = [
        part
        for part in found.branches.shared
        if candidate.members[0] in part.members
        and part.members not in weighed
        and len(part.members) <= (MOST_MEMBERS if least_mm > EARLY_BRANCH_MM else 2)
        and part.length_mm >= least_mm
        and not any(names.get(member) in (APPENDAGE, MITRAL) for member in part.members)
    ]
    if not parts:
        return None, 1.0
    right = {"RSPV", "RIPV"}
    pair = all({names.get(member) for member in part.members} == right for part in parts)
    sure = RIGHT_PAIR_CONFIDENCE if pair else UNNAMED_TRUNK_CONFIDENCE
    return max(part.length_mm for part in parts), sure


def _branch_names(name: str, members: Sequence[int]) -> tuple[str, ...]:
    if len(members) < 2:
        return ()
    if name in TRUNK_BRANCHES and len(members) == 2:
        return TRUNK_BRANCHES[name]
    return tuple(f"{name}-branch-{k + 1}" for k in range(len(members)))
