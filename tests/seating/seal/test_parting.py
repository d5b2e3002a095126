"""Contact that parts two ends of a graph, beside a search of each graph by itself."""

from __future__ import annotations

from itertools import pairwise

import networkx as nx
import numpy as np
import pytest

from veinfit.seating.seal.parting import Folded, Parting

SIDE = 9


def grid():
    """A square of nodes, linked to their neighbours; the vein below it and the atrium above."""
    number = np.arange(SIDE * SIDE).reshape(SIDE, SIDE)
    vein, atrium = SIDE * SIDE, SIDE * SIDE + 1
    links = [*zip(number[:, :-1].ravel(), number[:, 1:].ravel(), strict=True)]
    links += zip(number[:-1].ravel(), number[1:].ravel(), strict=True)
    links += [(one, vein) for one in number[0]] + [(one, atrium) for one in number[-1]]
    return np.array(links)


def parted(links, closed):
    """By networkx, which looks at what is open alone."""
    graph = nx.Graph(links.tolist())
    graph.remove_nodes_from(np.flatnonzero(closed).tolist())
    return not nx.has_path(graph, SIDE * SIDE, SIDE * SIDE + 1)


@pytest.mark.parametrize("rows", [1, 6])
@pytest.mark.parametrize("seed", range(4))
def test_whether_contact_parts_the_ends_is_what_a_search_of_each_graph_tells(seed, rows):
    """Asked again and again, of more and more of the wall."""
    rng = np.random.default_rng(seed)
    links = grid()
    parting = Parting(links, SIDE * SIDE + 2, SIDE * SIDE)
    assert parting.joined
    found = []
    for share in (0.1, 0.4, 0.45, 0.5, 0.3, 0.5, 0.4):
        closed = rng.random((rows, SIDE * SIDE)) < share
        told = parting.parted(closed)
        assert told.tolist() == [parted(links, one) for one in closed]
        found += told.tolist()
    assert True in found and False in found


def test_contact_that_was_expected_and_contact_beside_it_are_told_alike():
    links = grid()
    parting = Parting(links, SIDE * SIDE + 2, SIDE * SIDE)
    row, column = np.divmod(np.arange(SIDE * SIDE), SIDE)
    parting.expect((row >= 3) & (row <= 5))
    for rows in ([3, 4, 5], [4], [6, 7], [2, 3]):
        ring = np.isin(row, rows)
        for closed, told in ((ring, True), (ring & (column != 4), False)):
            assert parting.parted(closed[None])[0] == told == parted(links, closed)


def test_ends_that_nothing_joins_are_known_to_be_apart():
    links = grid()
    assert not Parting(links[:-SIDE], SIDE * SIDE + 2, SIDE * SIDE).joined


def test_what_is_folded_keeps_every_link_of_the_rest():
    links, kept = grid(), np.zeros(SIDE * SIDE + 2, dtype=bool)
    kept[SIDE * 4 : SIDE * 5] = True  # a row across: what is below and above it is one node each
    fold = Folded.of(links, kept)
    assert (fold.pieces, fold.nodes) == (2, 2 + SIDE)
    told = {(a, b) for a, b in zip(fold.low.tolist(), fold.high.tolist(), strict=True)}
    below, above = fold.node[[-2, -1]].tolist()
    row = fold.node[fold.own].tolist()
    wanted = {(below, one) for one in row} | {(above, one) for one in row}
    assert told == wanted | set(pairwise(row))
