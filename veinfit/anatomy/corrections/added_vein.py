"""A vein that was missed, found from a point inside it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from veinfit.anatomy.branches.branch_sections import BranchSections, arc_length, tangents
from veinfit.anatomy.branches.inscribed import inscribed_spheres
from veinfit.anatomy.branches.model import Branch
from veinfit.anatomy.branches.paths import paths_from
from veinfit.anatomy.candidates import single_candidate
from veinfit.anatomy.detection import Detection
from veinfit.anatomy.fewer_faces import for_finding, on_all_faces
from veinfit.anatomy.perturbed_walls import in_the_middle, middle_share
from veinfit.anatomy.walked_aslant import WIDEST_MM
from veinfit.errors import InputError
from veinfit.surface.contours import in_plane, polygon_area, section_around, surrounds
from veinfit.vectors import FloatArray
from veinfit.vein_names import MITRAL, TRUNK_BRANCHES

INSIDE_STEPS = 1.8
"""A point within this many grid cells of the lumen's nearest cell lies in the blood."""

SAME_TUBE = 2.0
"""A section through the point with at most this many times the tube's area there is the tube's."""


def with_part(found: Detection, name: str, point: FloatArray) -> Detection:
    """Give ``name`` to the branch, or trunk, in whose lumen a point (3,) lies.

    A part that the detection knows is taken as it is. Where it knows none, the
    path from the atrium's body to the point is followed as a branch of its own,
    which ends at the point.

    Raises
    ------
    InputError
        The point lies outside the blood, in another vein, in no branch, or too near to the atrium.
    """
    place = f"({', '.join(f'{c:.1f}' for c in point)}) mm LPS"
    index = _known_part(found, name, point)
    if index is None:
        found, index = _new_part(found, name, point, place)
    members = set(found.candidates[index].members)
    for role, taken in found.roles.items():
        if role != MITRAL and members & set(found.candidates[taken].members):
            raise InputError(
                f"corrections: the point {place} of {name} lies in {role}; rename {role}, or drop "
                "it first"
            )
    return replace(found, roles={**found.roles, name: index})


def steadied(found: Detection, names: Collection[str]) -> Detection:
    """Place the ostia of added veins as those that were found by themselves are placed.

    Where they are not sure they are moved to the middle of those on perturbed walls.
    The grid of the lumen is filled anew: keeping it costs every case memory for what few need.

    Parameters
    ----------
    found : Detection
        With the added veins among its roles.
    names : collection of str
        Of the added veins whose ostia nobody has set by hand.
    """
    candidates = found.candidates
    unsure = [
        name
        for name in names
        if (ostium := candidates[found.roles[name]].ostium) is not None
        and middle_share(ostium) > 0.0
    ]
    if not unsure:
        return found
    rough = for_finding(found.lumen)
    spheres = inscribed_spheres(rough.wall.surface)
    paths = paths_from(spheres, found.branches.body_centre)
    veins = {name: found.roles[name] for name in found.vein_names}
    moved = in_the_middle(
        rough,
        spheres,
        replace(found.branches, paths=paths),
        candidates,
        veins,
        found.settings.anatomy,
        only=unsure,
    )
    return replace(
        found,
        candidates=tuple(
            one if one is before else on_all_faces(one, found.lumen)
            for one, before in zip(moved, candidates, strict=True)
        ),
    )


def _known_part(found: Detection, name: str, point: FloatArray) -> int | None:
    """Index of the candidate in whose tube a point lies; a trunk where a trunk is asked for."""
    is_trunk = name in TRUNK_BRANCHES
    best: tuple[float, int] | None = None
    for index, candidate in enumerate(found.candidates):
        if candidate.tube is None or (len(candidate.members) > 1) != is_trunk:
            continue
        away = _in_tube(candidate.tube, point)
        if away is not None and (best is None or away < best[0]):
            best = (away, index)
    return None if best is None else best[1]


def _in_tube(tube: BranchSections, point: FloatArray) -> float | None:
    """Distance of a point in a tube's lumen from its middle; None for one outside."""
    if len(tube.centres) < 2:
        return None
    distance = np.linalg.norm(tube.centres - point, axis=1)
    k = int(np.argmin(distance))
    direction = tangents(tube.centres)[k]
    if abs(float((point - tube.centres[k]) @ direction)) > 3.0:
        return None
    contour = section_around(tube.wall.surface, point, direction)
    if contour is None:
        return None
    flat = in_plane(contour.points, point, direction)
    # The plane through a tube cuts its neighbours too: in them the contour leaves out its middle.
    if not surrounds(flat, in_plane(tube.centres[k][None], point, direction)[0]):
        return None
    return float(distance[k]) if abs(polygon_area(flat)) <= SAME_TUBE * tube.areas_mm2[k] else None


def _new_part(found: Detection, name: str, point: FloatArray, place: str) -> tuple[Detection, int]:
    paths = found.branches.paths
    cell = paths.nearest_cell(point)
    gap = float(np.linalg.norm(paths.points[cell] - point))
    if gap > INSIDE_STEPS * paths.step_mm:
        raise InputError(
            f"corrections: the point {place} of {name} lies outside the blood, {gap:.1f} mm from "
            "it; give a point in the vein's lumen, and check the frame"
        )
    path = np.concatenate([paths.to_cell(cell)[:-1], point[None]])
    length = float(arc_length(path)[-1])
    branch = Branch(point, path, length, 0.0, length, None, None)
    member = len(found.branches.branches)
    branches = replace(found.branches, branches=(*found.branches.branches, branch))
    candidate = (
        single_candidate(found.lumen, branches, member, found.settings.anatomy)
        if len(path) > 2
        else None
    )
    if candidate is None or candidate.tube is None:
        raise InputError(
            f"corrections: no vein could be followed from the point {place} of {name}: no section "
            "of its own surrounds it; give a point farther from the atrium"
        )
    if candidate.ostium is None or candidate.ostium.measures.d_area_mm > WIDEST_MM:
        raise InputError(
            f"corrections: from the point {place} of {name} no ostium can be told from the atrium; "
            "give a point farther out in the vein"
        )
    candidates = (*found.candidates, candidate)
    return replace(found, branches=branches, candidates=candidates), len(found.candidates)
