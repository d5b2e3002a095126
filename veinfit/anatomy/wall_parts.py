"""Which part of the wall belongs to which vein, to the appendage, or to the atrium's body."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, IntArray
from veinfit.vein_names import APPENDAGE

PAST_OSTIUM_MM = 25.0
"""A vein reaches as far as its trunk and this much beyond."""

APPENDAGE_REACH_MM = 60.0
"""An appendage reaches no further than this from its ostium."""

BODY = "body"
"""What belongs to neither a vein nor the appendage."""


def wall_parts(anatomy: Anatomy) -> tuple[tuple[str, ...], IntArray]:
    """Tell the parts of the wall.

    Parameters
    ----------
    anatomy : Anatomy

    Returns
    -------
    names : tuple of str
        ``body``, the veins, and the appendage where there is one.
    part_of_face : (F,) array
        Which of them each face of ``anatomy.wall`` belongs to.
    """
    owner = np.zeros(len(anatomy.wall.points), dtype=np.int64)
    names = [BODY]
    for vein in anatomy.veins:
        owner[vein_vertices(anatomy.wall, vein)] = len(names)
        names.append(vein.name)
    if anatomy.appendage is not None:
        part = appendage_vertices(anatomy)
        owner[part[owner[part] == 0]] = len(names)
        names.append(APPENDAGE)
    return tuple(names), owner[anatomy.wall.faces].min(axis=1)


def vein_vertices(wall: Surface, vein: Vein) -> IntArray:
    """Return the wall's vertices that lie in ``vein``: past its ostial plane, and joined to it.

    Parameters
    ----------
    wall : Surface
    vein : Vein
        Of this wall.

    Returns
    -------
    (K,) array
        Indices into the points of ``wall``.
    """
    seeds = np.concatenate([np.zeros(0, dtype=np.int64), *vein.end_rims])
    if not len(seeds):
        far = vein.centreline.points[int(np.argmax(vein.centreline.s_mm))]
        seeds = np.array([int(np.argmin(np.linalg.norm(wall.points - far, axis=1)))])
    reach = vein.trunk_length_mm + PAST_OSTIUM_MM
    return _beyond(wall, vein.ostium.centre, vein.ostium.normal, seeds, reach)


def appendage_vertices(anatomy: Anatomy) -> IntArray:
    """Return the wall's vertices that lie in the appendage; none where there is none.

    Parameters
    ----------
    anatomy : Anatomy

    Returns
    -------
    (K,) array
        Indices into the points of ``anatomy.wall``.
    """
    appendage = anatomy.appendage
    if appendage is None:
        return np.zeros(0, dtype=np.int64)
    tip = np.array([appendage.tip_vertex])
    return _beyond(anatomy.wall, appendage.centre, appendage.normal, tip, APPENDAGE_REACH_MM)


def _beyond(
    wall: Surface, centre: FloatArray, normal: FloatArray, seeds: IntArray, reach_mm: float
) -> IntArray:
    """Return the vertices past a plane that are joined to ``seeds`` without crossing it."""
    offset = wall.points - centre
    past = (offset @ normal > 0) & (np.linalg.norm(offset, axis=1) < reach_mm)
    seeds = seeds[past[seeds]]
    if not len(seeds):
        return np.zeros(0, dtype=np.int64)
    # Numbered anew: most of the wall does not lie past the plane, and costs nothing then.
    number = np.cumsum(past) - 1
    in_part = past[wall.faces]
    first, second = (
        np.concatenate([number[wall.faces[in_part[:, i] & in_part[:, j], k]] for i, j, k in sides])
        for sides in (((0, 1, 0), (1, 2, 1), (2, 0, 2)), ((0, 1, 1), (1, 2, 2), (2, 0, 0)))
    )
    count = int(number[-1]) + 1
    graph = sparse.coo_matrix((np.ones(len(first)), (first, second)), shape=(count, count))
    _, part = csgraph.connected_components(graph, directed=False)
    joined = np.zeros(int(part.max()) + 1, dtype=bool)
    joined[part[number[seeds]]] = True
    return np.flatnonzero(past)[joined[part]]
