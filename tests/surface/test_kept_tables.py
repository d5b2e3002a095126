"""What is known of a surface before it is asked for is told as if it had been worked out."""

from __future__ import annotations

import pytest

from veinfit.surface import Surface
from veinfit.surface.mesh import TABLES


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
