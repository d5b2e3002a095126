"""Repairs that are safe on any lumen surface: each says what it did.

Order: merge vertices, drop degenerate and duplicate faces, part sheets that
only touch, keep the main piece, make the winding consistent and outward, fill
pinholes. Openings larger than a pinhole are left open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from veinfit.errors import InputError
from veinfit.notes import Note
from veinfit.settings import SurfaceSettings
from veinfit.surface.mesh import (
    Surface,
    enclosed_volume,
    face_areas,
    select_faces,
)
from veinfit.surface.openings import boundary_loops, cap_loops, loop_diameter
from veinfit.surface.two_sided import LARGE_SHARE, inner_of_shell, is_inner_sheet
from veinfit.vectors import BoolArray, IntArray, row_keys

MERGE_TOLERANCE_MM = 1e-4
"""Vertices closer than this are one: far below any voxel, far above file rounding."""

DEGENERATE_AREA_MM2 = 1e-9
"""Faces below this area carry no direction."""

NOTED_PIECE_SHARE = 0.2
"""A dropped piece above this share of the main piece's area is a caution, not a speck."""


TWO_SIDED = "the mesh shows the wall from both sides: its inner side was used"


@dataclass(frozen=True, slots=True, eq=False)
class CleanSurface:
    """A repaired surface and the remarks about what was done."""

    surface: Surface
    notes: tuple[Note, ...]
    holes_filled: int = 0


def clean_surface(surface: Surface, settings: SurfaceSettings) -> CleanSurface:
    """Repair what is safe to repair; leave openings open.

    Parameters
    ----------
    surface : Surface
        LPS mm.
    settings : SurfaceSettings

    Returns
    -------
    CleanSurface
        With a note for everything that was done.

    Raises
    ------
    InputError
        Nothing but degenerate faces is left.
    """
    notes: list[Note] = []
    before = len(surface.faces)
    surface = merge_vertices(surface, MERGE_TOLERANCE_MM)
    surface, dropped = drop_bad_faces(surface)
    if not len(surface.faces):
        raise InputError(
            f"the surface has no usable triangle left of {before}: all are degenerate; "
            "export the mesh again"
        )
    if dropped:
        notes.append(_note(f"{dropped} degenerate or duplicate faces were dropped"))
    surface, parted = part_touching_sheets(surface)
    if parted:
        notes.append(_note(f"sheets that touch at {parted} vertices were separated there"))
    surface, piece_notes = keep_main_piece(surface)
    notes += piece_notes
    surface, flipped = orient_outward(surface)
    surface, twisted = drop_twisted_faces(surface)
    if twisted:
        notes.append(
            _note(f"{twisted} faces whose winding could not be made consistent were dropped")
        )
        surface, _ = part_touching_sheets(surface)
        surface, _ = keep_main_piece(surface)
    inner = _inner_sheet(surface)
    if inner is not None:
        surface, _ = orient_outward(inner)
        notes.append(_note(TWO_SIDED))
    if flipped:
        notes.append(_note(f"the winding of {flipped} faces was turned to point outward"))
    surface, filled = fill_small_holes(surface, settings.small_hole_mm)
    if filled:
        notes.append(
            _note(f"{filled} holes under {settings.small_hole_mm:g} mm across were filled")
        )
    return CleanSurface(surface, tuple(notes), filled)


def merge_vertices(surface: Surface, tolerance_mm: float) -> Surface:
    """Join vertices that lie within ``tolerance_mm`` of each other, and chains of such."""
    surface = _merged_by_cells(surface, tolerance_mm)
    pairs = cKDTree(surface.points).query_pairs(tolerance_mm, output_type="ndarray")
    if not len(pairs):
        return surface
    n = len(surface.points)
    graph = sparse.coo_matrix((np.ones(len(pairs), dtype=bool), pairs.T), shape=(n, n))
    _, label = csgraph.connected_components(graph, directed=False)
    _, first = np.unique(label, return_index=True)
    return Surface(surface.points[first], label[surface.faces])


def _merged_by_cells(surface: Surface, tolerance_mm: float) -> Surface:
    """Join vertices in the same cell of a grid: most of them, and quickly."""
    origin = surface.points.min(axis=0)
    cells = np.round((surface.points - origin) / tolerance_mm).astype(np.int64)
    _, first, inverse = np.unique(row_keys(cells), return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return Surface(surface.points[first[order]], rank[inverse.ravel()][surface.faces])


def drop_bad_faces(surface: Surface) -> tuple[Surface, int]:
    """Drop faces without area and repeated faces; return how many went."""
    f = surface.faces
    distinct = (f[:, 0] != f[:, 1]) & (f[:, 1] != f[:, 2]) & (f[:, 2] != f[:, 0])
    distinct &= face_areas(surface) > DEGENERATE_AREA_MM2
    _, first = np.unique(row_keys(np.sort(f, axis=1)), return_index=True)
    unique = np.zeros(len(f), dtype=bool)
    unique[first] = True
    keep = distinct & unique
    used = np.zeros(len(surface.points), dtype=bool)
    used[f] = True
    if keep.all() and used.all():
        return surface, 0
    return select_faces(surface, keep)[0], int(np.count_nonzero(~keep))


def face_neighbours(surface: Surface) -> tuple[IntArray, IntArray, BoolArray]:
    """Return the pairs of faces across every edge that two sheets share properly.

    An edge used by more than two faces is paired by angle, so that sheets that
    touch along it stay on their own side of each other.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    pairs : (N, 2) array
        Indices of half edges ``3 * face + k``, edge k running from corner k to k + 1.
    keys : (N,) array
        A number for the undirected edge.
    opposed : (N,) bool array
        True where the two faces run along the edge in opposite directions, as
        consistently wound neighbours do.
    """
    f = surface.faces
    start, stop = f.ravel(), np.roll(f, -1, axis=1).ravel()
    low, high = np.minimum(start, stop), np.maximum(start, stop)
    key = low * np.int64(len(surface.points)) + high
    order = np.argsort(key, kind="stable")
    sorted_key = key[order]
    begin = np.flatnonzero(np.r_[True, sorted_key[1:] != sorted_key[:-1]])
    size = np.diff(np.r_[begin, len(sorted_key)])
    two = begin[size == 2]
    pairs = [np.stack([order[two], order[two + 1]], axis=1)]
    for b, n in zip(begin[size > 2], size[size > 2], strict=True):
        pairs.append(_pair_by_angle(surface, order[b : b + n], start, stop))
    joined = np.concatenate(pairs)
    opposed = start[joined[:, 0]] != start[joined[:, 1]]
    return joined, key[joined[:, 0]], opposed


def _pair_by_angle(
    surface: Surface, half_edges: IntArray, start: IntArray, stop: IntArray
) -> IntArray:
    """Pair the faces around one crowded edge with their neighbour in angle.

    Of the two ways round, the one is taken whose pairs are wound consistently
    and hold the lumen between them: sheets of lumens that only touch then part.
    """
    u = min(start[half_edges[0]], stop[half_edges[0]])
    v = max(start[half_edges[0]], stop[half_edges[0]])
    along = surface.points[v] - surface.points[u]
    along = along / np.linalg.norm(along)
    corner = surface.faces[half_edges // 3, (half_edges % 3 + 2) % 3]
    out = surface.points[corner] - surface.points[u]
    out = out - np.outer(out @ along, along)
    e1 = out[0] / np.linalg.norm(out[0])
    e2 = np.cross(along, e1)
    angle = np.mod(np.arctan2(out @ e2, out @ e1), 2 * np.pi)
    ring = half_edges[np.argsort(angle, kind="stable")]
    sorted_angle = np.sort(angle)
    n = len(ring) - len(ring) % 2
    best: tuple[float, IntArray] | None = None
    for shift in (0, 1):
        turned = np.roll(ring, -shift)[:n].reshape(-1, 2)
        turned_angle = np.roll(sorted_angle, -shift)[:n].reshape(-1, 2)
        wedge = float(np.mod(turned_angle[:, 1] - turned_angle[:, 0], 2 * np.pi).sum())
        clash = int(np.count_nonzero(start[turned[:, 0]] == start[turned[:, 1]]))
        # A face that runs along the edge from u to v faces growing angles, away from the lumen.
        outside = int(np.count_nonzero(start[turned[:, 0]] == u))
        cost = wedge + 100.0 * clash + 10.0 * outside
        if best is None or cost < best[0]:
            best = (cost, turned)
    assert best is not None
    return best[1]


def part_touching_sheets(surface: Surface) -> tuple[Surface, int]:
    """Give every fan of faces around a vertex a vertex of its own.

    Returns the surface and the number of vertices at which sheets were parted.
    """
    pairs, _, _ = face_neighbours(surface)
    f = surface.faces
    n = f.size
    a, b = pairs[:, 0], pairs[:, 1]
    a_stop, b_stop = a - a % 3 + (a % 3 + 1) % 3, b - b % 3 + (b % 3 + 1) % 3
    flat = f.ravel()
    same = flat[a] == flat[b]
    rows = np.r_[a, a_stop]
    cols = np.r_[np.where(same, b, b_stop), np.where(same, b_stop, b)]
    graph = sparse.coo_matrix((np.ones(len(rows), dtype=bool), (rows, cols)), shape=(n, n))
    count, fan = csgraph.connected_components(graph, directed=False)
    if count == len(surface.points):
        return surface, 0
    origin = np.empty(count, dtype=np.int64)
    origin[fan] = flat
    parted = int(np.count_nonzero(np.bincount(origin, minlength=len(surface.points)) > 1))
    return Surface(surface.points[origin], fan.reshape(-1, 3)), parted


def _face_components(surface: Surface) -> tuple[int, IntArray]:
    pairs, _, _ = face_neighbours(surface)
    n = len(surface.faces)
    graph = sparse.coo_matrix(
        (np.ones(len(pairs), dtype=bool), (pairs[:, 0] // 3, pairs[:, 1] // 3)), shape=(n, n)
    )
    count, label = csgraph.connected_components(graph, directed=False)
    return int(count), label


def keep_main_piece(surface: Surface) -> tuple[Surface, list[Note]]:
    """Keep the connected piece with the largest area and say what was dropped."""
    count, label = _face_components(surface)
    if count == 1:
        return surface, []
    area = np.bincount(label, weights=face_areas(surface))
    main = int(np.argmax(area))
    second = max((k for k in range(count) if k != main), key=lambda k: area[k])
    if area[second] >= LARGE_SHARE * area[main]:
        inner, outer = (select_faces(surface, label == k)[0] for k in (second, main))
        if is_inner_sheet(inner.points, outer.points):
            return inner, [_note(TWO_SIDED)]
    others = np.delete(area, main) / area[main]
    notes = [
        _note(
            f"{count - 1} separate pieces were dropped "
            f"({100 * others.sum():.1f} % of the main piece's area)"
        )
    ]
    large = np.flatnonzero(np.delete(area, main) / area[main] > NOTED_PIECE_SHARE)
    if len(large):
        notes.append(
            _note(
                f"{len(large)} of the dropped pieces are large: if one of them belongs to the "
                "atrium, join it to the main piece and run again",
                caution=True,
            )
        )
    return select_faces(surface, label == main)[0], notes


def orient_outward(surface: Surface) -> tuple[Surface, int]:
    """Wind all faces of one piece alike, with normals out of the lumen.

    Returns the surface and how many faces were turned one by one (a whole
    surface that pointed inward counts as none: its winding was consistent).
    """
    pairs, _, opposed = face_neighbours(surface)
    n = len(surface.faces)
    alike = bool(opposed.all())
    flip = np.zeros(n, dtype=bool) if alike else _two_colouring(n, pairs // 3, opposed)
    if flip.sum() > n / 2:
        flip = ~flip
    faces = surface.faces.copy()
    faces[flip] = faces[flip][:, ::-1]
    turned = Surface(surface.points, faces)
    closed, _ = cap_loops(turned, boundary_loops(turned))
    if enclosed_volume(closed) < 0:
        turned = Surface(surface.points, faces[:, ::-1])
    return turned, int(np.count_nonzero(flip))


def _two_colouring(n: int, pairs: IntArray, opposed: BoolArray) -> BoolArray:
    """Which faces to flip so that neighbours agree, along a breadth-first tree."""
    weight = np.where(opposed, 1, 2)
    graph = sparse.coo_matrix(
        (np.r_[weight, weight], (np.r_[pairs[:, 0], pairs[:, 1]], np.r_[pairs[:, 1], pairs[:, 0]])),
        shape=(n, n),
    ).tocsr()
    flip = np.zeros(n, dtype=bool)
    done = np.zeros(n, dtype=bool)
    while not done.all():
        root = int(np.argmin(done))
        order, parent = csgraph.breadth_first_order(graph, root, directed=False)
        done[order] = True
        child = order[1:]
        step = np.asarray(graph[child, parent[child]]).ravel() == 2
        for c, p, s in zip(child.tolist(), parent[child].tolist(), step.tolist(), strict=True):
            flip[c] = flip[p] ^ s
    return flip


def _inner_sheet(surface: Surface) -> Surface | None:
    """Return the inner side of a surface that shows a wall from both; None for any other."""
    closed, _ = cap_loops(surface, boundary_loops(surface))
    inner = inner_of_shell(surface, closed)
    if inner is None:
        return None
    parted, _ = part_touching_sheets(inner)
    kept, _ = keep_main_piece(parted)
    return kept


def drop_twisted_faces(surface: Surface) -> tuple[Surface, int]:
    """Drop the faces at edges along which neighbours still run alike after orienting."""
    pairs, _, opposed = face_neighbours(surface)
    if opposed.all():
        return surface, 0
    twisted = np.unique(pairs[~opposed] // 3)
    keep = np.ones(len(surface.faces), dtype=bool)
    keep[twisted] = False
    return select_faces(surface, keep)[0], len(twisted)


def fill_small_holes(surface: Surface, below_mm: float) -> tuple[Surface, int]:
    """Fill boundary loops whose perimeter-equivalent diameter is below ``below_mm``."""
    loops = boundary_loops(surface)
    small = [loop for loop in loops if loop_diameter(surface, loop) < below_mm]
    if not small:
        return surface, 0
    closed, _ = cap_loops(surface, small)
    return closed, len(small)


def _note(text: str, caution: bool = False) -> Note:
    return Note("surface", text, severity="caution" if caution else "info")
