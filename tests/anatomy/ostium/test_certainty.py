"""How far an ostium can be relied on."""

from veinfit.anatomy.ostium.certainty import wider_for_voxels


def test_bounds_are_wider_from_voxels_and_more_so_from_coarse_ones():
    assert 1.0 == wider_for_voxels(None) < wider_for_voxels(0.5) == wider_for_voxels(1.0)
    assert wider_for_voxels(1.0) < wider_for_voxels(1.2) < wider_for_voxels(1.4) < 1.2
