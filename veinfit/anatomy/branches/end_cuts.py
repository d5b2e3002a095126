"""Opening the lumen: the wall alone, cut at the ends of veins and at the mitral side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.anatomy.branches.lumen import Wall
from veinfit.surface import Surface
from veinfit.surface.cleaning import face_neighbours
from veinfit.surface.contours import section_around
from veinfit.surface.cuts import split_along_plane
from veinfit.surface.mesh import face_areas, select_faces, total_area
from veinfit.surface.openings import boundary_loops
from veinfit.vectors import BoolArray, FloatArray, IntArray

ROUNDED_RIM_MM = 0.75
"""A flat end is cut off so far inside: surfacing rounds its rim."""

MOST_SHARE = 0.5
"""What is cut off as an end is no more than this share of the surface's area."""

AROUND_MM = 12.0
"""What a cut parts off is first looked for so far around it; an end is seldom longer."""


@dataclass(frozen=True, slots=True, eq=False)
class EndCut:
    """A plane that cuts the blind end of a branch off.

    ``normal`` points to the part that goes; the contour around ``origin`` is cut.
    """

    origin: FloatArray
    normal: FloatArray


def cut_ends(wall: Wall, cuts: Sequence[EndCut]) -> tuple[Wall, BoolArray]:
    """Mark what lies beyond each cut as cap, splitting faces along the planes.

    The surface stays closed. A cut whose plane has no closed contour around its
    origin is passed over, and so is one that would take the greater part of the wall:
    in a dent the plane parts what lies on its inner side off.

    Returns
    -------
    cut : Wall
    was_cap : (F,) bool array
        Its faces that were caps before.
    """
    cut, parent = cut_and_parents(wall, cuts)
    return cut, wall.is_cap[parent]


def cut_and_parents(wall: Wall, cuts: Sequence[EndCut]) -> tuple[Wall, IntArray]:
    """As :func:`cut_ends`; return which face of ``wall`` each face (F,) comes from.

    Returns
    -------
    cut : Wall
    parent : (F,) array
    """
    surface, is_cap = wall.surface, wall.is_cap
    parent = np.arange(len(surface.faces))
    most = MOST_SHARE * total_area(surface) if cuts else 0.0
    for cut in cuts:
        contour = section_around(surface, cut.origin, cut.normal)
        if contour is None:
            continue
        chosen = np.zeros(len(surface.faces), dtype=bool)
        chosen[contour.faces] = True
        split, origin, above = split_along_plane(surface, cut.origin, cut.normal, chosen)
        beyond = _beyond(split, above, chosen[origin])
        if face_areas(split, np.flatnonzero(beyond)).sum() > most:
            continue
        split.keep("area_mm2", surface.area_mm2)  # faces were split where they lie
        surface, parent, is_cap = split, parent[origin], is_cap[origin] | beyond
    return Wall(surface, is_cap), parent


def _beyond(surface: Surface, above: BoolArray, on_contour: BoolArray) -> BoolArray:
    """Faces connected to the upper side of the contour without crossing it."""
    beyond = np.zeros(len(surface.faces), dtype=bool)
    # What an end cut parts off is small: it is looked for nearby before it is everywhere.
    near = _faces_around(surface, on_contour)
    elsewhere = np.zeros(len(surface.points), dtype=bool)
    elsewhere[surface.faces[~near]] = True
    which = np.flatnonzero(near)
    part = _parted(surface, which, above, on_contour)
    if elsewhere[surface.faces[which[part]]].any():
        which = np.arange(len(surface.faces))
        part = _parted(surface, which, above, on_contour)
    beyond[which[part]] = True
    return beyond


def _faces_around(surface: Surface, on_contour: BoolArray) -> BoolArray:
    """Tell the faces with all corners near those on a contour, which are among them."""
    own = surface.points[surface.faces[on_contour]]
    low, high = own.min(axis=(0, 1)) - AROUND_MM, own.max(axis=(0, 1)) + AROUND_MM
    inside = np.ones(len(surface.points), dtype=bool)
    for column, first, last in zip(surface.points.T, low, high, strict=True):
        inside &= (column >= first) & (column <= last)
    a, b, c = surface.by_corner
    return np.asarray(inside[a] & inside[b] & inside[c])


def _parted(
    surface: Surface, which: IntArray, above: BoolArray, on_contour: BoolArray
) -> BoolArray:
    """Of the faces ``which`` (K,) alone, tell those beyond the contour (K,)."""
    above, on_contour = above[which], on_contour[which]
    pairs, _, _ = face_neighbours(Surface(surface.points, surface.faces[which]))
    a, b = pairs[:, 0] // 3, pairs[:, 1] // 3
    # The cut runs between split faces on either side; other faces may straddle the plane.
    barrier = on_contour[a] & on_contour[b] & (above[a] != above[b])
    n = len(which)
    graph = sparse.coo_matrix(
        (np.ones(int((~barrier).sum()), dtype=bool), (a[~barrier], b[~barrier])), shape=(n, n)
    )
    _, label = csgraph.connected_components(graph, directed=False)
    upper = np.unique(label[on_contour & above])
    lower = np.unique(label[on_contour & ~above])
    return np.isin(label, np.setdiff1d(upper, lower))


@dataclass(frozen=True, slots=True, eq=False)
class OpenWall:
    """The wall without caps and its rims.

    Attributes
    ----------
    surface : Surface
    rims : tuple of (N,) arrays
        Vertex indices of each boundary loop, longest first.
    centres : (R, 3) array
        The mean point of each rim.
    given : Surface
        The wall and all that the cuts took off it: open only where the input was open.
        Its first vertices and faces are those of ``surface``.
    """

    surface: Surface
    rims: tuple[IntArray, ...]
    centres: FloatArray
    given: Surface


def open_wall(closed: Wall, was_cap: BoolArray) -> OpenWall:
    """Take the caps off a closed surface; ``was_cap`` (F,) are those that close the input."""
    surface = closed.surface
    wall, kept = select_faces(surface, ~closed.is_cap)
    rims = tuple(boundary_loops(wall))
    centres = np.array([wall.points[rim].mean(axis=0) for rim in rims]).reshape(-1, 3)
    taken_off = surface.faces[closed.is_cap & ~was_cap]
    added = np.setdiff1d(taken_off, kept)
    number = np.empty(len(surface.points), dtype=np.int64)
    number[np.concatenate([kept, added])] = np.arange(len(kept) + len(added))
    given = Surface(
        np.concatenate([wall.points, surface.points[added]]),
        np.concatenate([wall.faces, number[taken_off]]),
    )
    return OpenWall(wall, rims, centres, given)
