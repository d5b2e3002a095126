"""What can be wrong with a triangle surface, found without the code that made it."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from veinfit.surface import Surface

FOLDED = -0.9
"""Cosine between the normals of two faces at an edge from which on they lie on each other."""

FLAT_MM3 = 1e-9
"""A tetrahedron of less volume is flat: its fourth corner is in the plane of the others."""


def faults(surface: Surface, closed: bool, openings: int = 0) -> list[str]:
    """Say what is wrong with a surface whose normals should point outward; [] is sound.

    Parameters
    ----------
    closed : bool
        No edge may have one face only.
    openings : int
        How many boundary loops an open surface should have.
    """
    found = []
    points, faces = surface.points, surface.faces
    half = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    n = len(points)
    key, reverse = half[:, 0] * n + half[:, 1], half[:, 1] * n + half[:, 0]
    if len(np.unique(key)) < len(key):
        found.append(f"{len(key) - len(np.unique(key))} directed edges are used twice")
    boundary = half[~np.isin(reverse, key)]
    if closed and len(boundary):
        found.append(f"{len(boundary)} edges have one face only")
    if not closed and (loops := _pieces(boundary, n)) != openings:
        found.append(f"{loops} openings instead of {openings}")
    if len(np.unique(faces)) < n:
        found.append(f"{n - len(np.unique(faces))} vertices are in no face")
    if (pieces := _pieces(half, n)) != 1:
        found.append(f"{pieces} pieces")
    if pinched := _pinched(faces, n):
        found.append(f"{pinched} vertices join separate fans of faces")
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    area = 0.5 * np.linalg.norm(normal, axis=1)
    if flat := int((area < 1e-9).sum()):
        found.append(f"{flat} faces without area")
    if folded := _folded(faces, normal / np.maximum(2.0 * area, 1e-300)[:, None], n):
        found.append(f"{folded} edges are folded")
    if crossing := len(crossings(surface)):
        found.append(f"{crossing} pairs of faces cross")
    if closed:
        middle = points.mean(axis=0)
        if np.einsum("ij,ij->", a - middle, np.cross(b - middle, c - middle)) <= 0.0:
            found.append("normals point inward")
    return found


def _pieces(pairs: np.ndarray, n: int) -> int:
    used = np.unique(pairs)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    labels = connected_components(graph, directed=False)[1]
    return len(np.unique(labels[used]))


def _pinched(faces: np.ndarray, n: int) -> int:
    """Vertices whose faces do not hang together by edges at the vertex."""
    corner = np.arange(faces.size)
    joined = []
    # Two corners at one vertex hang together where their faces share an edge at it.
    for other in (1, 2):
        at = faces.ravel()
        towards = faces[:, [(i + other) % 3 for i in range(3)]].ravel()
        joined.append(np.stack([np.minimum(at, towards) * n + np.maximum(at, towards), at, corner]))
    edge, at, who = np.concatenate(joined, axis=1)
    order = np.lexsort((at, edge))
    edge, at, who = edge[order], at[order], who[order]
    same = (edge[1:] == edge[:-1]) & (at[1:] == at[:-1])
    graph = coo_matrix(
        (np.ones(same.sum()), (who[1:][same], who[:-1][same])), shape=(faces.size,) * 2
    )
    fans = connected_components(graph, directed=False)[1]
    fan_of = np.unique(np.stack([faces.ravel(), fans], axis=1), axis=0)[:, 0]
    return int((np.bincount(fan_of) > 1).sum())


def _folded(faces: np.ndarray, normals: np.ndarray, n: int) -> int:
    half = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = half.min(axis=1) * n + half.max(axis=1)
    order = np.argsort(key, kind="stable")
    same = key[order][1:] == key[order][:-1]
    one, two = order[1:][same] // 3, order[:-1][same] // 3
    return int((np.einsum("ij,ij->i", normals[one], normals[two]) < FOLDED).sum())


def crossings(surface: Surface) -> np.ndarray:
    """Pairs (K, 2) of faces of which an edge of one goes through the other."""
    corners = surface.points[surface.faces]
    middle = corners.mean(axis=1)
    radius = np.linalg.norm(corners - middle[:, None], axis=2).max(axis=1)
    pairs = cKDTree(middle).query_pairs(2.0 * float(radius.max()), output_type="ndarray")
    near = np.linalg.norm(middle[pairs[:, 0]] - middle[pairs[:, 1]], axis=1)
    pairs = pairs[near < radius[pairs].sum(axis=1)]
    low, high = corners.min(axis=1), corners.max(axis=1)
    apart = (low[pairs[:, 0]] > high[pairs[:, 1]]) | (low[pairs[:, 1]] > high[pairs[:, 0]])
    pairs = pairs[~apart.any(axis=1)]
    crossed = np.zeros(len(pairs), dtype=bool)
    for first, second in ((pairs[:, 0], pairs[:, 1]), (pairs[:, 1], pairs[:, 0])):
        for k in range(3):
            start, end = surface.faces[first, k], surface.faces[first, (k + 1) % 3]
            other = surface.faces[second]
            # An edge that ends at a corner of the other face meets it there and nowhere else.
            free = ((other != start[:, None]) & (other != end[:, None])).all(axis=1)
            hit = _through(surface.points[start], surface.points[end], corners[second])
            crossed |= free & hit
    return pairs[crossed]


def _through(start: np.ndarray, end: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Which segments (N, 3) go through which triangles (N, 3, 3): signs of volumes."""
    a, b, c = (corners[:, k] for k in range(3))

    def volume(p, q, r, s):
        return np.einsum("ij,ij->i", q - p, np.cross(r - p, s - p))

    # Faces of a flat lid lie in one plane but for rounding; they do not cross.
    from_start, from_end = volume(start, a, b, c), volume(end, a, b, c)
    sides = (from_start * from_end < 0.0) & (
        np.minimum(np.abs(from_start), np.abs(from_end)) > FLAT_MM3
    )
    turns = np.stack(
        [volume(start, end, a, b), volume(start, end, b, c), volume(start, end, c, a)], axis=1
    )
    return sides & ((turns > 0.0).all(axis=1) | (turns < 0.0).all(axis=1))
