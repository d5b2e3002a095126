"""Fine surfaces: what is found on fewer faces, and measured on all of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from veinfit.anatomy.branches.branch_sections import WALL_REACH_MM
from veinfit.anatomy.branches.lumen import Lumen, Wall
from veinfit.anatomy.candidates import Candidate
from veinfit.anatomy.model import Contour, Ostium
from veinfit.surface.contours import contour_around, contour_centroid, measure_contour
from veinfit.surface.cuts import plane_contours
from veinfit.surface.mesh import select_faces
from veinfit.surface.openings import boundary_loops, cap_loops
from veinfit.surface.resample import with_fewer_faces

ENOUGH_FACES = 30_000
"""Edges of about 1 mm on an atrium of 150 cm2: the wall's turn is read over 5 to 12 mm."""

WORTH_IT = 1.5
"""Below this many times as many faces, taking some off costs what it saves."""


def for_finding(lumen: Lumen) -> Lumen:
    """Return a lumen with fewer faces in which to find veins, the same where it has few.

    Its openings are those of the given one, whose rims are numbered on that one's surface.
    """
    return with_faces(lumen, ENOUGH_FACES)


def with_faces(lumen: Lumen, faces: int) -> Lumen:
    """Return a lumen with about so many faces, the same where it has hardly more or fewer."""
    wall = lumen.wall
    if len(wall.surface.faces) < WORTH_IT * faces:
        return lumen
    part = wall.surface
    if wall.is_cap.any():
        part, _ = select_faces(part, ~wall.is_cap)
    fewer = with_fewer_faces(part, faces)
    if fewer is None:
        return lumen
    closed, cap = cap_loops(fewer, boundary_loops(fewer))
    return replace(lumen, wall=Wall(closed, cap >= 0))


def on_all_faces(candidate: Candidate, lumen: Lumen) -> Candidate:
    """Return a candidate that was found on fewer faces with the wall and ostium on all of them."""
    if candidate.tube is None:
        return candidate
    wall = lumen.wall.near(candidate.tube.path, WALL_REACH_MM)
    ostium = candidate.ostium
    if ostium is not None:
        ostium = _cut_again(ostium, wall)
    return replace(candidate, tube=replace(candidate.tube, wall=wall), ostium=ostium)


def _cut_again(ostium: Ostium, wall: Wall) -> Ostium:
    """Cut a wall in the plane of an ostium that was found on fewer faces."""
    contours = plane_contours(wall.surface, ostium.centre, ostium.normal)
    contour = contour_around(contours, ostium.centre, ostium.normal)
    if contour is None or bool(wall.is_cap[contour.faces].any()):
        return ostium
    measures = measure_contour(contour.points, ostium.normal)
    if not np.isclose(measures.d_area_mm, ostium.measures.d_area_mm, rtol=0.05):
        # Another contour of the same plane: the vein's own is not whole here.
        return ostium
    return replace(
        ostium,
        centre=contour_centroid(contour.points, ostium.normal),
        contour=Contour(contour.points),
        measures=measures,
    )
