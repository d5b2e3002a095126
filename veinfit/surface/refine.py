"""Subdivision of a surface until no edge is longer than wanted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.surface.mesh import Surface, any_corner, edges
from veinfit.vectors import BoolArray, FloatArray, IntArray, lengths

LENGTH_DECIMALS = 6
"""Edge lengths are compared at this many decimals of a millimetre, so that edges of equal
length split alike in every frame."""


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """A subdivided surface and where its parts come from.

    Attributes
    ----------
    surface : Surface
        The original vertices come first, unchanged.
    parent : (F',) array
        The original face in which each face lies.
    halved : (V' − V, 2) array
        For each added vertex the ends of the edge whose middle it is; an end is
        an original vertex or one added before.
    """

    surface: Surface
    parent: IntArray
    halved: IntArray


def refine(surface: Surface, longest_mm: float) -> Refined:
    """Split edges until none is longer than ``longest_mm``.

    Longest-edge bisection: the edge that is split is always the longest of its
    faces, so angles stay bounded, and both faces of an edge split together, so
    that no crack opens. New vertices lie on the straight edges: the shape is
    unchanged.

    Parameters
    ----------
    surface : Surface
    longest_mm : float
        Greatest edge length, mm.

    Returns
    -------
    Refined
        The finer surface, and which face and edges its faces and vertices come from.

    Raises
    ------
    ValueError
        The length is not positive.

    References
    ----------
    .. [1] Rivara MC, Algorithms for refining triangular grids suitable for
       adaptive and multigrid techniques, Int J Numer Methods Eng 1984;20:745-756.
    """
    if not longest_mm > 0:
        raise ValueError(f"longest_mm must be positive, not {longest_mm}")
    parent = np.arange(len(surface.faces))
    halved = [np.empty((0, 2), dtype=np.int64)]
    while True:
        pairs, face_edges, _ = edges(surface)
        along = surface.points[pairs[:, 1]] - surface.points[pairs[:, 0]]
        length = np.round(lengths(along), LENGTH_DECIMALS)
        split = length > longest_mm
        if not split.any():
            return Refined(surface, parent, np.concatenate(halved))
        longest = _longest_corner(length, face_edges)
        split = _with_longest(split, face_edges, longest)
        halved.append(pairs[split])
        surface, children = _split(surface, pairs, face_edges, longest, split)
        parent = parent[children]


def _longest_corner(length: FloatArray, face_edges: IntArray) -> IntArray:
    """Return for each face which of its edges is longest, equal ones by their index."""
    order = np.argsort(length, kind="stable")
    rank = np.empty(len(length), dtype=np.int64)
    rank[order] = np.arange(len(length))
    a, b, c = (rank[face_edges[:, k]] for k in range(3))
    return np.where((a > b) & (a > c), 0, np.where(b > c, 1, 2))


def _with_longest(split: BoolArray, face_edges: IntArray, longest: IntArray) -> BoolArray:
    """Mark the longest edge of every face that has a marked one, until nothing changes."""
    longest_edge = face_edges[np.arange(len(face_edges)), longest]
    split = split.copy()
    while True:
        wanted = longest_edge[any_corner(face_edges, split)]
        if split[wanted].all():
            return split
        split[wanted] = True


def _split(
    surface: Surface, pairs: IntArray, face_edges: IntArray, longest: IntArray, split: BoolArray
) -> tuple[Surface, IntArray]:
    """Put a vertex in the middle of each marked edge and divide the faces along it."""
    middle = np.full(len(pairs), -1, dtype=np.int64)
    middle[split] = len(surface.points) + np.arange(int(split.sum()))
    added = surface.points[pairs[split]].mean(axis=1)

    # Turn every face so that its longest edge runs from corner 0 to corner 1.
    rows = np.arange(len(surface.faces))[:, None]
    turn = (longest[:, None] + np.arange(3)) % 3
    a, b, c = surface.faces[rows, turn].T
    ab, bc, ca = middle[face_edges[rows, turn]].T

    whole = ab < 0
    near, far = ca >= 0, bc >= 0
    kept = np.flatnonzero(whole)
    parts = [(surface.faces[kept], kept)]

    def add(chosen: BoolArray, *corners: IntArray) -> None:
        index = np.flatnonzero(chosen & ~whole)
        parts.append((np.stack([corner[index] for corner in corners], axis=1), index))

    add(~near, a, ab, c)
    add(near, a, ab, ca)
    add(near, ca, ab, c)
    add(~far, ab, b, c)
    add(far, ab, b, bc)
    add(far, ab, bc, c)
    faces = np.concatenate([part for part, _ in parts])
    children = np.concatenate([index for _, index in parts])
    # Keep the children of a face together and the faces in their old order.
    order = np.argsort(children, kind="stable")
    return Surface(np.concatenate([surface.points, added]), faces[order]), children[order]
