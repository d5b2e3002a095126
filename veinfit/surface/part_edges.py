"""The edges of a part of a surface, taken from those of the whole."""

from __future__ import annotations

import numpy as np

from veinfit.surface.mesh import Surface, edges
from veinfit.vectors import BoolArray, IntArray


def keep_edges(part: Surface, surface: Surface, kept: BoolArray, number: IntArray) -> None:
    """Keep the edges of a part of a surface, taken from those of the whole.

    To find them anew takes ten times as long.

    Parameters
    ----------
    part : Surface
        The faces ``kept``, in their order.
    surface : Surface
    kept : (F,) bool array
    number : (V,) array
        The vertices of the surface in the part; those that it has keep their order.
    """
    pairs, face_edges, counts = edges(surface)
    left = counts - np.bincount(face_edges[~kept].ravel(), minlength=len(pairs))
    there = left > 0
    place = np.cumsum(there) - 1
    table = number.take(pairs[there]), place.take(face_edges[kept]), left[there]
    for one in table:
        one.setflags(write=False)
    part.keep("edge_table", table)
