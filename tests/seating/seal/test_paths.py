"""Widest paths against brute force on small graphs."""

from __future__ import annotations

import itertools

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from veinfit.seating.seal.paths import connected_to, widest_path, widest_widths


@st.composite
def graphs(draw):
    n = draw(st.integers(3, 8))
    pairs = [(i, j) for i in range(n) for j in range(i + 1, n)]
    links = draw(st.lists(st.sampled_from(pairs), unique=True, max_size=14))
    clearance = draw(st.lists(st.integers(-3, 5), min_size=n, max_size=n))
    nodes = draw(st.permutations(range(n)))
    cut = draw(st.integers(1, n - 1))
    return n, links, np.array(clearance, dtype=float), nodes[:cut][:2], nodes[cut:][:2]


def brute(n, links, clearance, sources, sinks):
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    graph.add_edges_from(links)
    widths = [
        min(clearance[list(path)])
        for a in sources
        for b in sinks
        for path in nx.all_simple_paths(graph, a, b)
    ]
    return max(widths, default=-np.inf)


@settings(max_examples=200, deadline=None)
@given(graphs())
def test_the_widest_path_is_that_of_trying_all(case):
    n, links, clearance, sources, sinks = case
    array = np.array(links, dtype=np.int64).reshape(-1, 2)
    found = widest_path(array, clearance, np.array(sources), np.array(sinks))
    assert found.width == brute(n, links, clearance, sources, sinks)
    if found.narrowest < 0:
        assert not len(found.nodes)
        return
    path = found.nodes.tolist()
    assert path[0] in sources
    assert path[-1] in sinks
    known = {frozenset(link) for link in links}
    assert all(frozenset(step) in known for step in itertools.pairwise(path))
    assert clearance[found.narrowest] == found.width == clearance[path].min()


@settings(max_examples=100, deadline=None)
@given(graphs())
def test_what_open_paths_reach_is_that_of_networkx(case):
    n, links, clearance, sources, _ = case
    array = np.array(links, dtype=np.int64).reshape(-1, 2)
    is_open = clearance > 0
    reached = connected_to(array, is_open, np.array(sources))
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    graph.add_edges_from(links)
    graph = graph.subgraph(np.flatnonzero(is_open).tolist())
    wanted = set()
    for start in sources:
        if start in graph:
            wanted |= nx.node_connected_component(graph, start)
    assert set(np.flatnonzero(reached)) == wanted


def test_infinite_clearance_is_wider_than_any_other():
    links = np.array([[0, 1], [1, 3], [0, 2], [2, 3]])
    clearance = np.array([np.inf, 4.0, np.inf, np.inf])
    found = widest_path(links, clearance, np.array([0]), np.array([3]))
    assert found.nodes.tolist() == [0, 2, 3]
    assert found.width == np.inf


def test_without_ends_there_is_no_path():
    links = np.array([[0, 1]])
    none = widest_path(links, np.ones(2), np.empty(0, dtype=int), np.array([1]))
    assert none.narrowest == -1


@pytest.mark.parametrize("levels", [(), (-0.5, 0.3)])
@pytest.mark.parametrize("seed", range(6))
def test_many_widest_paths_at_once_are_those_of_each(seed, levels):
    rng = np.random.default_rng(seed)
    count, nodes = 5, 40
    links = np.unique(np.sort(rng.integers(0, nodes, size=(70, 2)), axis=1), axis=0)
    links = links[links[:, 0] != links[:, 1]]
    clearance = rng.normal(size=(count, nodes))
    clearance[rng.random((count, nodes)) < 0.2] = np.inf
    sources, sinks = np.array([0, 3]), np.array([nodes - 1, 5])
    width, narrowest = widest_widths(links, clearance, sources, sinks, levels)
    for row in range(count):
        path = widest_path(links, clearance[row], sources, sinks)
        assert width[row] == path.width
        if np.isfinite(path.width):
            assert narrowest[row] == path.narrowest


def test_many_widest_paths_without_any_path():
    links = np.array([[0, 1], [2, 3]])
    width, narrowest = widest_widths(links, np.ones((3, 4)), np.array([0]), np.array([3]))
    assert list(width) == [-np.inf] * 3
    assert list(narrowest) == [-1] * 3
    none = np.array([], dtype=int)
    assert list(widest_widths(links, np.ones((1, 4)), none, np.array([3]))[0]) == [-np.inf]
