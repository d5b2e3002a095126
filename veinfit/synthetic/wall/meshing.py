"""Triangle surfaces of an implicit function, cut and capped where asked.

The zero level is contoured on a grid that is worked out only near the wall,
put exactly on the zero level by Newton's method, and relaxed out along it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import sparse
from scipy.spatial import Delaunay

from veinfit.surface.mesh import Surface, edges, enclosed_volume, face_normals, vertex_normals
from veinfit.surface.vtk_bridge import level_surface
from veinfit.vectors import BoolArray, FloatArray, IntArray, perpendicular_basis, unit

Field = Callable[[FloatArray], FloatArray]

GRID_SHARE = 1.1
"""Grid spacing over the edge length wanted: contour edges come out shorter than the grid."""

COARSENING = 4
"""The first grid is this many times coarser than the last."""

BLOCK_POINTS = 400_000
"""The implicit function is worked out for so many points at a time."""

BAND_SLACK = 1.4
"""A first-order distance may be this much larger than the distance it stands for."""

RELAXING_STEPS = 4
"""Rounds of moving vertices along the wall toward the middle of their neighbours."""

RELAXING_SHARE = 0.6
"""Share of the distance toward the middle of the neighbours in a round."""

FOLDED_COSINE = -0.3
"""Two faces at an edge whose normals have a smaller cosine are folded onto each other."""

SNAP_SHARE = 0.3
"""Vertices closer to a cut than this share of the edge length are moved onto it."""


def narrow_band(
    field: Field,
    origin: FloatArray,
    steps: FloatArray,
    least_shape: FloatArray,
    cells_exact: bool = True,
) -> FloatArray:
    """Values of ``field`` on a grid, exact near its zero level.

    Away from the zero level, where a coarser grid shows that there is none,
    nodes carry the value of a node of the coarser grid.

    Parameters
    ----------
    origin : (3,) array
        Node (0, 0, 0), mm.
    steps : (3, 3) array
        Columns are the steps along the index axes, mm.
    least_shape : (3,) array
        The grid has at least so many nodes along each axis.
    cells_exact : bool
        True: exact at all nodes of cells that the wall crosses. False: only the
        sign is right at every node.

    Returns
    -------
    values : (I, J, K) array
        At ``origin + steps @ (i, j, k)``.
    """
    cells = np.ceil((np.asarray(least_shape) - 1) / COARSENING).astype(int)
    diagonal = max(
        float(np.linalg.norm(steps @ np.array(corner)))
        for corner in ((1, 1, 1), (1, 1, -1), (1, -1, 1), (-1, 1, 1))
    )
    coarse = COARSENING
    values: FloatArray | None = None
    while True:
        shape = tuple(int(n) for n in cells * (COARSENING // coarse) + 1)
        if values is None:
            wanted = np.ones(shape, dtype=bool)
            fresh = np.empty(shape)
        else:
            fresh = _doubled(values, shape)
            # A new node is at most the new cell's diagonal away from the node
            # whose value it would keep, and so is the wall from a node whose
            # cell it crosses.
            reach = 2.0 if cells_exact or coarse > 1 else 1.0
            wanted = _doubled(np.abs(values) < BAND_SLACK * reach * coarse * diagonal, shape)
        index = np.argwhere(wanted)
        for part in np.array_split(index, len(index) // BLOCK_POINTS + 1):
            fresh[tuple(part.T)] = field(origin + (coarse * part) @ steps.T)
        values = fresh
        if coarse == 1:
            return values
        coarse //= 2


def grid_over(low: FloatArray, high: FloatArray, step: float) -> tuple[FloatArray, FloatArray]:
    """Return steps (3, 3) and least shape (3,) of an upright grid from ``low`` to ``high``."""
    return step * np.eye(3), np.ceil((high - low) / step) + 1


def _doubled(values: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Nodes of a grid of half the spacing, each with its nearest lower node's value."""
    index = np.ix_(*[np.minimum((np.arange(n) + 1) // 2, (n - 1) // 2) for n in shape])
    return values[index].copy()


def contour(values: FloatArray, low: FloatArray, step: float) -> Surface:
    """Zero level of grid values as a surface whose normals point to positive values."""
    # Negated: the filter's triangles then wind so that normals leave the blood.
    surface = Surface(*level_surface(-values, 0.0, low, step))
    if not len(surface.faces):
        return surface
    return surface if _outward(surface, values) else flipped(surface)


def _outward(surface: Surface, values: FloatArray) -> bool:
    closed = all(np.all(np.take(values, [0, -1], axis=axis) > 0) for axis in range(3))
    return enclosed_volume(surface) > 0 if closed else True


def flipped(surface: Surface) -> Surface:
    """Return the same surface with its normals reversed."""
    return Surface(surface.points, surface.faces[:, ::-1])


def neighbour_mean(surface: Surface) -> sparse.csr_matrix:
    """Matrix (V, V) that takes values at vertices to the mean over their neighbours."""
    pairs, _, _ = edges(surface)
    n = len(surface.points)
    rows, cols = np.r_[pairs[:, 0], pairs[:, 1]], np.r_[pairs[:, 1], pairs[:, 0]]
    degree = np.maximum(np.bincount(rows, minlength=n), 1)
    return sparse.csr_matrix((1.0 / degree[rows], (rows, cols)), shape=(n, n))


def relaxed(
    surface: Surface,
    field: Field,
    fixed: BoolArray | None = None,
    steps: int = RELAXING_STEPS,
) -> Surface:
    """Move vertices along the wall toward the middle of their neighbours.

    Vertices are kept near the zero level of ``field`` by a step along the normal;
    ``fixed`` (V,) ones stay where they are.
    """
    mean = neighbour_mean(surface)
    points = surface.points
    free = slice(None) if fixed is None else ~fixed
    for _ in range(steps):
        normals = vertex_normals(Surface(points, surface.faces))
        move = mean @ points - points
        move -= np.einsum("ij,ij->i", move, normals)[:, None] * normals
        moved = points + RELAXING_SHARE * move
        moved -= np.clip(field(moved), -1.0, 1.0)[:, None] * normals
        points = points.copy()
        points[free] = moved[free]
    return Surface(points, surface.faces)


def folds(surface: Surface) -> int:
    """Count the edges at which two faces are folded onto each other."""
    _, face_edges, counts = edges(surface)
    normals = face_normals(surface)
    order = np.argsort(face_edges, axis=None, kind="stable")
    first = (np.cumsum(counts) - counts)[counts == 2]
    one, two = order[first] // 3, order[first + 1] // 3
    return int((np.einsum("ij,ij->i", normals[one], normals[two]) < FOLDED_COSINE).sum())


def cut(surface: Surface, side: FloatArray) -> tuple[Surface, BoolArray]:
    """Keep what lies where ``side`` (V,) is negative; zero is on the cut.

    Returns
    -------
    part : Surface
    on_cut : (V',) bool array
        Vertices of ``part`` that lie on the cut.
    """
    points, faces = surface.points, surface.faces
    sign = np.sign(side).astype(int)
    negative, positive = (sign[faces] < 0).sum(axis=1), (sign[faces] > 0).sum(axis=1)
    kept = faces[(positive == 0) & (negative > 0)]
    # Every crossed edge gets one new vertex, shared by its two faces.
    pairs, face_edges, _ = edges(surface)
    crossed = np.flatnonzero(sign[pairs[:, 0]] * sign[pairs[:, 1]] < 0)
    a, b = pairs[crossed, 0], pairs[crossed, 1]
    share = side[a] / (side[a] - side[b])
    fresh = points[a] + share[:, None] * (points[b] - points[a])
    number = np.full(len(pairs), -1)
    number[crossed] = len(points) + np.arange(len(crossed))
    parts = [kept]
    for k in range(3):
        i, j, m = faces[:, k], faces[:, (k + 1) % 3], faces[:, (k + 2) % 3]
        ij, mi = face_edges[:, k], face_edges[:, (k + 2) % 3]
        one = (sign[i] < 0) & (sign[j] > 0) & (sign[m] > 0)
        parts.append(np.stack([i, number[ij], number[mi]], axis=1)[one])
        two = (sign[i] > 0) & (sign[j] < 0) & (sign[m] < 0)
        parts.append(np.stack([number[ij], j, m], axis=1)[two])
        parts.append(np.stack([number[ij], m, number[mi]], axis=1)[two])
        through_j = (sign[i] < 0) & (sign[j] == 0) & (sign[m] > 0)
        parts.append(np.stack([i, j, number[mi]], axis=1)[through_j])
        through_m = (sign[i] < 0) & (sign[j] > 0) & (sign[m] == 0)
        parts.append(np.stack([i, number[ij], m], axis=1)[through_m])
    every = np.concatenate([points, fresh])
    cut_vertex = np.r_[sign == 0, np.ones(len(fresh), dtype=bool)]
    used, inverse = np.unique(np.concatenate(parts), return_inverse=True)
    return Surface(every[used], inverse.reshape(-1, 3)), cut_vertex[used]


def lid(loop: FloatArray, normal: FloatArray, edge_mm: float, dome_mm: float) -> Surface:
    """Close a plane loop of points (N, 3) by a disc, flat or domed along ``normal``.

    The first N vertices of the disc are the loop; its normals point along ``normal``.
    """
    centre = loop.mean(axis=0)
    e1, e2 = perpendicular_basis(normal)
    flat = np.stack([(loop - centre) @ e1, (loop - centre) @ e2], axis=1)
    inner = _inner_points(flat, edge_mm)
    plane = np.concatenate([flat, inner])
    triangles = Delaunay(plane).simplices
    middle = plane[triangles].mean(axis=1)
    triangles = triangles[_inside(flat, middle)]
    a, b, c = (plane[triangles[:, k]] for k in range(3))
    turn = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    triangles = np.where((turn < 0)[:, None], triangles[:, ::-1], triangles)[turn != 0]
    height = np.zeros(len(plane))
    if dome_mm:
        height[len(flat) :] = dome_mm * _dome(flat, inner)
    inner_3d = centre + inner[:, :1] * e1 + inner[:, 1:] * e2
    inner_3d += height[len(flat) :, None] * unit(normal)
    return Surface(np.concatenate([loop, inner_3d]), triangles.astype(np.int64))


def _inner_points(loop: FloatArray, edge_mm: float) -> FloatArray:
    """Points (M, 2) of a triangular lattice inside a loop (N, 2), clear of its edge."""
    low, high = loop.min(axis=0), loop.max(axis=0)
    row = edge_mm * np.sqrt(3.0) / 2.0
    y = np.arange(low[1], high[1], row)
    x = np.arange(low[0] - edge_mm, high[0] + edge_mm, edge_mm)
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
    grid[:, 1::2, 0] += 0.5 * edge_mm
    points = grid.reshape(-1, 2)
    points = points[_inside(loop, points)]
    clear = np.min(np.linalg.norm(points[:, None] - loop[None], axis=2), axis=1, initial=np.inf)
    return np.asarray(points[clear > 0.7 * edge_mm])


def _inside(loop: FloatArray, points: FloatArray) -> BoolArray:
    """Which points (M, 2) lie inside the loop (N, 2): crossing count."""
    a, b = loop, np.roll(loop, -1, axis=0)
    x, y = points[:, :1], points[:, 1:]
    spans = (a[:, 1] > y) != (b[:, 1] > y)
    rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
    at = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / rise
    return np.asarray((spans & (x < at)).sum(axis=1) % 2 == 1)


def _dome(loop: FloatArray, points: FloatArray) -> FloatArray:
    """Height (M,) of a round dome over a loop: 0 on the loop, 1 in the middle."""
    gap = np.min(np.linalg.norm(points[:, None] - loop[None], axis=2), axis=1)
    reach = np.linalg.norm(points, axis=1)
    share = reach / np.maximum(reach + gap, 1e-9)
    return np.asarray(1.0 - share**2)


def closed(
    surface: Surface, lids: list[tuple[IntArray, FloatArray, float]], edge_mm: float
) -> Surface:
    """Close loops by lids.

    Parameters
    ----------
    lids : list of (loop, normal, dome_mm)
        Vertex indices of a loop in order, outward normal (3,), height of the dome.
    """
    points, faces = [surface.points], [surface.faces]
    count = len(surface.points)
    for loop, normal, dome_mm in lids:
        disc = lid(surface.points[loop], normal, edge_mm, dome_mm)
        number = np.r_[loop, count + np.arange(len(disc.points) - len(loop))]
        points.append(disc.points[len(loop) :])
        faces.append(number[disc.faces])
        count += len(disc.points) - len(loop)
    return Surface(np.concatenate(points), np.concatenate(faces))
