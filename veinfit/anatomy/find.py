"""The anatomy stages in order: lumen, branches, names, ostia, courses, measures."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.branches.branch_sections import section_at, tangents
from veinfit.anatomy.branches.cut_off import opened_at_cuts
from veinfit.anatomy.branches.finding import find_branches
from veinfit.anatomy.branches.inscribed import inscribed_spheres
from veinfit.anatomy.branches.join_tree import join_tree
from veinfit.anatomy.branches.labelled_veins import APPENDAGE_LABEL, LabelHints, with_labelled
from veinfit.anatomy.branches.lumen import Lumen, prepare_lumen
from veinfit.anatomy.branches.model import Branches
from veinfit.anatomy.candidates import Candidate, parted
from veinfit.anatomy.detection import Detection
from veinfit.anatomy.fewer_faces import for_finding, on_all_faces
from veinfit.anatomy.image_cuts import image_cut_notes
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.model import Anatomy, Appendage, Contour, Vein
from veinfit.anatomy.named import name_found
from veinfit.anatomy.naming.frame_check import StatedFrame, flat_side
from veinfit.anatomy.naming.label_contradictions import contradiction_notes
from veinfit.anatomy.naming.missing_veins import absent_notes, labelled_but_missing
from veinfit.anatomy.naming.names import CandidateFeatures, Naming
from veinfit.anatomy.oblique_cuts import oblique_cut_notes
from veinfit.anatomy.ostium.label_ostia import label_ostia, label_words
from veinfit.anatomy.perturbed_walls import in_the_middle
from veinfit.anatomy.ridges import ridge_widths
from veinfit.anatomy.vein import measure_vein
from veinfit.anatomy.vein_axis import SHORTEST_AXIS_MM
from veinfit.anatomy.verdict import input_verdict
from veinfit.anatomy.wall_opening import OpenedLumen, end_rims, mitral_opening, open_lumen
from veinfit.frames import Frame
from veinfit.memory import give_back_memory
from veinfit.notes import Note
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.vein_names import APPENDAGE, MITRAL

LEAST_EXTRA_MM = 2.0
"""What is no usual vein and ends nearer than this past its ostium is a bump, no vein."""

WIDEST_EXTRA_MM = 32.0
"""An unnamed open branch wider than this is no vein."""

SECTION_CONFIDENCE = 0.3
"""An appendage's opening taken from a section instead of the wall's half turn."""

WIDEST_APPENDAGE_MM = 40.0
"""What is wider than this, by its area, lies in the atrium: common practice, no source."""

Progress = Callable[[str], None]


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

    Returns
    -------
    Anatomy

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
    """Run the stages up to the open wall: all that is found, before it is measured.

    Parameters
    ----------
    lumen_input : LumenInput
    settings : Settings
    frame : {'lps', 'ras'}
        The frame the file was stated to be in; only named in messages.
    tell : callable
        Told the name of each stage as it begins.

    Returns
    -------
    Detection

    Raises
    ------
    InputError
        As :func:`find_anatomy`.
    """
    tell("lumen")
    lumen, notes = prepare_lumen(lumen_input.surface, settings.surface)
    lumen_input.surface.drop_tables()
    tell("branches")
    give_back_memory()
    rough = for_finding(lumen)
    give_back_memory()
    spheres = inscribed_spheres(rough.wall.surface)
    give_back_memory()
    tree = join_tree(spheres)
    lumen, rough = opened_at_cuts(lumen, rough, tree)
    give_back_memory()
    labels = LabelHints(lumen_input.hints)
    branches = with_labelled(find_branches(tree, lumen.openings), labels)
    tell("names")
    stated = StatedFrame(
        frame, lumen_input.resolution_mm is not None, lumen_input.trust_frame, flat_side(spheres)
    )
    found = name_found(lumen, rough, branches, spheres, labels, settings.anatomy, stated)
    branches, candidates, naming = found.branches, found.candidates, found.naming
    notes = (
        *notes,
        *filter(None, [naming.other_frame.note(stated)]),
        *contradiction_notes(
            naming.contradicted, {r: found.features[k].hint for r, k in naming.roles.items()}
        ),
    )
    roles = {
        role: index
        for role, index in _with_extras(naming, found.features, candidates).items()
        if not role.startswith("extra-")
        or found.features[index].hint
        or _past_ostium_mm(candidates[index], lumen, branches) >= LEAST_EXTRA_MM
    }
    veins = {role: index for role, index in roles.items() if role not in (APPENDAGE, MITRAL)}
    candidates, shared = parted(rough, branches, candidates, veins, settings.anatomy)
    roles = {role: index for role, index in roles.items() if role not in shared}
    own = {name: index for name, index in veins.items() if name not in shared}
    candidates = in_the_middle(rough, spheres, branches, candidates, own, settings.anatomy)
    tell("wall")
    give_back_memory()
    if rough is not lumen:
        named = set(roles.values())
        candidates = tuple(
            on_all_faces(candidate, lumen) if index in named else candidate
            for index, candidate in enumerate(candidates)
        )
    lumen.wall.surface.drop_tables()
    give_back_memory()
    opened = open_lumen(lumen, branches, candidates, naming, roles, rough.wall.surface)
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
        labelled_but_missing(lumen_input.hints, roles),
        lumen_input.label_borders,
        lumen_input.label_values,
        lumen_input.image_border_points,
    )


def _with_extras(
    naming: Naming, features: Sequence[CandidateFeatures], candidates: Sequence[Candidate]
) -> dict[str, int]:
    """Give every open tube that no role took, and that has the ostium of a vein, a name."""
    roles = dict(naming.roles)
    used = {m for index in roles.values() for m in features[index].members}
    number = 1
    for index, one in enumerate(features):
        if len(one.members) > 1 or one.members[0] in used or not one.is_open:
            continue
        if not one.has_ostium or one.diameter_mm > WIDEST_EXTRA_MM:
            continue
        while f"extra-{number}" in roles:
            number += 1
        roles[f"extra-{number}"] = index
    return roles


def _past_ostium_mm(candidate: Candidate, lumen: Lumen, branches: Branches) -> float:
    """How far a branch goes on past its ostium, mm; as far as need be without one."""
    if candidate.ostium is None:
        return LEAST_EXTRA_MM
    first = branches.branches[candidate.members[0]]
    if candidate.end is not None:
        end = candidate.end.centre
    else:
        end = first.tip if first.opening is None else lumen.openings[first.opening].centre
    return float((end - candidate.ostium.centre) @ candidate.ostium.normal)


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

    Returns
    -------
    Anatomy
    """
    give_back_memory()
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
            rims = end_rims(opened, candidate.members)
            veins.append(replace(kept[name], end_rims=rims))
            continue
        others = [ostia[other] for other in ostia if other != name]
        veins.append(measure_vein(found, name, others))
    lost = {n: reason for n, reason in found.missing.items() if n not in roles}
    unmeasured |= lost
    notes += [
        Note(
            "names",
            f"{label_words(name, found.label_values)}: not measured: {reason}",
            name,
            "caution",
        )
        for name, reason in lost.items()
    ]
    notes += absent_notes((*roles, *lost, *naming.roles))
    wall = opened.wall.surface
    appendage = _appendage(wall, branches, candidates, naming)
    mitral = mitral_opening(opened)
    contours = {v.name: v.ostium.contour for v in veins}
    if appendage is not None:
        contours[APPENDAGE] = appendage.contour
    lumen.wall.surface.drop_tables()
    give_back_memory()
    widths, ridge_notes = ridge_widths(wall, contours if ridges else {})
    notes += oblique_cut_notes(found, veins)
    notes += image_cut_notes(found, veins)
    notes += _case_notes(opened, appendage, found.label_values)
    verdict = input_verdict(
        wall,
        found.resolution_mm,
        {vein.name: float(vein.centreline.s_mm[-1]) for vein in veins},
        [vein.name for vein in veins if vein.axis_length_mm < SHORTEST_AXIS_MM],
        tuple(unmeasured),
        (lumen.holes_filled, found.open_holes),
        tuple(note.text for note in found.notes if note.stage == "surface"),
    )
    own_label_ostia = label_ostia(found.label_borders, lumen.wall, veins)
    for surface in (lumen.wall.surface, wall):
        surface.drop_tables()
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
        given_wall=opened.wall.given,
        label_ostia=own_label_ostia,
    )


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
    ostium = candidate.ostium
    if ostium is not None and ostium.measures.d_area_mm <= WIDEST_APPENDAGE_MM:
        return Appendage(
            ostium.centre, ostium.normal, ostium.contour, tip, min(confidence, ostium.confidence)
        )
    if candidate.tube is None or len(candidate.tube.centres) < 2:
        return None
    widest_mm2 = np.pi / 4.0 * WIDEST_APPENDAGE_MM**2
    centres = candidate.tube.centres
    for centre, normal in zip(centres[::-1], -tangents(centres)[::-1], strict=True):
        section = section_at(candidate.tube.wall, centre, normal)
        if section is not None and section.area_mm2 <= widest_mm2:
            return Appendage(
                section.centroid,
                normal,
                Contour(section.contour.points),
                tip,
                min(confidence, SECTION_CONFIDENCE),
            )
    return None


def _case_notes(
    opened: OpenedLumen, appendage: Appendage | None, labels: Mapping[str, tuple[int, ...]]
) -> list[Note]:
    notes: list[Note] = []
    if opened.mitral.source == "estimated":
        notes.append(
            Note(
                "branches",
                "the mitral side of the surface is closed and shows no flat lid; the place of the "
                "mitral opening is estimated from the veins",
                MITRAL,
                "caution",
            )
        )
    if appendage is None and APPENDAGE_LABEL in labels:
        text = (
            f"{label_words(APPENDAGE_LABEL, labels)}: too shallow for an ostium of its own; "
            "distances to it and the ridge beside it are not given"
        )
        notes.append(Note("branches", text, APPENDAGE, "caution"))
    elif appendage is None:
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
                "the appendage has no clear ostium; a section near its base is used instead",
                APPENDAGE,
            )
        )
    return notes
