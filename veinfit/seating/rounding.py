"""An oval ostium under a round balloon: the ring of wall gives way as a whole.

The foundation lets every point of the wall give way by itself, by about a millimetre;
a ring also bends. Bending an oval ring to a round one of the same perimeter takes far
less force than stretching it, so an oval ostium under a balloon is less oval than on
the image. Here it is taken to go a stated share of that way, whatever the push.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.frames import FloatArray
from veinfit.notes import Note
from veinfit.surface import Surface

WHOLE_DIAMETERS = 1.0
"""Wall within so many greatest diameters of the ostial centre takes part in full, ..."""

NO_DIAMETERS = 2.0
"""... and from so many on not at all."""

NOTE_MM = 0.5
"""A wall that gives way by more than this, at the ends of a diameter, says so."""


def rounded_wall(wall: Surface, vein: Vein, share: float) -> Surface:
    """Return a wall whose ostium has gone a share of the way to a round one.

    Across the ostial normal the wall is drawn in along the contour's long axis and
    out along its short one, so that its diameters go toward that of a circle of the
    same perimeter; the further from the ostium the less.

    Parameters
    ----------
    wall : Surface
    vein : Vein
    share : float
        0: the wall as it is; 1: a round ostium.
    """
    if share == 0.0:
        return wall
    offset = wall.points - vein.ostium.centre
    far = np.linalg.norm(offset, axis=1) / vein.ostium.measures.d_max_mm
    ramp = np.clip((far - WHOLE_DIAMETERS) / (NO_DIAMETERS - WHOLE_DIAMETERS), 0.0, 1.0)
    weight = 0.5 * (1.0 + np.cos(np.pi * ramp))
    axes, stretch = _principal(vein)
    moved = offset @ axes.T * (share * stretch) @ axes
    return replace(wall, points=wall.points + weight[:, None] * moved)


def rounding_notes(vein: Vein, share: float) -> tuple[Note, ...]:
    """Tell how far the ostium is taken to round, where that is worth a word."""
    measures = vein.ostium.measures
    _, (long, short) = _principal(vein)
    give = 0.5 * share * max(-long * measures.d_max_mm, short * measures.d_min_mm)
    if give < NOTE_MM:
        return ()
    after = (
        measures.d_max_mm * (1.0 + share * long),
        measures.d_min_mm * (1.0 + share * short),
    )
    text = (
        f"the ostium is taken to round under the balloon, from {measures.d_max_mm:.1f} × "
        f"{measures.d_min_mm:.1f} to {after[0]:.1f} × {after[1]:.1f} mm: seats and leaks are on "
        "the wall that has given way so"
    )
    return (Note("seating", text, vein.name),)


def _principal(vein: Vein) -> tuple[FloatArray, FloatArray]:
    """Long and short axis (2, 3) of the ostium, and by how much of itself each diameter is off.

    The second is (2,): what brings it to the diameter of a circle of the contour's perimeter.
    """
    ostium = vein.ostium
    points = ostium.contour.points - ostium.centre
    points = points - np.outer(points @ ostium.normal, ostium.normal)
    ahead = np.roll(points, -1, axis=0)
    middle, length = 0.5 * (points + ahead), np.linalg.norm(ahead - points, axis=1)
    _, axes = np.linalg.eigh((middle * length[:, None]).T @ middle)
    measures = ostium.measures
    diameters = np.array([measures.d_max_mm, measures.d_min_mm])
    return axes[:, [2, 1]].T, measures.d_perimeter_mm / diameters - 1.0
