"""The half turn of the wall around a vein, read off the implicit function.

In half-planes that contain the vein's axis line, the zero level is followed
from the trunk toward the atrium. ψ is the angle between the path and the
direction straight out of the vein; it is that of the trunk's wall, ψ0, where
the wall is still the vein's own, and the atrium's, ψ1, where ψ first stops
rising. The wall has made half of its turn where ψ is (ψ0 + ψ1) / 2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from veinfit.ostium_definition import (
    BULGE_MM,
    BULGE_SHARE,
    LEAST_TURN_DEG,
    PLATEAU_DEG,
    PLATEAU_MM,
    SMOOTHING_MM,
)
from veinfit.synthetic.wall.fields import Implicit, round_union_all
from veinfit.synthetic.wall.implicit_tubes import FAR_MM
from veinfit.vectors import BoolArray, FloatArray, IntArray

STEP_MM = 0.15
"""Step along the profile."""

TOP_PARTS = 12
"""Around its highest point a profile is looked at again in parts of the step."""

ROUGH_STEP_MM = 0.4
"""Step along the profile where the result is only to lay the axis line."""

LONGEST_MM = 36.0
"""A profile is followed no farther than this."""

LEVEL_MM = 12.0
"""A profile ends where ψ has not risen over this length: longer than any bulge."""

RISE_DEG = 0.05
"""A rise by less than this is none."""

OWN_MM = 1e-6
"""Where the union differs from the vein alone by less than this the wall is the vein's own.

A fillet of radius r departs from the vein by x²/2r over a length x: with 1e-6 mm the
fillet's begin is found to a few thousandths of a millimetre.
"""

SAMPLED_OWN_MM = 1e-5
"""The same for exact values at points on the wall of samples."""

OWN_STRIDE = 8
"""It is first looked so many steps apart where the wall ceases to be the vein's own."""

REFINEMENTS = 14
"""Bisections of the half turn's place between two steps of the profile."""

DIFFERENCE_MM = 1e-5
"""Step of the forward differences."""


@dataclass(frozen=True, slots=True, eq=False)
class Sectors:
    """Half-planes: points are ``origin + rho * radial + z * axial``.

    Attributes
    ----------
    origin, radial, axial : (N, 3) arrays
    own : (N, K) bool array
        Which tubes of the implicit function belong to the sector's vein.
    """

    origin: FloatArray
    radial: FloatArray
    axial: FloatArray
    own: BoolArray

    def point(self, q: FloatArray, rows: np.ndarray) -> FloatArray:
        """Points (M, 3) in space of plane coordinates q (M, 2) = (rho, z)."""
        return np.asarray(
            self.origin[rows] + q[:, :1] * self.radial[rows] + q[:, 1:] * self.axial[rows]
        )


@dataclass(frozen=True, slots=True, eq=False)
class HalfTurns:
    """The half turn of every sector; NaN where there is none.

    Attributes
    ----------
    points : (N, 3) array
    trunk_deg, atrium_deg : (N,) arrays
        ψ0 and ψ1.
    """

    points: FloatArray
    trunk_deg: FloatArray
    atrium_deg: FloatArray


def half_turns(
    field: Implicit, sectors: Sectors, rho: FloatArray, z: FloatArray, refined: bool = True
) -> HalfTurns:
    """Find the half turn in every sector.

    Parameters
    ----------
    rho, z : (N,) arrays
        Where each profile starts, on the wall of the trunk.
    refined : bool
        False takes longer steps and leaves the half turns where a chord has them.
    """
    stride = STEP_MM if refined else ROUGH_STEP_MM
    path, psi, own = _follow(field, sectors, np.stack([rho, z], axis=1), stride)
    n = len(rho)
    points = np.full((n, 3), np.nan)
    psi0, psi1 = np.full(n, np.nan), np.full(n, np.nan)
    low, high = np.zeros((n, 2)), np.zeros((n, 2))
    share = np.zeros(n)
    begins, tops = np.zeros(n, dtype=int), np.full(n, -1)
    chosen = np.zeros(n, dtype=bool)
    for k in range(n):
        length = int(np.isfinite(psi[:, k]).sum())
        if length < 3:
            continue
        profile = psi[:length, k]
        left = np.flatnonzero(~own[:length, k])
        if not len(left):
            continue
        turn = _turn(profile, max(int(left[0]) - 1, 0), stride)
        if turn is None:
            continue
        begins[k], tops[k] = turn
        psi0[k], psi1[k] = profile[begins[k]], profile[tops[k]]
    if refined:
        psi1 = _refined_tops(field, sectors, path, psi1, tops)
    for k in np.flatnonzero(tops >= 0).tolist():
        begin, top = int(begins[k]), int(tops[k])
        profile = psi[: top + 1, k]
        middle = 0.5 * (psi0[k] + psi1[k])
        if psi1[k] - psi0[k] < LEAST_TURN_DEG:
            continue
        passed = begin + int(np.argmax(profile[begin : top + 1] >= middle))
        low[k], high[k] = path[max(passed - 1, 0), k], path[passed, k]
        before, after = profile[max(passed - 1, 0)], profile[passed]
        share[k] = (middle - before) / (after - before) if after > before else 0.5
        chosen[k] = True
    rows = np.flatnonzero(chosen)
    if len(rows):
        middle = 0.5 * (psi0 + psi1)[rows]
        if refined:
            points[rows] = _refined(field, sectors, rows, low[rows], high[rows], middle)
        else:
            chord = low + share[:, None] * (high - low)
            points[rows] = sectors.point(chord[rows], rows)
    return HalfTurns(points, psi0, psi1)


def _turn(profile: FloatArray, begin: int, stride: float) -> tuple[int, int] | None:
    """Find the indices between which a profile of ψ makes its turn; None where there is none.

    A turn that is soon undone and followed by a greater one is a bulge of the vein.
    """
    smooth = gaussian_filter1d(profile, SMOOTHING_MM / stride, mode="nearest")
    top = _stop(smooth, begin, stride)
    while top is not None:
        rise = smooth[top] - smooth[begin]
        trough = top + int(np.argmin(smooth[top : top + round(BULGE_MM / stride)]))
        if smooth[trough] > smooth[begin] + BULGE_SHARE * rise:
            break
        following = _stop(smooth, trough, stride)
        if following is None or smooth[following] - smooth[trough] <= rise:
            break
        begin, top = trough, following
    if top is None:
        return None
    # Smoothing has moved the highest place: the exact one is near.
    end = top + round(SMOOTHING_MM / stride) + 1
    return begin, begin + int(np.argmax(profile[begin:end]))


def _stop(smooth: FloatArray, begin: int, stride: float) -> int | None:
    """Index at which ψ, having turned from ``begin`` on, first stops rising."""
    ahead = round(PLATEAU_MM / stride)
    for k in range(begin, len(smooth)):
        if smooth[k] - smooth[begin] < LEAST_TURN_DEG:
            continue
        highest = k + int(np.argmax(smooth[k : k + ahead + 1]))
        if smooth[highest] - smooth[k] < PLATEAU_DEG:
            return highest
    return None


def _refined_tops(
    field: Implicit, sectors: Sectors, path: FloatArray, psi1: FloatArray, tops: IntArray
) -> FloatArray:
    """ψ1 (N,) in degrees, looked at between the points beside the highest of each profile."""
    result = psi1.copy()
    rows = np.flatnonzero((tops > 0) & (tops + 1 < len(path)))
    rows = rows[np.isfinite(path[tops[rows] + 1, rows, 0])]
    for side in (-1, 1):
        here, there = path[tops[rows], rows], path[tops[rows] + side, rows]
        for part in np.arange(1, TOP_PARTS) / TOP_PARTS:
            q = here + part * (there - here)
            for _ in range(2):
                f, gradient, _ = _evaluate(field, sectors, rows, q)
                q = _onto(q, f, gradient)
            angle = np.degrees(np.arctan2(gradient[:, 1], gradient[:, 0]))
            # Near the highest point, so without jumps of 360 from it.
            angle = psi1[rows] + np.mod(angle - psi1[rows] + 180.0, 360.0) - 180.0
            result[rows] = np.maximum(result[rows], angle)
    return result


def _evaluate(
    field: Implicit, sectors: Sectors, rows: np.ndarray, q: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Value (M,), gradient in the half-plane (M, 2) and excess over the vein alone (M,).

    Of a sampled function the excess is 0: it takes exact values to tell (:func:`_own_parts`).
    """
    h = DIFFERENCE_MM
    shifted = np.concatenate([q, q + np.array([h, 0.0]), q + np.array([0.0, h])])
    points = sectors.point(shifted, np.tile(rows, 3))
    m = len(rows)
    f = field.value(points)
    gradient = np.stack([f[m : 2 * m] - f[:m], f[2 * m :] - f[:m]], axis=1) / h
    if field.samples is not None:
        return f[:m], gradient, np.zeros(m)
    return f[:m], gradient, _excess(field, sectors, rows, points[:m], f[:m])


def _excess(
    field: Implicit, sectors: Sectors, rows: np.ndarray, points: FloatArray, whole: FloatArray
) -> FloatArray:
    """By how much (M,) the blood reaches beyond the vein alone."""
    proper = np.where(sectors.own[rows], field.proper(points), FAR_MM)
    return np.asarray(round_union_all(proper, field.carina_mm) - whole)


def _onto(q: FloatArray, f: FloatArray, gradient: FloatArray) -> FloatArray:
    slope2 = np.maximum(np.einsum("ij,ij->i", gradient, gradient), 0.02)
    return np.asarray(q - (np.clip(f, -0.5, 0.5) / slope2)[:, None] * gradient)


def _follow(
    field: Implicit, sectors: Sectors, start: FloatArray, stride: float
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Follow the zero level in all sectors at once.

    Returns
    -------
    path : (S, N, 2) array
    psi : (S, N) array
        Degrees, without jumps of 360; NaN after the end of a profile.
    own : (S, N) bool array
        Where the wall is the vein's own.
    """
    n = len(start)
    count = int(LONGEST_MM / stride)
    path = np.full((count, n, 2), np.nan)
    psi = np.full((count, n), np.nan)
    own = np.ones((count, n), dtype=bool)
    rows = np.flatnonzero(np.isfinite(start).all(axis=1))
    q = start[rows]
    highest = np.full(n, -np.inf)
    since_rise = np.zeros(n, dtype=int)
    for step in range(count):
        f, gradient, excess = _evaluate(field, sectors, rows, q)
        q = _onto(q, f, gradient)
        angle = np.degrees(np.arctan2(gradient[:, 1], gradient[:, 0]))
        if step:
            before = psi[step - 1, rows]
            angle = before + np.mod(angle - before + 180.0, 360.0) - 180.0
        path[step, rows], psi[step, rows], own[step, rows] = q, angle, excess < OWN_MM
        # Only what rises after the wall has ceased to be the vein's own counts.
        left = ~own[: step + 1, rows].all(axis=0)
        fresh = angle > highest[rows] + RISE_DEG
        highest[rows] = np.where(left, np.maximum(highest[rows], angle), angle)
        since_rise[rows] = np.where(left & ~fresh, since_rise[rows] + 1, 0)
        done = since_rise[rows] > LEVEL_MM / stride
        keep = ~done & (q[:, 0] > 0.0)
        slope = np.maximum(np.linalg.norm(gradient, axis=1), 1e-6)[:, None]
        tangent = np.stack([gradient[:, 1], -gradient[:, 0]], axis=1) / slope
        q = (q + stride * tangent)[keep]
        rows = rows[keep]
        if not len(rows):
            break
    if field.samples is not None:
        own = _own_parts(field, sectors, path)
        _end_where_level(psi, own, stride)
    return path, psi, own


def _own_parts(field: Implicit, sectors: Sectors, path: FloatArray) -> BoolArray:
    """Where (S, N) the wall of profiles is the vein's own, up to where it first is not."""
    n = path.shape[1]
    lengths = np.isfinite(path[:, :, 0]).sum(axis=0)
    low, high = np.zeros(n, dtype=int), np.maximum(lengths - 1, 0)
    settled = np.zeros(n, dtype=bool)
    for step in range(0, len(path), OWN_STRIDE):
        rows = np.flatnonzero(~settled & (step < lengths))
        if not len(rows):
            break
        own = _is_own(field, sectors, rows, path[step, rows])
        low[rows[own]] = step
        high[rows[~own]] = step
        settled[rows[~own]] = True
    for _ in range(int(np.ceil(np.log2(OWN_STRIDE)))):
        rows = np.flatnonzero(settled & (high - low > 1))
        if not len(rows):
            break
        middle = (low[rows] + high[rows]) // 2
        own = _is_own(field, sectors, rows, path[middle, rows])
        low[rows[own]] = middle[own]
        high[rows[~own]] = middle[~own]
    return np.asarray((np.arange(len(path))[:, None] < high) | ~settled)


def _is_own(field: Implicit, sectors: Sectors, rows: IntArray, q: FloatArray) -> BoolArray:
    points = sectors.point(q, rows)
    return np.asarray(_excess(field, sectors, rows, points, field.exact(points)) < SAMPLED_OWN_MM)


def _end_where_level(psi: FloatArray, own: BoolArray, stride: float) -> None:
    """Cut profiles (S, N) off where ψ has not risen for long since the vein's wall was left."""
    for k in range(psi.shape[1]):
        left = np.flatnonzero(~own[:, k])
        if not len(left):
            continue
        tail = psi[left[0] :, k]
        highest = np.maximum.accumulate(np.nan_to_num(tail, nan=-np.inf))
        fresh = np.r_[True, tail[1:] > highest[:-1] + RISE_DEG]
        since = np.arange(len(tail)) - np.maximum.accumulate(
            np.where(fresh, np.arange(len(tail)), 0)
        )
        over = np.flatnonzero(since > LEVEL_MM / stride)
        if len(over):
            psi[left[0] + over[0] + 1 :, k] = np.nan


def _refined(
    field: Implicit,
    sectors: Sectors,
    rows: np.ndarray,
    low: FloatArray,
    high: FloatArray,
    wanted_deg: FloatArray,
) -> FloatArray:
    """Where ψ passes ``wanted_deg`` between two points of each profile, by bisection."""
    for _ in range(REFINEMENTS):
        q = 0.5 * (low + high)
        for _ in range(2):
            f, gradient, _ = _evaluate(field, sectors, rows, q)
            q = _onto(q, f, gradient)
        angle = np.degrees(np.arctan2(gradient[:, 1], gradient[:, 0]))
        below = np.mod(angle - wanted_deg + 180.0, 360.0) - 180.0 < 0.0
        low = np.where(below[:, None], q, low)
        high = np.where(below[:, None], high, q)
    return sectors.point(0.5 * (low + high), rows)
