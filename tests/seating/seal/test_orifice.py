"""Minimum cuts of a wall against networkx on small meshes, and against lengths."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from seating.phantoms import as_phantom, ellipse, hole, revolve

from veinfit.seating.patch import wall_patch
from veinfit.seating.seal.orifice import cut_graph, least_open_line, open_areas
from veinfit.settings import SeatingSettings
from veinfit.surface.mesh import edges

gap = st.floats(-2.0, 5.0)


@given(gap, gap, st.sampled_from([0.0, 0.5]))
def test_the_open_area_of_an_edge_is_that_of_quadrature(first, second, tolerance):
    found = open_areas(np.array([2.0]), np.array([first]), np.array([second]), tolerance)[0]
    breaks = []
    if first != second:
        t = (tolerance - first) / (second - first)
        breaks = [t] if 0.0 < t < 1.0 else []

    def value(t):
        g = first + t * (second - first)
        return 2.0 * g if g > tolerance else 0.0

    wanted, _ = quad(value, 0.0, 1.0, points=breaks or None)
    assert found == pytest.approx(wanted, abs=1e-7)


def test_an_edge_beside_infinity_is_open_over_an_infinite_area():
    assert open_areas(np.array([1.0]), np.array([np.inf]), np.array([0.0]), 0.5)[0] == np.inf


def small_patch():
    """A coarse annulus whose refined patch still is a small graph."""
    profile = [(3.0, -6.0), (3.0, -3.0), (3.0, 0.0), (6.0, 0.0), (9.0, 0.0)]
    wall = revolve(profile, sectors=8)
    phantom = as_phantom(wall, ellipse(3.0, 3.0))
    settings_ = SeatingSettings(patch_edge_mm=5.0)
    return wall_patch(phantom.anatomy, phantom.vein, 5.0, settings_)


SMALL = small_patch()
GRAPH = cut_graph(SMALL)


def brute_cut(patch, gap_mm, tolerance):
    """Least open area by networkx on the faces, built independently."""
    pairs, face_edges, _ = edges(patch.surface)
    ends = patch.surface.points[pairs]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    area = open_areas(length, gap_mm[pairs[:, 0]], gap_mm[pairs[:, 1]], tolerance)
    by_edge = {}
    for face, three in enumerate(face_edges.tolist()):
        for edge in three:
            by_edge.setdefault(edge, []).append(face)
    graph = nx.Graph()
    for edge, faces in by_edge.items():
        if len(faces) == 2:
            graph.add_edge(*faces, capacity=float(area[edge]))
    n = len(patch.surface.points)
    for name, nodes in (("vein", patch.vein_nodes), ("atrium", patch.atrium_nodes)):
        assert (nodes < n).all(), "the whole wall is in the patch"
        for face in np.flatnonzero(np.isin(patch.surface.faces, nodes).any(axis=1)):
            graph.add_edge(name, int(face))  # no capacity: unlimited
    return nx.minimum_cut_value(graph, "vein", "atrium")


@settings(max_examples=60, deadline=None)
@given(st.lists(gap, min_size=len(SMALL.surface.points), max_size=len(SMALL.surface.points)))
def test_the_least_open_line_is_that_of_networkx(values):
    gap_mm = np.array(values)
    line = least_open_line(GRAPH, gap_mm, 0.5)
    assert line is not None
    wanted = brute_cut(SMALL, gap_mm, 0.5)
    assert line.open_area_mm2.sum() == pytest.approx(wanted, abs=0.005)


def test_the_line_parts_the_vein_from_the_atrium():
    rng = np.random.default_rng(7)
    gap_mm = rng.uniform(0.6, 3.0, len(SMALL.surface.points))
    line = least_open_line(GRAPH, gap_mm, 0.5)
    graph = nx.Graph(line.edges.tolist())
    assert all(degree % 2 == 0 for _, degree in graph.degree), "closed lines"
    angle = np.arctan2(SMALL.surface.points[:, 1], SMALL.surface.points[:, 0])
    assert len(np.unique(np.round(angle[np.unique(line.edges)], 6))) == 8, "all the way round"


def test_around_a_tube_of_even_gap_the_orifice_is_the_circumference_times_the_gap():
    phantom = hole(6.0, edge_mm=0.7, plate_mm=12.0, tube_mm=10.0)
    patch = wall_patch(phantom.anatomy, phantom.vein, 10.0, SeatingSettings())
    height = patch.surface.points[:, 2]
    line = least_open_line(cut_graph(patch), 1.5 + 0.2 * np.abs(height + 4.0), 0.5)
    polygon = np.linalg.norm(
        patch.surface.points[line.edges][:, 1] - patch.surface.points[line.edges][:, 0], axis=1
    ).sum()
    assert polygon == pytest.approx(2 * np.pi * 6.0, rel=0.01)
    assert line.open_area_mm2.sum() == pytest.approx(2 * np.pi * 6.0 * 1.5, rel=0.03)


def test_contact_all_round_leaves_nothing_open():
    height = SMALL.surface.points[:, 2]
    line = least_open_line(GRAPH, np.where(np.abs(height) < 0.1, 0.4, 4.0), 0.5)
    assert line.open_area_mm2.sum() == 0.0
