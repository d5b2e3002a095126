"""Where, in one direction around a vein, the wall has made half of its turn.

A half plane through the vein's axis cuts the wall in a profile. Walked from the
vein toward the atrium, the profile runs along the vein, turns outward over the
flare, and goes on along the atrial wall, or over a ridge into a neighbour. The
turn is measured as the angle of the walk against the axis; the atrium's
direction is where it first stops growing.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from veinfit.anatomy.lumen import Wall
from veinfit.anatomy.tubes import arc_length
from veinfit.frames import BoolArray, FloatArray, IntArray, perpendicular_basis
from veinfit.surface.cuts import PlaneContour, plane_contours

PROFILE_STEP_MM = 0.25
"""Spacing of points on a profile."""

PROFILE_SMOOTHING_MM = 0.8
"""Standard deviation of the smoothing of a profile: about one edge of the mesh."""

VEIN_DIRECTION_MM = 2.0
"""The vein's direction is taken over this length of the profile at its start."""

LEAST_PROFILE_MM = 4.0
"""A shorter profile shows no turn."""

REACH_MM = 30.0
"""A profile is walked this far from its start: past any antrum."""

PLATEAU_MM = 3.0
"""The turn has ended where over this length of wall ..."""

PLATEAU_DEG = 1.0
"""... the angle grows by less than this: the noise of a smoothed voxel surface."""

BULGE_MM = 8.0
"""A turn that is undone within this length of wall ..."""

BULGE_SHARE = 0.25
"""... down to this share of it, before a greater turn, is a bulge and no ostium."""

LEAST_TURN_DEG = 10.0
"""A wall that turns less than this has no ostium in that direction."""


@dataclass(frozen=True, slots=True, eq=False)
class HalfTurn:
    """The half-turn point of one sector.

    Attributes
    ----------
    point : (3,) array
    start_deg, end_deg : float
        The wall's angle against the axis in the vein and in the atrium.
    steepness_mm : float
        Length of profile over which the middle third of the turn happens:
        short is sharp.
    """

    point: FloatArray
    start_deg: float
    end_deg: float
    steepness_mm: float


def half_turns(
    wall: Wall,
    origin: FloatArray,
    axis: FloatArray,
    start: float,
    sectors: int,
) -> list[HalfTurn | None]:
    """Find the half-turn point in each sector around an axis.

    Parameters
    ----------
    wall : Wall
        Outward-wound wall near the vein; a walk ends at its caps.
    origin, axis : (3,) array
        A point on the vein's axis, and its unit direction into the vein.
    start : float
        Where the walk starts, mm along the axis from ``origin``.
    sectors : int
        Number of equal sectors; even, so that each plane serves two.

    Returns
    -------
    list of HalfTurn or None
        One a sector, None where the profile has no turn.
    """
    e1, e2 = perpendicular_basis(axis)
    found: list[HalfTurn | None] = [None] * sectors
    half = sectors // 2
    for k in range(half):
        phi = 2.0 * np.pi * k / sectors
        out = np.cos(phi) * e1 + np.sin(phi) * e2
        contours = plane_contours(wall.surface, origin, np.cross(axis, out))
        for sign, sector in ((1.0, k), (-1.0, k + half)):
            profile = _profile(contours, wall.is_cap, origin, axis, sign * out, start)
            if profile is not None:
                found[sector] = _half_turn(profile, origin, axis, sign * out, start / 3.0)
    return found


def _profile(
    contours: list[PlaneContour],
    is_cap: BoolArray,
    origin: FloatArray,
    axis: FloatArray,
    out: FloatArray,
    start: float,
) -> FloatArray | None:
    """Return the (N, 2) profile (distance out, height along the axis) from the vein on.

    The walk starts where a contour crosses the height ``start`` nearest to the
    axis on the side ``out``, and goes toward lower heights.
    """
    best: tuple[float, FloatArray] | None = None
    for contour in contours:
        offset = contour.points - origin
        r, z = offset @ out, offset @ axis
        n = len(r)
        last = n if contour.closed else n - 1
        i = np.arange(last)
        j = (i + 1) % n
        crossing = np.flatnonzero((z[i] >= start) != (z[j] >= start))
        for a in crossing.tolist():
            b = (a + 1) % n
            t = (start - z[a]) / (z[b] - z[a])
            radius = r[a] + t * (r[b] - r[a])
            if radius <= 0 or (best is not None and radius >= best[0]):
                continue
            forward = z[b] < z[a]
            walk = _walk(contour, is_cap, a, b, forward)
            if walk is None:
                continue
            first = np.array([[radius, start]])
            best = (radius, np.concatenate([first, np.stack([r[walk], z[walk]], axis=1)]))
    return None if best is None else best[1]


def _walk(
    contour: PlaneContour, is_cap: BoolArray, a: int, b: int, forward: bool
) -> IntArray | None:
    """Return indices along a contour from a crossing between points a and b, up to a cap."""
    n = len(contour.points)
    if contour.closed:
        walk = (b + np.arange(n)) % n if forward else (a - np.arange(n)) % n
    else:
        walk = np.arange(b, n) if forward else np.arange(a, -1, -1)
    travelled = arc_length(contour.points.take(walk, axis=0))
    # The face of a forward step is that of its first point, of a backward step that of its second.
    entered = walk if forward else np.concatenate([walk[1:], walk[:1]])
    capped = is_cap[contour.faces[entered]]
    stop = len(walk)
    if capped.any():
        stop = min(stop, int(np.argmax(capped)) + 1)
    stop = min(stop, int(np.searchsorted(travelled, REACH_MM)) + 1)
    return walk[:stop] if stop >= 3 else None


def _half_turn(
    profile: FloatArray, origin: FloatArray, axis: FloatArray, out: FloatArray, lead_mm: float
) -> HalfTurn | None:
    step = np.diff(profile, axis=0)
    s = np.zeros(len(profile))
    np.cumsum(np.hypot(step[:, 0], step[:, 1]), out=s[1:])
    if s[-1] < LEAST_PROFILE_MM:
        return None
    at = np.arange(0.0, s[-1], PROFILE_STEP_MM)
    even = np.stack([np.interp(at, s, profile[:, k]) for k in range(2)], axis=1)
    angle = _walk_angle(even)
    lead = max(int(min(VEIN_DIRECTION_MM, lead_mm) / PROFILE_STEP_MM), 1)
    start_deg = statistics.median(angle[:lead].tolist())
    begin_at, peak = 0, _turn_peak(angle, start_deg)
    while (trough := _undone_at(angle, begin_at, peak, start_deg)) is not None:
        begin_at, start_deg = trough, float(angle[trough])
        peak = trough + _turn_peak(angle[trough:], start_deg)
    end_deg = float(angle[peak])
    if end_deg - start_deg < LEAST_TURN_DEG:
        return None
    level = 0.5 * (start_deg + end_deg)
    third = (end_deg - start_deg) / 3.0
    turn = angle[begin_at : peak + 1]
    here = _last_crossing(turn, level)
    begin = _last_crossing(turn, start_deg + third)
    finish = _last_crossing(turn, end_deg - third)
    if here is None:
        return None
    index = np.arange(len(even)) - begin_at
    r, z = (float(np.interp(here, index, even[:, k])) for k in range(2))
    length = (finish - begin) * PROFILE_STEP_MM if begin is not None and finish is not None else 0.0
    return HalfTurn(origin + r * out + z * axis, start_deg, end_deg, float(length))


def _turn_peak(angle: FloatArray, start_deg: float) -> int:
    """Index at which the turn from ``start_deg`` has its greatest angle."""
    return int(np.argmax(angle[: _turn_end(angle, start_deg)]))


def _undone_at(angle: FloatArray, begin: int, peak: int, start_deg: float) -> int | None:
    """Index at which a turn is undone before a greater one follows; None where it stands.

    Such a turn is a bulge of the vein, as where it widens toward its branches.
    """
    rise = float(angle[peak]) - start_deg
    if peak <= begin or rise <= 0.0:
        return None
    after = angle[peak : peak + int(BULGE_MM / PROFILE_STEP_MM)]
    trough = peak + int(np.argmin(after))
    if angle[trough] > start_deg + BULGE_SHARE * rise:
        return None
    following = trough + _turn_peak(angle[trough:], float(angle[trough]))
    return trough if angle[following] - angle[trough] > rise else None


def _turn_end(angle: FloatArray, start_deg: float) -> int:
    """Index before which the turn's greatest angle lies: where it first stops growing."""
    ahead = int(PLATEAU_MM / PROFILE_STEP_MM)
    turned = np.maximum.accumulate(angle) > start_deg + LEAST_TURN_DEG
    later = np.concatenate([angle[ahead:], np.full(min(ahead, len(angle)), -np.inf)])[: len(angle)]
    still = np.flatnonzero(turned & (later - angle < PLATEAU_DEG))
    # Just past the first such point the angle may still creep up to its greatest.
    return min(int(still[0]) + ahead // 2, len(angle)) if len(still) else len(angle)


def _walk_angle(even: FloatArray) -> FloatArray:
    """Angle of the walk against the way straight out of the vein, degrees, unwrapped."""
    blurred = gaussian_filter1d(
        even, PROFILE_SMOOTHING_MM / PROFILE_STEP_MM, axis=0, mode="nearest"
    )
    # Central differences and whole turns by hand: the general functions take four times as long.
    d = np.empty_like(blurred)
    d[1:-1] = 0.5 * (blurred[2:] - blurred[:-2])
    d[0], d[-1] = blurred[1] - blurred[0], blurred[-1] - blurred[-2]
    turns = np.arctan2(d[:, 0], -d[:, 1]) / (2.0 * np.pi)
    turns[1:] -= np.cumsum(np.round(np.diff(turns)))
    return 360.0 * turns


def _last_crossing(angle: FloatArray, level: float) -> float | None:
    """Fractional index at which ``angle`` last rises through ``level``."""
    rising = np.flatnonzero((angle[:-1] < level) & (angle[1:] >= level))
    if not len(rising):
        return None
    i = int(rising[-1])
    return i + float((level - angle[i]) / (angle[i + 1] - angle[i]))
