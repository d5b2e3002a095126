"""How a vein takes off from the atrial wall."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.model import Ostium
from veinfit.surface import Surface
from veinfit.surface.mesh import face_middles, face_vectors
from veinfit.surface.near import faces_in_box
from veinfit.vectors import FloatArray, angle_deg, lengths, unit

WALL_RING_MM_RANGE = (2.0, 9.0)
"""The atrial wall around an ostium is taken between these distances from its contour."""

LEAST_RING_SHARE = 0.25
"""The normal is not given when less than this share of the ring's directions have wall."""


def wall_normal(wall: Surface, ostium: Ostium, others: Sequence[Ostium]) -> FloatArray | None:
    """Mean outward normal of the atrial wall around an ostium.

    Faces within ``WALL_RING_MM_RANGE`` of the contour on the atrial side of the
    ostial plane count, but for those beyond another ostium; each direction
    around the vein counts alike.

    Parameters
    ----------
    wall : Surface
        Of the atrium, open at its veins or not.
    ostium : Ostium
    others : sequence of Ostium
        Of the other veins.

    Returns
    -------
    (3,) array or None
        Unit vector; None where too little wall is there.
    """
    low, high = WALL_RING_MM_RANGE
    contour = ostium.contour.points
    around = faces_in_box(wall, contour.min(axis=0) - high, contour.max(axis=0) + high)
    vectors, middle = face_vectors(wall, around), face_middles(wall, around)
    distance, _ = cKDTree(contour).query(middle, distance_upper_bound=high)
    chosen = np.isfinite(distance) & (distance >= low)
    chosen &= (middle - ostium.centre) @ ostium.normal < 0
    for other in others:
        beyond = (middle - other.centre) @ other.normal > 0
        near = lengths(middle - other.centre) < 1.5 * other.measures.d_max_mm
        chosen &= ~(beyond & near)
    if not chosen.any():
        return None
    twelve = unit(ostium.contour.points[0] - ostium.centre)
    three = np.cross(ostium.normal, twelve)
    offset = middle[chosen] - ostium.centre
    sector = np.floor(np.degrees(np.arctan2(offset @ three, offset @ twelve)) / 30.0).astype(int)
    normals = []
    for k in np.unique(sector):
        total = vectors[chosen][sector == k].sum(axis=0)
        normals.append(unit(total))
    if len(normals) < LEAST_RING_SHARE * 12:
        return None
    return unit(np.sum(normals, axis=0))


def takeoff_wall_deg(
    axis: FloatArray, wall: Surface, ostium: Ostium, others: Sequence[Ostium]
) -> float | None:
    """Angle between a vein's axis and the outward normal of the wall around it, degrees."""
    normal = wall_normal(wall, ostium, others)
    return None if normal is None else float(angle_deg(axis, normal))
