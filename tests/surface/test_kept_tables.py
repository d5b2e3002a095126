"""What is known of a surface before it is asked for is told as if it had been worked out."""

from __future__ import annotations

import numpy as np
import pytest
from surface.shapes import sphere

from veinfit.surface import Surface
from veinfit.surface.mesh import TABLES, select_faces
from veinfit.surface.part_edges import keep_edges


def triangle() -> Surface:
    return Surface([[0, 0, 0], [10, 0, 0], [0, 20, 0]], [[0, 1, 2]])


def test_what_is_kept_is_not_worked_out_again() -> None:
    one = triangle()
    assert one.kept("area_mm2") is None
    one.keep("area_mm2", 99.0)
    assert one.kept("area_mm2") == one.area_mm2 == 99.0
    # A right triangle of 10 and 20 mm.
    assert triangle().area_mm2 == pytest.approx(100.0, rel=1e-12)


def test_tables_are_dropped_and_measures_are_not() -> None:
    one = triangle()
    one.keep("area_mm2", 99.0)
    for name in TABLES:
        one.keep(name, ())
    one.drop_tables()
    assert [one.kept(name) for name in TABLES] == [None] * len(TABLES)
    assert one.area_mm2 == 99.0
    pairs, _, counts = one.edge_table
    assert pairs.tolist() == [[0, 1], [0, 2], [1, 2]] and counts.tolist() == [1, 1, 1]


def test_what_is_known_of_the_faces_goes_with_them_to_other_places() -> None:
    one = triangle()
    table = one.edge_table
    moved = one.moved_to(one.points * 2.0)
    assert moved.kept("edge_table") is table and moved.kept("by_corner") is None
    assert moved.area_mm2 == pytest.approx(400.0, rel=1e-12)


def test_edges_of_a_part_are_those_that_it_has_by_itself(rng: np.random.Generator) -> None:
    whole = sphere(10.0, 8, 16)
    kept = rng.random(len(whole.faces)) < 0.7
    part, vertices = select_faces(whole, kept)
    number = np.full(len(whole.points), -1)
    number[vertices] = np.arange(len(vertices))
    known = Surface(part.points, part.faces).edge_table
    keep_edges(part, whole, kept, number)
    assert 1 in known[2] and 2 in known[2]
    for told, wanted in zip(part.edge_table, known, strict=True):
        np.testing.assert_array_equal(told, wanted)
