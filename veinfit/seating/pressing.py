"""Which wall a ball can press from the blood's side, on its way along the guide into a vein."""

from __future__ import annotations

import numpy as np

from veinfit.seating.first_met import SAMPLE_STEP_MM, first_within
from veinfit.seating.patch import WallPatch
from veinfit.surface.mesh import face_corners
from veinfit.vectors import BoolArray, cross, dots


def can_press(patch: WallPatch, radius_mm: float, back_mm: float) -> BoolArray:
    """Tell which faces of the patch a ball can press from the blood's side.

    A thin wall between two lumens, such as a carina, has two sides; a ball in one
    lumen presses the near side, and what of the far side lies inside the ball is
    the neighbour's wall that gives way along with it, not a second wall. A face
    counts as pressed from the blood where the ball, carried along the guide from
    ``back_mm`` before the ostium into the vein, meets it first with its centre on
    the blood's side of the face's plane. Faces that the ball never meets on its
    path are judged from the start. The choice is fixed for a vein and a balloon,
    so that the energy stays smooth.

    Parameters
    ----------
    patch : WallPatch
    radius_mm : float
        Of the ball.
    back_mm : float
        How far before the ostium it starts, along the vein's axis.

    Returns
    -------
    (F,) array
    """
    first, second, third = face_corners(patch.surface)
    middle, across = (first + second + third) / 3.0, cross(second - first, third - first)
    start = patch.centre - back_mm * patch.axis
    path = patch.guide.sampled(start, 3.0 * radius_mm, SAMPLE_STEP_MM)
    met = first_within(middle, path, radius_mm)
    offset = middle - start
    ever = np.flatnonzero(met >= 0)
    offset[ever] = middle[ever] - path[met[ever]]
    return np.asarray(dots(offset, across) > 0.0)


def rest_can_press(patch: WallPatch, back_mm: float) -> BoolArray:
    """Tell which faces (F,) of the rest face the blood ``back_mm`` before the ostium.

    No ball on the guide meets them: they are judged from the start, as :func:`can_press` does.
    """
    start = patch.centre - back_mm * patch.axis
    first, second, third = face_corners(patch.rest)
    across = cross(second - first, third - first)
    return np.asarray(dots((first + second + third) / 3.0 - start, across) > 0.0)
