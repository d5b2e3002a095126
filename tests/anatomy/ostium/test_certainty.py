"""How far an ostium can be relied on."""

from veinfit.anatomy.ostium.certainty import wider_for_voxels


def test_bounds_of_coarse_voxels_alone_are_wider():
    assert wider_for_voxels(None) == wider_for_voxels(0.5) == wider_for_voxels(1.0) == 1.0
    assert 1.0 < wider_for_voxels(1.2) < wider_for_voxels(1.4) < 1.1
