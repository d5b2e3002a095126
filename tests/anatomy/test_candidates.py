"""Which ostium is a branch's own."""

from __future__ import annotations

import numpy as np
import pytest

from veinfit.anatomy.branches.contours import enters

TURN = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
RING = 8.0 * np.stack([np.cos(TURN), np.sin(TURN), np.zeros_like(TURN)], axis=1)
"""A contour of 16 mm about the origin, in the plane z = 0; the vein lies above."""


@pytest.mark.parametrize(
    ("path", "comes_through"),
    [
        # Out of the body through the ring.
        ([(0, 0, -20), (2, 0, -5), (3, 0, 5), (5, 0, 30)], True),
        # The same, with a bend that crosses the plane again beside the ring.
        ([(0, 0, -20), (2, 0, 6), (30, 0, 5), (40, 0, -5), (50, 0, 5)], True),
        # To an end on the atrial side: another opening's path never comes near.
        ([(0, 0, -20), (10, 0, -25), (20, 0, -40)], False),
        # Through the plane, but beside the ring.
        ([(0, 0, -20), (20, 0, -5), (22, 0, 5)], False),
        # Back out of the vein.
        ([(0, 0, 20), (0, 0, -20)], False),
    ],
)
def test_a_branch_comes_through_its_own_ostium(path, comes_through):
    normal = np.array([0.0, 0.0, 1.0])
    assert enters(np.array(path, dtype=float), RING, np.zeros(3), normal) == comes_through
