"""The border of a labelled vein, where it is known from how the label was drawn."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.anatomy.branches.labelled_veins import labelled_veins

STEP = 0.7


def block(low, high):
    """Voxel centres of an upright block."""
    return STEP * np.stack(
        np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij"),
        axis=-1,
    ).reshape(-1, 3)


@pytest.mark.parametrize("far", [0, 300])
def test_the_border_is_where_vein_and_atrium_meet(far):
    shift = np.array([far, -far, far])
    vein, body = block((10, 10, 20), (20, 20, 50)), block((0, 0, 0), (40, 40, 20))
    # Another label far away, and one that the vein does not touch, say nothing.
    beyond = block((10, 10, 60), (20, 20, 70))
    hints = {"left_atrium": body + shift, "LSPV": vein + shift, "appendage": beyond + shift}
    (found,) = labelled_veins(hints)
    # The first layer of the vein's voxels; the next one lies 2 voxels from the body's.
    middle = STEP * np.array([14.5, 14.5, 20.0])
    assert found.name == "LSPV"
    assert found.centre - shift == pytest.approx(middle, abs=1e-9)
    assert found.normal == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    assert (found.tip - shift)[2] == pytest.approx(STEP * 48.0, abs=STEP)


def test_a_label_that_touches_no_other_has_no_border():
    hints = {"left_atrium": block((0, 0, 0), (10, 10, 10)), "LSPV": block((0, 0, 40), (9, 9, 60))}
    assert labelled_veins(hints) == ()
