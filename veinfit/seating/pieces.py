"""Into which pieces the nodes of a graph are joined."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from veinfit.vectors import IntArray


def components(links: IntArray, count: int) -> tuple[int, IntArray]:
    """Return the number of connected pieces of so many nodes, and the piece (N,) of each.

    Parameters
    ----------
    links : (E, 2) array
    count : int
    """
    one, other = np.ascontiguousarray(links.T)
    return components_of(one, other, count)


def components_of(one: IntArray, other: IntArray, count: int) -> tuple[int, IntArray]:
    """Return the same for links from the one nodes (E,) to the other ones (E,).

    Parameters
    ----------
    one, other : (E,) array
        Quickest where the first rise.
    count : int
    """
    if (one[1:] < one[:-1]).any():
        ones = np.ones(len(one), dtype=np.int8)
        graph = sparse.csr_matrix((ones, (one, other)), shape=(count, count))
        return csgraph.connected_components(graph, directed=False)
    begin = np.zeros(count + 1, dtype=np.int32)
    np.cumsum(np.bincount(one, minlength=count), out=begin[1:])
    # Links in their order need not be sorted by the library again.
    graph = sparse.csr_matrix(
        (np.ones(len(one)), other.astype(np.int32), begin), shape=(count, count)
    )
    return csgraph.connected_components(graph, directed=False)
