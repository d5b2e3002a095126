"""The whole wall as it lies once an ostium has changed shape under a balloon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.seating.mechanics.modes import modes_about
from veinfit.surface import Surface


def shaped_wall(wall: Surface, vein: Vein, shape_mm: Sequence[float]) -> Surface:
    """Return a wall whose shape modes about a vein have some amplitudes.

    Parameters
    ----------
    wall : Surface
    vein : Vein
    shape_mm : sequence of M float
        Amplitudes, mm; none leaves the wall as it is.
    """
    if not any(shape_mm):
        return wall
    moved = modes_about(vein, wall.points).displacement(np.array(shape_mm))
    return replace(wall, points=wall.points + moved)
