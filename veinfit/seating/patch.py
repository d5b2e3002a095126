"""The wall around one vein on which its balloons are seated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.seating.first_met import SAMPLE_STEP_MM, first_within
from veinfit.seating.mechanics.guide import Guide, guide_of
from veinfit.seating.pieces import components
from veinfit.seating.seal.missing_wall import (
    MissingWall,
    WallEnd,
    cap_points,
    wall_before,
    wall_ends,
)
from veinfit.settings import SeatingSettings
from veinfit.surface import Surface
from veinfit.surface.mesh import (
    any_corner,
    edges,
    select_faces,
)
from veinfit.surface.refine import refine
from veinfit.vectors import BoolArray, FloatArray, IntArray, lengths

TOUCH_MARGIN_MM = 3.0
"""Walls are in the patch that come within this distance of a ball on the guide."""

ON_PLANE_MM = 1e-6
"""Wall this close to the plane across the ostium counts as before it."""

BESIDE_MM = 3.0
"""Points of an ostium's contour lie nearer than this to points of most walls."""


@dataclass(frozen=True, slots=True, eq=False)
class WallPatch:
    """The refined wall near one vein, and how it hangs together with the rest.

    The rest of the wall, out of reach of a balloon on the guide, is folded into one
    extra node for each of its connected pieces, so that paths over the wall can be
    followed without it; it counts as wide open.

    Attributes
    ----------
    vein : str
    centre, normal, axis : (3,) array
        Ostial centre and normal and the vein's axis.
    guide : Guide
    surface : Surface
        Edges of at most the wanted length; V vertices, F faces.
    near : (F,) bool array
        Faces within reach of the ostium over the wall; the others are opposite
        walls that a balloon can touch.
    links : (E, 2) array
        Pairs of neighbouring nodes; nodes from V on are the pieces of the rest.
    node_count : int
    vein_nodes, atrium_nodes : (N,) array
        Nodes of the vein's distal ends, and of all that counts as atrium.
    rest : Surface
        The wall outside the patch as it is: it holds a balloon back but takes no
        part in the seal.
    missing : tuple of MissingWall
        Where the wall ends within the patch.
    """

    vein: str
    centre: FloatArray
    normal: FloatArray
    axis: FloatArray
    guide: Guide
    surface: Surface
    near: BoolArray
    links: IntArray
    node_count: int
    vein_nodes: IntArray
    atrium_nodes: IntArray
    rest: Surface
    missing: tuple[MissingWall, ...]


def wall_patch(
    anatomy: Anatomy, vein: Vein, largest_radius_mm: float, settings: SeatingSettings
) -> WallPatch:
    """Cut out and refine the wall around a vein, once for all its balloons.

    Parameters
    ----------
    anatomy : Anatomy
    vein : Vein
        One of ``anatomy.veins``.
    largest_radius_mm : float
        Radius of the largest balloon, grown where it grows.
    settings : SeatingSettings
    """
    wall, lid_ends = wall_before(anatomy, vein)
    guide = guide_of(vein)
    near_mm = largest_radius_mm + settings.patch_margin_mm
    near: BoolArray = any_corner(wall.faces, _distance_over_wall(wall, vein, near_mm) <= near_mm)
    reach = largest_radius_mm + TOUCH_MARGIN_MM
    path = guide.sampled(
        vein.ostium.centre - largest_radius_mm * vein.axis,
        largest_radius_mm + settings.greatest_depth_mm,
        SAMPLE_STEP_MM,
    )
    close = _in_box_about(path, reach, wall.points)
    close[close] = first_within(wall.points[close], path, reach) >= 0
    chosen: BoolArray = near | any_corner(wall.faces, close)

    coarse, vertices = select_faces(wall, chosen)
    refined = refine(coarse, settings.patch_edge_mm)
    surface = refined.surface
    coarse_pairs, _, coarse_counts = edges(coarse)
    outline = coarse_pairs[coarse_counts == 1]
    cut_here = _goes_on(wall, vertices[outline], ~chosen)

    node, rim_links, pieces = _fold_rest(wall, chosen, vertices)
    added = len(surface.points) - len(vertices)
    node[node >= len(vertices)] += added
    rim_links[:, 1] += added
    vein_ends, atrium_ends = _ends(anatomy, vein, wall, lid_ends)
    links, _, _ = edges(surface)
    # The edges of the wall itself, a cut end or a hole: not where the patch was cut out of it.
    wall_outline = outline[~cut_here]

    def missing(end: WallEnd) -> MissingWall:
        own = np.isin(vertices[wall_outline], end.rim).all(axis=1)
        rim = np.flatnonzero(_outline(coarse, refined.halved, wall_outline[own]))
        nodes = np.union1d(rim, _nodes(node, end.rim))
        return MissingWall(end.name, end.kind, rim, nodes, cap_points(wall.points[end.rim]))

    ends = [end for end in wall_ends(anatomy, vein, wall) if np.isin(end.rim, vertices).any()]
    return WallPatch(
        vein=vein.name,
        centre=vein.ostium.centre,
        normal=vein.ostium.normal,
        axis=vein.axis,
        guide=guide,
        surface=surface,
        near=near[chosen][refined.parent],
        links=_in_order(np.concatenate([links, rim_links])),
        node_count=len(surface.points) + pieces,
        vein_nodes=_nodes(node, vein_ends),
        atrium_nodes=_nodes(node, atrium_ends),
        rest=select_faces(wall, ~chosen)[0],
        missing=tuple(missing(end) for end in ends),
    )


def _distance_over_wall(wall: Surface, vein: Vein, limit_mm: float = np.inf) -> FloatArray:
    """Distance (V,) along the edges of the wall from the contour of a vein's ostium.

    Infinite beyond a limit: what lies farther off in a straight line is not even looked at.
    """
    contour = vein.ostium.contour.points
    inside = _in_box_about(contour, limit_mm, wall.points)
    number = np.cumsum(inside) - 1
    n = int(number[-1]) + 1
    gap, seed = _nearest(wall.points[inside], contour)
    pairs, _, _ = edges(wall)
    pairs = pairs[inside[pairs[:, 0]] & inside[pairs[:, 1]]]
    length = lengths(wall.points[pairs[:, 0]] - wall.points[pairs[:, 1]])
    a, b = number[pairs].T
    # All paths begin at one more node, which is as far from each seed as the contour is.
    nearest = np.lexsort((gap, seed))
    seeds, first = np.unique(seed[nearest], return_index=True)
    rows, columns = np.r_[a, b, np.full(len(seeds), n)], np.r_[b, a, seeds]
    weight = np.r_[length, length, np.maximum(gap[nearest[first]], 1e-9)]
    graph = sparse.csr_matrix((weight, (rows, columns)), shape=(n + 1, n + 1))
    result = np.full(len(wall.points), np.inf)
    result[inside] = csgraph.dijkstra(graph, directed=True, indices=n, limit=limit_mm)[:n]
    return result


def _nearest(points: FloatArray, places: FloatArray) -> tuple[FloatArray, IntArray]:
    """Distance (N,) to the nearest of some points (V, 3) from each place (N, 3), and its number."""
    beside = np.flatnonzero(_in_box_about(places, BESIDE_MM, points))
    if len(beside):
        gap, nearest = cKDTree(points[beside]).query(places)
        if float(gap.max()) < BESIDE_MM:
            return gap, beside[nearest]
    gap, nearest = cKDTree(points).query(places)
    return gap, np.asarray(nearest)


def _in_box_about(points: FloatArray, reach_mm: float, others: FloatArray) -> BoolArray:
    """Tell which of other points (V, 3) lie in the box about points (N, 3), and some beside it."""
    low, high = points.min(axis=0) - reach_mm, points.max(axis=0) + reach_mm
    inside: BoolArray = np.ones(len(others), dtype=bool)
    for column, least, most in zip(others.T, low, high, strict=True):
        inside &= (column >= least) & (column <= most)
    return inside


def _edge_keys(pairs: IntArray, wall: Surface) -> IntArray:
    low, high = np.minimum(*pairs.T), np.maximum(*pairs.T)
    return np.asarray(low * np.int64(len(wall.points)) + high)


def _goes_on(wall: Surface, outline: IntArray, outside: BoolArray) -> BoolArray:
    """Tell of which edges (E, 2) some of the faces ``outside`` (F,) have one too."""
    marked = np.zeros(len(wall.points), dtype=np.int8)
    marked[outline] = 1
    beside = sum(marked[column] for column in wall.by_corner) >= 2
    faces = wall.faces[outside & beside]
    sides = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    return np.isin(_edge_keys(outline, wall), _edge_keys(sides, wall))


def _nodes(node: IntArray, vertices: IntArray) -> IntArray:
    """Nodes of some wall vertices; a vertex of no face has none."""
    found = node[vertices]
    return np.unique(found[found >= 0])


def _in_order(links: IntArray) -> IntArray:
    """Return links (E, 2) ordered by their first nodes: graphs of them are made without sorting."""
    return links[np.argsort(links[:, 0], kind="stable")]


def _outline(coarse: Surface, halved: IntArray, edges_of_interest: IntArray) -> BoolArray:
    """Tell which vertices of a refined surface lie on some edges (E, 2) of the coarse one."""
    n = np.int64(len(coarse.points) + len(halved))
    result = np.zeros(int(n), dtype=bool)
    result[edges_of_interest] = True
    lines = np.sort(edges_of_interest, axis=1) @ np.array([n, 1])
    vertex = np.arange(len(coarse.points), int(n))
    key = np.sort(halved, axis=1) @ np.array([n, 1])
    # Each round finds the middles of the edges and halves that the one before it found.
    while len(found := np.flatnonzero(np.isin(key, lines))):
        middle = vertex[found]
        result[middle] = True
        ends = halved[found]
        lines = np.concatenate([end * n + middle for end in ends.T])
    return result


def _fold_rest(
    wall: Surface, chosen: BoolArray, vertices: IntArray
) -> tuple[IntArray, IntArray, int]:
    """Fold the wall outside the patch into one node for each of its pieces.

    Returns
    -------
    node : (W,) array
        For each vertex of the wall its node: a vertex of the patch or a piece.
    links : (E, 2) array
        Patch vertices on the rim of a piece, linked to its node, counted from
        ``len(vertices)`` on (the caller shifts them past the added vertices).
    count : int
        Number of pieces.
    """
    n = len(wall.points)
    outside = np.flatnonzero(~chosen)
    pairs, face_edges, _ = edges(wall)
    beyond = np.zeros(len(pairs), dtype=bool)
    beyond[face_edges.take(outside, axis=0)] = True
    _, label = components(pairs[beyond], n)
    node = np.full(n, -1, dtype=np.int64)
    is_used = np.zeros(n, dtype=bool)
    is_used[wall.faces.take(outside, axis=0)] = True
    used = np.flatnonzero(is_used)
    pieces, piece = np.unique(label[used], return_inverse=True)
    node[used] = len(vertices) + piece
    in_patch = np.zeros(n, dtype=bool)
    in_patch[vertices] = True
    rim = in_patch[used]
    links = np.stack([np.searchsorted(vertices, used[rim]), node[used[rim]]], axis=1)
    node[vertices] = np.arange(len(vertices))
    return node, links, len(pieces)


def _ends(
    anatomy: Anatomy, vein: Vein, wall: Surface, rims_and_lids: IntArray
) -> tuple[IntArray, IntArray]:
    """Wall vertices at the vein's distal ends, and at the ends of all that counts as atrium.

    The mitral side, the ends of the other veins and the appendage's tip are
    atrium. Without any of them the other open edges of the wall stand in, and
    without those the vertex farthest from the ostium on the atrium's side.
    """
    height = (wall.points - vein.ostium.centre) @ vein.axis
    own = [rim for rim in vein.end_rims if len(rim)]
    if own:
        vein_ends = np.unique(np.concatenate(own))
    else:
        # A vein that ends blind: the wall at its far end.
        tip = vein.centreline.points[int(np.argmax(vein.centreline.s_mm))]
        vein_ends = np.array([int(np.argmin(np.linalg.norm(wall.points - tip, axis=1)))])
    atrium = [rims_and_lids]
    if anatomy.appendage is not None:
        atrium.append(np.array([anatomy.appendage.tip_vertex]))
    atrium_ends = _joined(atrium, vein_ends)
    before = height <= ON_PLANE_MM
    if not len(atrium_ends):
        pairs, _, counts = edges(wall)
        atrium_ends = _joined([pairs[counts == 1].ravel()], vein_ends)
        atrium_ends = atrium_ends[before[atrium_ends]]
    if not len(atrium_ends):
        over_wall = _distance_over_wall(wall, vein)
        far = np.where(np.isfinite(over_wall) & before, over_wall, -1.0)
        atrium_ends = np.array([int(np.argmax(far))])
    return vein_ends, atrium_ends


def _joined(groups: list[IntArray], without: IntArray) -> IntArray:
    together = np.concatenate([np.empty(0, dtype=np.int64), *groups])
    return np.setdiff1d(together, without)
