"""How far an ostium can be relied on."""

from dataclasses import replace

from veinfit.anatomy.ostium.certainty import Evidence, ostium_error_mm, wider_for_voxels


def test_bounds_are_wider_from_voxels_and_more_so_from_coarse_ones():
    assert 1.0 == wider_for_voxels(None) < wider_for_voxels(0.5) == wider_for_voxels(1.0)
    assert wider_for_voxels(1.0) < wider_for_voxels(1.2) < wider_for_voxels(1.4) < 1.2


def test_a_bound_is_no_less_than_walks_that_alone_tell_the_place_disagree_by():
    alone = Evidence(3.0, 15.0, 2.0, 0.0, 0.0, by_sections=1.0)
    assert ostium_error_mm(replace(alone, walks_apart_mm=14.0), 15.0) == 14.0
    assert ostium_error_mm(replace(alone, walks_apart_mm=1.0)) == ostium_error_mm(alone)
