"""Stubs that were cut off and closed: each ends in a flat disc with an edge.

A stub that was cut off short reaches hardly farther from the body than the wall beside it. Its
cut tells it from a bulge: no wall of an atrium is a flat disc with an edge all round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from veinfit.anatomy.branches.end_cuts import ROUNDED_RIM_MM, EndCut, cut_and_parents
from veinfit.anatomy.branches.flat_ends import piece_of
from veinfit.anatomy.branches.join_tree import JoinTree
from veinfit.anatomy.branches.lumen import Lumen, Wall, opening_of
from veinfit.surface.mesh import face_areas, face_middles, face_normals, select_faces
from veinfit.surface.openings import boundary_loops
from veinfit.vectors import FloatArray, IntArray, basis_toward, dots, unit

LEAST_REACH_MM = 1.0
"""Of a short stub beside the body's wall little is left: one band of the distance from the core."""

OPENING_MM = 3.0
"""A tip this near to an opening of the input ends there."""

SAME_CUT = 0.5
"""Cuts nearer to each other than so many radii are the same."""

MOST_WIDER = 1.5
"""A section there that is this many times as wide as the end takes a neighbour in."""

TIP_MM = 6.0
"""A disc holds the middle of a face this near to the tip ..."""

REACH_MM = 32.0
"""... and nothing farther from it than this ..."""

AREA_MM2_RANGE = (10.0, 800.0)
"""... and is 4 to 32 mm wide, its rim rounded: a wider one is the lid of the mitral side."""

SEEDS = 24
"""So many faces near the tip are tried."""

SAME_DIRECTION_DEG = 15.0
"""Faces of a disc look the same way to this: surfaced voxels make steps of it, 9 degrees RMS."""

SAME_PLANE_MM = 0.6
"""... and lie in one plane to this."""

MOST_OBLONG = 1.5
"""Twice the mean square distance from the middle over that of a disc of the same area."""

SECTORS = 12
EDGE_MM = 3.0
"""Around it the wall is looked at over this distance from the edge, and this deep."""

EDGE_DEG = 50.0
"""There it has turned away by this; around a flat part of a rounded end, or of the body, by less.
Surfaced from voxels of 1.4 mm the edges of cuts keep 50 to 70 degrees."""

MOST_WITHOUT_EDGE = 1
"""In all sectors but this one: a neighbour may touch there."""


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """A flat end: its middle and outward normal, (3,) each, and the radius of a disc as large."""

    centre: FloatArray
    normal: FloatArray
    radius_mm: float

    def same_as(self, other: _Cut) -> bool:
        away = float(np.linalg.norm(self.centre - other.centre))
        return away < SAME_CUT * max(self.radius_mm, other.radius_mm)


def opened_at_cuts(lumen: Lumen, fewer: Lumen, tree: JoinTree) -> tuple[Lumen, Lumen]:
    """Take the flat ends of blind stubs for what they are: openings that the input closes.

    Parameters
    ----------
    lumen : Lumen
    fewer : Lumen
        The same with fewer faces, or the same: the cuts are sought there.
    tree : JoinTree
        What leaves its body.

    Returns
    -------
    opened, fewer_opened : Lumen
        Closed as before; what lies beyond each cut is a cap.
    """
    cuts: list[_Cut] = []
    for tip in tree.places(LEAST_REACH_MM):
        if any(np.linalg.norm(tip - cap, axis=1).min() < OPENING_MM for cap in _caps(lumen)):
            continue
        cut = cut_at(fewer.wall, tip)
        if cut is not None and not any(cut.same_as(other) for other in cuts):
            cuts.append(cut)
    if not cuts:
        return lumen, fewer
    opened = _opened(lumen, cuts)
    if fewer is lumen:
        return opened, opened
    return opened, replace(_opened(fewer, cuts), openings=opened.openings)


def _caps(lumen: Lumen) -> list[FloatArray]:
    return [opening.cap_points for opening in lumen.openings]


def _opened(lumen: Lumen, cuts: Sequence[_Cut]) -> Lumen:
    """Mark what lies beyond each cut as cap, and tell each as an opening."""
    openings = list(lumen.openings)
    wall = lumen.wall
    lids = np.zeros_like(wall.is_cap)
    for cut in cuts:
        plane = EndCut(cut.centre - ROUNDED_RIM_MM * cut.normal, cut.normal)
        closed, parent = cut_and_parents(wall, [plane])
        taken_off = closed.is_cap & ~wall.is_cap[parent]
        beyond, _ = select_faces(closed.surface, taken_off)
        loops = boundary_loops(beyond)
        if len(loops) != 1:
            continue  # the plane cuts a neighbour too, or parts nothing off
        edge = opening_of(beyond, loops[0][::-1], is_closed=True)
        if edge.diameter_mm <= MOST_WIDER * 2.0 * cut.radius_mm:
            openings.append(edge)
            wall, lids = closed, lids[parent] | taken_off
    return replace(lumen, wall=wall, openings=tuple(openings), is_lid=lids)


def cut_at(wall: Wall, tip: FloatArray) -> _Cut | None:
    """Return the cut that a blind branch ends in, None where its end is rounded or torn.

    Parameters
    ----------
    wall : Wall
        Of the whole lumen, closed.
    tip : (3,) array
        The farthest cell of the branch, mm.
    """
    surface = wall.surface
    away = face_middles(surface) - tip
    near = np.flatnonzero((dots(away, away) < REACH_MM**2) & ~wall.is_cap)
    away, normals, areas = away[near], face_normals(surface)[near], face_areas(surface)[near]
    corners = surface.points[surface.faces[near]] - tip
    # A face without area has no plane.
    seeds = np.flatnonzero((dots(away, away) < TIP_MM**2) & (areas > 0.0))
    tried = np.zeros(len(near), dtype=bool)
    for seed in seeds[:: len(seeds) // SEEDS + 1]:
        if tried[seed]:
            continue
        flat, normal = _flat_around(away, normals, areas, int(seed))
        flat = flat[piece_of(surface.faces[near[flat]], int(np.flatnonzero(flat == seed)[0]))]
        tried[flat] = True
        area = float(areas[flat].sum())
        if not AREA_MM2_RANGE[0] <= area <= AREA_MM2_RANGE[1]:
            continue
        centre = areas[flat] @ away[flat] / area
        if _is_disc(away - centre, areas, flat, normal) and _has_edge(
            away - centre, corners - centre, normals, flat, normal
        ):
            return _Cut(tip + centre, normal, float(np.sqrt(area / np.pi)))
    return None


def _flat_around(
    away: FloatArray, normals: FloatArray, areas: FloatArray, seed: int
) -> tuple[IntArray, FloatArray]:
    """Return the faces in one plane with a seed, which is one of them, and the plane's normal."""
    normal, origin = normals[seed], away[seed]
    for _ in range(3):
        level = (away - origin) @ normal
        chosen = (normals @ normal > np.cos(np.radians(SAME_DIRECTION_DEG))) & (
            np.abs(level) < SAME_PLANE_MM
        )
        chosen[seed] = True
        weight = areas[chosen]
        normal = unit(weight @ normals[chosen])
        origin = weight @ away[chosen] / weight.sum()
    return np.flatnonzero(chosen), normal


def _is_disc(aside: FloatArray, areas: FloatArray, flat: IntArray, normal: FloatArray) -> bool:
    """Whether faces are round: ``aside`` (N, 3) are the middles of all, from their own middle."""
    weight = areas[flat]
    square = dots(aside[flat], aside[flat]) - (aside[flat] @ normal) ** 2
    return bool(2.0 * np.pi * float(weight @ square) / float(weight.sum()) ** 2 < MOST_OBLONG)


def _has_edge(
    middles: FloatArray,
    corners: FloatArray,
    normals: FloatArray,
    flat: IntArray,
    normal: FloatArray,
) -> bool:
    """Whether the wall turns away past the edge of a flat piece, all around it.

    ``middles`` (N, 3) and ``corners`` (N, 3, 3) of the faces are told from the piece's middle.
    """
    basis = np.stack(basis_toward(normal, middles.mean(axis=0)))
    rim = (corners[flat] @ basis.T).reshape(-1, 2)
    flatly = middles @ basis.T
    rim_sector, sector = _sector(rim), _sector(flatly)
    rim_radius, radius = np.hypot(*rim.T), np.hypot(*flatly.T)
    outside = np.abs(middles @ normal) < EDGE_MM
    outside[flat] = False
    without = 0
    for k in range(SECTORS):
        own = rim_radius[rim_sector == k]
        edge = float(own.max()) if len(own) else 0.0
        past = outside & (sector == k) & (np.abs(radius - edge) < EDGE_MM)
        turned = past.any() and float(np.median(normals[past] @ normal)) < np.cos(
            np.radians(EDGE_DEG)
        )
        without += not turned
    return without <= MOST_WITHOUT_EDGE


def _sector(places: FloatArray) -> IntArray:
    turn = np.degrees(np.arctan2(places[:, 1], places[:, 0]))
    return np.floor(turn * SECTORS / 360.0).astype(np.int64) % SECTORS
