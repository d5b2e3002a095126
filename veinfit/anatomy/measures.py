"""Axis, take-off and trunk length of a vein."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from veinfit.anatomy.model import Ostium, Section
from veinfit.frames import FloatArray, angle_deg, lengths, unit
from veinfit.surface import Surface
from veinfit.surface.mesh import face_middles, face_vectors

SHORTEST_AXIS_MM = 2.0
"""An axis over less than this follows the noise of the centroids."""

CLEAR_MM = 1.0
"""Sections are clear of the ostium so far distal of its plane: known to this, and flared there."""

WALL_RING_MM = (2.0, 9.0)
"""The atrial wall around an ostium is taken between these distances from its contour."""

LEAST_RING_SHARE = 0.25
"""The normal is not given when less than this share of the ring's directions have wall."""


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """Direction into the vein, the length it was fitted over, and whether it is sound.

    ``sound`` is False where fewer sections than ``SHORTEST_AXIS_MM`` of vein
    were clear of the ostium and the direction is a stand-in.
    """

    direction: FloatArray
    length_mm: float
    sound: bool


def fit_axis(
    ostium: Ostium, sections: Sequence[Section], length_mm: float, until_mm: float
) -> Axis:
    """Fit a line to section centroids clear of the ostium.

    Parameters
    ----------
    ostium : Ostium
    sections : sequence of Section
        In order from the ostium outward.
    length_mm : float
        Length to fit over.
    until_mm : float
        Arc length of the first branching or of the cut end.
    """
    clear, span = _clear_of(ostium, sections, CLEAR_MM, length_mm, until_mm)
    if span < SHORTEST_AXIS_MM:
        clear, span = _clear_of(ostium, sections, 0.0, length_mm, until_mm)
    if span < SHORTEST_AXIS_MM:
        ahead = [s for s in sections if 0 < s.s_mm <= until_mm]
        if not ahead:
            return Axis(ostium.normal, 0.0, False)
        last = ahead[-1]
        direction = unit(unit(last.centre - ostium.centre) + ostium.normal)
        return Axis(direction, last.s_mm, False)
    centres = np.array([s.centre for s in clear])
    _, _, vt = np.linalg.svd(centres - centres.mean(axis=0))
    direction = vt[0] if vt[0] @ (centres[-1] - centres[0]) > 0 else -vt[0]
    return Axis(direction, float(span), True)


def _clear_of(
    ostium: Ostium,
    sections: Sequence[Section],
    clear_mm: float,
    length_mm: float,
    until_mm: float,
) -> tuple[list[Section], float]:
    """Return the sections over ``length_mm`` from the first clear one on, and their span, mm."""
    clear = [
        s
        for s in sections
        if ((s.contour.points - ostium.centre) @ ostium.normal).min() >= clear_mm
        and s.s_mm <= until_mm
    ]
    clear = [s for s in clear if s.s_mm <= clear[0].s_mm + length_mm + 1e-6]
    return clear, clear[-1].s_mm - clear[0].s_mm if len(clear) >= 3 else 0.0


def wall_normal(wall: Surface, ostium: Ostium, others: Sequence[Ostium]) -> FloatArray | None:
    """Mean outward normal of the atrial wall around an ostium.

    Faces within ``WALL_RING_MM`` of the contour on the atrial side of the
    ostial plane count, but for those beyond another ostium; each direction
    around the vein counts alike. None where too little wall is there.
    """
    vectors = face_vectors(wall)
    middle = face_middles(wall)
    distance, _ = cKDTree(ostium.contour.points).query(middle, distance_upper_bound=WALL_RING_MM[1])
    chosen = np.isfinite(distance) & (distance >= WALL_RING_MM[0])
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
