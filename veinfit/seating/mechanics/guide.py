"""Lines that hold a balloon's centre: the guide in the vein and the shaft."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from veinfit.anatomy.model import Vein
from veinfit.frames import side_words
from veinfit.notes import Note
from veinfit.vectors import FloatArray, unit

EYE = np.eye(3)

FAR_MM = 1000.0
"""How far a guide runs on straight beyond its ends: farther than any heart is wide."""

AIMLESS_MM = 0.5
"""A branch that leaves the trunk's axis by less than this has no side."""

SHORTEST_SEGMENT_MM = 1e-6
"""Points of a guide closer than this are one point."""


@dataclass(frozen=True, eq=False)
class Guide:
    """A polyline with straight ends that reach far.

    ``points`` (N, 3), mm, run from the atrium into the vein.
    """

    points: FloatArray

    def spring(self, centre: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Half the squared distance of ``centre`` to the line, its gradient and Hessian.

        The gradient is the offset from the nearest point; the Hessian leaves out
        the direction of the line where the nearest point can move along it.
        """
        value, offset, hessian = self.springs(centre[None, :])
        return float(value[0]), offset[0], hessian[0]

    def springs(self, centres: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the same for many centres (N, 3): arrays (N,), (N, 3) and (N, 3, 3)."""
        start, tangent, length = self._segments
        # Axis by axis: over rows of three sums take several times as long.
        away = [centres[:, [k]] - start[:, k] for k in range(3)]
        reach = away[0] * tangent[:, 0] + away[1] * tangent[:, 1] + away[2] * tangent[:, 2]
        reach = np.minimum(np.maximum(reach, 0.0), length)
        offsets = [away[k] - reach * tangent[:, k] for k in range(3)]
        square = offsets[0] ** 2 + offsets[1] ** 2 + offsets[2] ** 2
        nearest = np.argmin(square, axis=1)
        each = np.arange(len(centres))
        offset = np.stack([part[each, nearest] for part in offsets], axis=1)
        foot, own = reach[each, nearest], tangent[nearest]
        free = (foot > 0.0) & (foot < length[nearest])
        hessian = EYE - free[:, None, None] * own[:, :, None] * own[:, None, :]
        return 0.5 * np.einsum("ni,ni->n", offset, offset), offset, hessian

    @cached_property
    def _segments(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        start = self.points[:-1]
        along = self.points[1:] - start
        length = np.linalg.norm(along, axis=1)
        return start, along / length[:, None], length

    def sampled(self, start: FloatArray, length_mm: float, step_mm: float) -> FloatArray:
        """Points (N, 3) along the guide every ``step_mm`` from the foot of ``start``."""
        lengths = np.linalg.norm(np.diff(self.points, axis=0), axis=1)
        s = np.r_[0.0, np.cumsum(lengths)]
        begin = self.arc_length(start)
        wanted = np.arange(begin, begin + length_mm + 0.5 * step_mm, step_mm)
        return np.stack([np.interp(wanted, s, self.points[:, k]) for k in range(3)], axis=1)

    def arc_length(self, point: FloatArray) -> float:
        """Arc length, mm, from the guide's first point to the foot of ``point``."""
        start, tangent, length = self._segments
        reach = np.clip(np.einsum("ij,ij->i", point - start, tangent), 0.0, length)
        offsets = point - start - reach[:, None] * tangent
        nearest = int(np.argmin(np.einsum("ij,ij->i", offsets, offsets)))
        return float(length[:nearest].sum() + reach[nearest])


def guide_of(vein: Vein) -> Guide:
    """Return the guide in a vein: its centreline from the ostium on, straight before it.

    Before the ostium it is the extension of the centreline's point at s = 0 along
    the vein's axis; past the last point it runs on in the direction of the last segment.
    """
    s, points = vein.centreline.s_mm, vein.centreline.points
    order = np.argsort(s, kind="stable")
    s, points = s[order], points[order]
    if len(s) and s[0] <= 0.0 <= s[-1]:
        first = np.array([np.interp(0.0, s, points[:, k]) for k in range(3)])
    else:
        first = vein.ostium.centre
    line = np.vstack([first, points[s > 0.0]])
    keep = np.r_[True, np.linalg.norm(np.diff(line, axis=0), axis=1) > SHORTEST_SEGMENT_MM]
    line = line[keep]
    last = unit(line[-1] - line[-2]) if len(line) > 1 else vein.axis
    return Guide(np.vstack([first - FAR_MM * vein.axis, line, line[-1] + FAR_MM * last]))


def guide_notes(vein: Vein) -> tuple[Note, ...]:
    """Tell where a guide turns into a branch, and where it is not held as far as it should be.

    A guide is held by the vein in which it lies. Past a branch point it follows the
    course of the one branch into which the centreline turns; past a cut end nothing
    is known, and it is taken to run on straight.
    """
    notes = []
    s, points = vein.centreline.s_mm, vein.centreline.points
    far = float(s.max())
    width = vein.ostium.measures.d_max_mm
    if vein.branches and not vein.trunk_at_least:
        bifurcation = np.array([np.interp(vein.trunk_length_mm, s, points[:, k]) for k in range(3)])
        onward = points[int(np.argmax(s))] - bifurcation
        aside = onward - (onward @ vein.axis) * vein.axis
        runs_on = far > vein.trunk_length_mm and float(np.linalg.norm(aside)) > AIMLESS_MM
        branch = f"follows its {side_words(aside)} branch" if runs_on else "ends there"
        text = f"the vein divides {vein.trunk_length_mm:.0f} mm past its ostium; the guide {branch}"
        notes.append(Note("seating", text, vein.name))
    if far < width:
        text = (
            f"the image shows only {max(far, 0.0):.0f} mm of the vein past its ostium, which is "
            f"{width:.0f} mm wide; beyond that the guide is assumed to be straight"
        )
        notes.append(Note("seating", text, vein.name))
    return tuple(notes)


def straight(origin: FloatArray, direction: FloatArray) -> Guide:
    """Return the straight line through ``origin`` (3,) along ``direction`` (3,)."""
    d = unit(direction)
    return Guide(np.vstack([origin - FAR_MM * d, origin + FAR_MM * d]))
