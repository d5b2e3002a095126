"""Leak orifices: the line around a vein over which least area is open.

The orifice is the least ∮ g ds over closed lines on the wall that part vein from
atrium, g counting only where it is above the tolerance. On a triangulated wall a
set of edges parts the two exactly where removing it parts the faces, so the line
is a minimum cut of the faces' neighbourhood graph. That holds too where a vein has
several ends or a balloon leaks on several sides; lines need not be one loop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.seating.patch import WallPatch
from veinfit.surface.mesh import any_corner, edges
from veinfit.vectors import BoolArray, FloatArray, IntArray
from veinfit.vectors import lengths as vector_lengths

AREA_UNIT_MM2 = 1e-4
"""Areas are counted in whole units of this in the cut; far below any that matters."""

NO_CUT_UNITS = 2**30
"""Capacity of a link that no line crosses."""

GREATEST_EDGE_UNITS = 10**7
"""A single edge counts as at most this, a tenth of a square metre a thousand times over."""


@dataclass(frozen=True, slots=True, eq=False)
class CutGraph:
    """How the faces of a patch hang together, from vein to atrium.

    Attributes
    ----------
    pairs : (E, 2) array
        Vertices of every edge.
    lengths : (E,) array
        mm.
    inner : (K,) array
        Edges between two faces.
    sides : (K, 2) array
        The two faces of each.
    fixed : (L, 2) array
        Links that no line crosses: pieces of the wall outside the patch, the
        vein's end and the atrium with the faces beside them.
    count : int
        Number of nodes; the last two are vein and atrium.
    """

    pairs: IntArray
    lengths: FloatArray
    inner: IntArray
    sides: IntArray
    fixed: IntArray
    count: int


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """The line of least open area.

    Attributes
    ----------
    edges : (K, 2) array
        Vertices of the edges it runs on.
    open_area_mm2 : (K,) array
        ∫ g ds over the part of each that is open.
    """

    edges: IntArray
    open_area_mm2: FloatArray


def cut_graph(patch: WallPatch) -> CutGraph:
    """Prepare the search for lines around a vein, once for all its balloons."""
    surface = patch.surface
    pairs, face_edges, _ = edges(surface)
    along = surface.points[pairs[:, 1]] - surface.points[pairs[:, 0]]
    lengths = vector_lengths(along)
    order = np.argsort(face_edges.ravel(), kind="stable")
    edge, face = face_edges.ravel()[order], order // 3
    twin = np.flatnonzero(edge[1:] == edge[:-1])
    sides = np.stack([face[twin], face[twin + 1]], axis=1)

    n_vertices, n_faces = len(surface.points), len(surface.faces)
    pieces = patch.node_count - n_vertices
    vein, atrium = n_faces + pieces, n_faces + pieces + 1
    fixed = [
        _link(vein, patch.vein_nodes, surface.faces, n_vertices),
        _link(atrium, patch.atrium_nodes, surface.faces, n_vertices),
    ]
    rim = patch.links[patch.links[:, 1] >= n_vertices]
    for piece in range(pieces):
        vertices = rim[rim[:, 1] == n_vertices + piece, 0]
        fixed.append(_link(n_faces + piece, vertices, surface.faces, n_vertices))
    return CutGraph(pairs, lengths, edge[twin], sides, np.concatenate(fixed), atrium + 1)


def _link(node: int, ends: IntArray, faces: IntArray, n_vertices: int) -> IntArray:
    """Link a node with the faces around some vertices, and with pieces of the rest."""
    on_patch = np.zeros(n_vertices, dtype=bool)
    on_patch[ends[ends < n_vertices]] = True
    beside = np.flatnonzero(any_corner(faces, on_patch))
    beyond = ends[ends >= n_vertices] - n_vertices + len(faces)
    other = np.concatenate([beside, beyond])
    return np.stack([np.full(len(other), node), other], axis=1)


def open_areas(
    lengths: FloatArray, first: FloatArray, second: FloatArray, tolerance_mm: float
) -> FloatArray:
    """∫ g ds over edges, mm², counting only where the linear gap is above the tolerance.

    Parameters
    ----------
    lengths, first, second : (E,) array
        Length of each edge and the gap at its ends, mm; inf is allowed.
    tolerance_mm : float
    """
    low, high = np.minimum(first, second), np.maximum(first, second)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        share = np.where(low > tolerance_mm, 1.0, (high - tolerance_mm) / (high - low))
        area = lengths * share * 0.5 * (np.maximum(low, tolerance_mm) + high)
    area[high <= tolerance_mm] = 0.0
    area[~np.isfinite(high)] = np.inf
    return area


def least_open_line(graph: CutGraph, gap_mm: FloatArray, tolerance_mm: float) -> Line | None:
    """Return the line around a vein that is open over the least area.

    None where no line parts the vein from the atrium within the patch.

    Parameters
    ----------
    graph : CutGraph
    gap_mm : (V,) array
        Gap at the vertices of the patch.
    tolerance_mm : float

    References
    ----------
    .. [1] Ford LR, Fulkerson DR, Maximal flow through a network, Can J Math 1956;8:399-404.
    """
    pairs = graph.pairs[graph.inner]
    area = open_areas(
        graph.lengths[graph.inner], gap_mm[pairs[:, 0]], gap_mm[pairs[:, 1]], tolerance_mm
    )
    units = np.minimum(area / AREA_UNIT_MM2, GREATEST_EDGE_UNITS)
    capacity = np.rint(units).astype(np.int32)
    rows = np.concatenate([graph.sides[:, 0], graph.fixed[:, 0]])
    columns = np.concatenate([graph.sides[:, 1], graph.fixed[:, 1]])
    weight = np.concatenate([capacity, np.full(len(graph.fixed), NO_CUT_UNITS, dtype=np.int32)])
    network = sparse.csr_matrix(
        (np.r_[weight, weight], (np.r_[rows, columns], np.r_[columns, rows])),
        shape=(graph.count, graph.count),
    )
    vein, atrium = graph.count - 2, graph.count - 1
    flow = csgraph.maximum_flow(network, vein, atrium)
    if flow.flow_value >= NO_CUT_UNITS:
        return None
    vein_side = _still_reached(network, flow.flow, vein)
    crossed = vein_side[graph.sides[:, 0]] != vein_side[graph.sides[:, 1]]
    return Line(pairs[crossed], area[crossed])


def _still_reached(network: sparse.csr_matrix, flow: sparse.csr_matrix, start: int) -> BoolArray:
    """Tell which nodes the start still reaches once the greatest flow runs."""
    left = network - flow
    left.data = np.where(left.data > 0, 1, 0).astype(np.int8)
    left.eliminate_zeros()
    order = csgraph.breadth_first_order(left, start, directed=True, return_predecessors=False)
    reached = np.zeros(network.shape[0], dtype=bool)
    reached[order] = True
    return reached
