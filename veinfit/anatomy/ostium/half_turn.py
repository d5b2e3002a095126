"""Where, in one direction around a vein, the wall has made half of its turn.

A half plane through the vein's axis cuts the wall in a profile. Walked from the
vein toward the atrium, the profile runs along the vein, turns outward over the
flare, and goes on along the atrial wall, or over a ridge into a neighbour. The
turn is measured as the angle of the walk against the axis; the atrium's
direction is where it first stops growing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from veinfit.anatomy.branches.lumen import Wall
from veinfit.ostium_definition import (
    BULGE_MM,
    BULGE_SHARE,
    LEAST_TURN_DEG,
    PLATEAU_DEG,
    PLATEAU_MM,
    SMOOTHING_MM,
)
from veinfit.surface.cuts import FanCurves, fan_curves
from veinfit.vectors import FloatArray, IntArray, dots, lengths

PROFILE_STEP_MM = 0.25
"""Spacing of points on a profile."""

VEIN_DIRECTION_MM = 2.0
"""The vein's direction is taken over this length of the profile at its start."""

LEAST_PROFILE_MM = 4.0
"""A shorter profile shows no turn."""

REACH_MM = 30.0
"""A profile is walked this far from its start: past any antrum."""

SAME_ANGLE_DEG = 1e-6
"""Angles that differ by less are the same: on one facet they differ by rounding alone. The first of
them is the peak, so that a wall that only turns back is no turn whatever the rounding."""


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
    return half_turns_from_each(wall, origin, axis, (start,), sectors)[0]


def half_turns_from_each(
    wall: Wall,
    origin: FloatArray,
    axis: FloatArray,
    starts: Sequence[float],
    sectors: int,
) -> list[list[HalfTurn | None]]:
    """Return what :func:`half_turns` finds from each of several starts; the wall is cut once.

    Parameters
    ----------
    wall, origin, axis, sectors
        As of :func:`half_turns`.
    starts : sequence of float
        Where the walks start, mm along the axis from ``origin``.
    """
    phi = 2.0 * np.pi * np.arange(sectors // 2)[:, None] / sectors
    e1, e2 = wall.basis_across(axis, origin)
    ahead = np.cos(phi) * e1 + np.sin(phi) * e2
    out = np.concatenate([ahead, -ahead])
    curves = fan_curves(wall.surface, origin, np.cross(axis, ahead))
    offset = curves.points - origin
    fan = _Fan(curves, offset @ axis, dots(offset, out[curves.planes]), *_onward(curves, wall))
    result = []
    for start in starts:
        found: list[HalfTurn | None] = [None] * sectors
        result.append(found)
        profiles = _profiles(fan, sectors, start)
        if not len(profiles.sectors):
            continue
        lead = max(int(min(VEIN_DIRECTION_MM, start / 3.0) / PROFILE_STEP_MM), 1)
        rows, (r, z), told = _turns(_resampled(profiles), lead)
        chosen = profiles.sectors[rows]
        points = origin + r[:, None] * out[chosen] + z[:, None] * axis
        for sector, point, angles in zip(chosen.tolist(), points, told.T.tolist(), strict=True):
            found[sector] = HalfTurn(point, *angles)
    return result


@dataclass(frozen=True, slots=True, eq=False)
class _Fan:
    """The curves in all half planes through an axis.

    Attributes
    ----------
    curves : FanCurves
    z, r : (N,) array
        Height along the axis and distance out, to the side of the plane's first sector, mm.
    onward : (2 N,) array
        Where a walk goes on to from each point, -1 at a cap or an end; first for walks along the
        curves, then, counted on, for those against them.
    step : (2 N,) array
        How far that is, mm.
    """

    curves: FanCurves
    z: FloatArray
    r: FloatArray
    onward: IntArray
    step: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Profiles:
    """Profiles one after the other.

    Attributes
    ----------
    sectors : (P,) array
        The sector of each profile.
    begins : (P + 1,) array
        Where each begins, and the end of the last.
    r, z : (N,) array
        Distance out and height along the axis, mm.
    """

    sectors: IntArray
    begins: IntArray
    r: FloatArray
    z: FloatArray


def _profiles(fan: _Fan, sectors: int, start: float) -> _Profiles:
    """Walk the profile of each sector from the vein on.

    A walk starts where a curve crosses the height ``start`` nearest to the axis on the sector's
    side, and goes toward lower heights.
    """
    curves, z, r, onward, step = fan.curves, fan.z, fan.r, fan.onward, fan.step
    # Where a curve crosses the height: after which point, how far out, and toward where.
    above = z >= start
    a = np.flatnonzero((above != above[curves.following]) & (curves.following >= 0))
    b = curves.following[a]
    t = (start - z[a]) / (z[b] - z[a])
    radius = r[a] + t * (r[b] - r[a])
    first = np.where(z[b] < z[a], b, a + len(z))
    second = onward[first]
    third = np.where(second >= 0, onward[second], -1)
    # Shorter walks show nothing.
    long = (third >= 0) & (third != first) & (step[first] < REACH_MM)
    half = sectors // 2
    sector = curves.planes[a] + np.where(radius > 0.0, 0, half)
    usable = np.flatnonzero(long & (radius != 0.0))
    usable = usable[np.lexsort((np.abs(radius[usable]), sector[usable]))]
    seen, nearest = np.unique(sector[usable], return_index=True)
    chosen = usable[nearest]
    walks, counts = _walks(onward, step, first[chosen])
    begins = np.concatenate([[0], np.cumsum(counts + 1)])
    side = np.repeat(np.where(seen < half, 1.0, -1.0), counts)
    points = walks % len(z)
    at = begins[:-1] - np.arange(len(chosen))
    return _Profiles(
        seen,
        begins,
        np.insert(side * r[points], at, np.abs(radius[chosen])),
        np.insert(z[points], at, start),
    )


def _onward(curves: FanCurves, wall: Wall) -> tuple[IntArray, FloatArray]:
    """Return where a walk goes on to from each point (2 N,) and how far; see :class:`_Fan`."""
    n = len(curves.points)
    # A curve runs on in a point's own face, back in that of the point before.
    is_cap = wall.is_cap[curves.faces]
    with_curve = np.where(is_cap, -1, curves.following)
    before = curves.previous
    against = np.where((before < 0) | is_cap[before], -1, before + n)
    ahead = lengths(curves.points[curves.following] - curves.points)
    return np.concatenate([with_curve, against]), np.concatenate([ahead, ahead[before]])


def _walks(onward: IntArray, step: FloatArray, firsts: IntArray) -> tuple[IntArray, IntArray]:
    """Walk from each of some points, as far as ``REACH_MM``.

    Returns
    -------
    points : (N,) array
        Of one walk after the other, the first included.
    counts : (K,) array
        How many points each has.
    """
    # One more point stands for every end: from there no way goes on.
    end = len(onward)
    jump = np.append(np.where(onward < 0, end, onward), end)
    step = np.append(step, 0.0)
    walks = firsts[:, None]
    going = True
    while going:
        # Each round walks as far again: a jump is as many steps as there are already.
        walks = np.concatenate([walks, jump.take(walks)], axis=1)
        jump = jump.take(jump)
        travelled = np.cumsum(step.take(walks[:, :-1]), axis=1)
        goes_on = (walks[:, 1:] != end) & (walks[:, 1:] != walks[:, :1])
        goes_on[:, 1:] &= travelled[:, :-1] < REACH_MM
        whole = goes_on.all(axis=1)
        going = bool(whole.any()) and walks.shape[1] <= end
    counts = 1 + np.where(whole, goes_on.shape[1], goes_on.argmin(axis=1))
    return walks[np.arange(walks.shape[1]) < counts[:, None]], counts


@dataclass(frozen=True, slots=True, eq=False)
class _Resampled:
    """Profiles with points ``PROFILE_STEP_MM`` apart.

    Attributes
    ----------
    rows : (Q,) array
        Which of the profiles: those that are long enough.
    counts : (Q,) array
        How many points each has.
    rz : (2, Q, M) array
        Distance out and height; past its end each profile stays where it ends.
    """

    rows: IntArray
    counts: IntArray
    rz: FloatArray


def _resampled(profiles: _Profiles) -> _Resampled:
    begins, r, z = profiles.begins, profiles.r, profiles.z
    # One length along all of them, one after the other, serves a single interpolation.
    s = np.zeros(len(r))
    np.cumsum(np.hypot(np.diff(r), np.diff(z)), out=s[1:])
    begun = s[begins[:-1]]
    length = s[begins[1:] - 1] - begun
    rows = np.flatnonzero(length >= LEAST_PROFILE_MM)
    counts = np.ceil(length[rows] / PROFILE_STEP_MM).astype(np.int64)
    at = np.minimum(np.arange(counts.max(initial=0)), counts[:, None] - 1) * PROFILE_STEP_MM
    at += begun[rows, None]
    return _Resampled(rows, counts, np.stack([np.interp(at, s, r), np.interp(at, s, z)]))


def _turns(resampled: _Resampled, lead: int) -> tuple[IntArray, FloatArray, FloatArray]:
    """Find the half turn of profiles whose first ``lead`` points show the vein's direction.

    Returns
    -------
    rows : (K,) array
        The profiles that have one.
    rz : (2, K) array
        Where it is: distance out and height, mm.
    told : (3, K) array
        ``start_deg``, ``end_deg``, ``steepness_mm`` as of a :class:`HalfTurn`.
    """
    if not len(resampled.rows):
        return resampled.rows, np.zeros((2, 0)), np.zeros((3, 0))
    angle = _walk_angles(resampled)
    every = np.arange(len(angle))
    start_deg = np.median(angle[:, :lead], axis=1)
    begin = np.zeros(len(angle), dtype=np.int64)
    peak = _turn_peaks(angle, start_deg)
    rows = every
    while len(rows):
        # A bulge of the vein is no turn, as where it widens toward its branches.
        rows, trough, following = _undone(angle, begin, peak, start_deg, rows)
        begin[rows], peak[rows], start_deg[rows] = trough, following, angle[rows, trough]
    end_deg = angle[every, peak]
    third = (end_deg - start_deg) / 3.0
    index = np.arange(angle.shape[1])
    turn = np.where((index >= begin[:, None]) & (index <= peak[:, None]), angle, np.nan)
    here = _last_crossings(turn, 0.5 * (start_deg + end_deg))
    length = _last_crossings(turn, end_deg - third) - _last_crossings(turn, start_deg + third)
    steepness = np.where(np.isnan(length), 0.0, length * PROFILE_STEP_MM)
    k = np.flatnonzero((end_deg - start_deg >= LEAST_TURN_DEG) & ~np.isnan(here))
    at = here[k].astype(np.int64)
    following = np.minimum(at + 1, angle.shape[1] - 1)
    low, high = resampled.rz[:, k, at], resampled.rz[:, k, following]
    rz = (high - low) * (here[k] - at) + low
    return resampled.rows[k], rz, np.stack([start_deg[k], end_deg[k], steepness[k]])


def _turn_peaks(angle: FloatArray, start_deg: FloatArray) -> IntArray:
    """Index at which each turn from ``start_deg`` has its greatest angle.

    That is before it first stops growing. ``angle`` (Q, M) is -inf outside the profiles.
    """
    ahead = int(PLATEAU_MM / PROFILE_STEP_MM)
    turned = np.maximum.accumulate(angle, axis=1) > start_deg[:, None] + LEAST_TURN_DEG
    later = np.full_like(angle, -np.inf)
    later[:, :-ahead] = angle[:, ahead:]
    still = turned & (later < angle + PLATEAU_DEG)
    # Just past the first such point the angle may still creep up to its greatest.
    end = np.where(still.any(axis=1), still.argmax(axis=1) + ahead // 2, angle.shape[1])
    before = np.where(np.arange(angle.shape[1]) < end[:, None], angle, -np.inf)
    return (before >= before.max(axis=1, keepdims=True) - SAME_ANGLE_DEG).argmax(axis=1)


def _undone(
    angle: FloatArray, begin: IntArray, peak: IntArray, start_deg: FloatArray, rows: IntArray
) -> tuple[IntArray, IntArray, IntArray]:
    """Tell which turns are undone before a greater one follows, where, and the greater's peak."""
    rise = angle[rows, peak[rows]] - start_deg[rows]
    grows = (peak[rows] > begin[rows]) & (rise > 0.0)
    rows, rise = rows[grows], rise[grows]
    index = np.arange(angle.shape[1])
    past = index - peak[rows, None]
    soon = (past >= 0) & (past < int(BULGE_MM / PROFILE_STEP_MM)) & (angle[rows] > -np.inf)
    trough = np.where(soon, angle[rows], np.inf).argmin(axis=1)
    low = angle[rows, trough]
    rest = np.where(index >= trough[:, None], angle[rows], -np.inf)
    following = _turn_peaks(rest, low)
    undone = (low <= start_deg[rows] + BULGE_SHARE * rise) & (angle[rows, following] - low > rise)
    return rows[undone], trough[undone], following[undone]


def _walk_angles(resampled: _Resampled) -> FloatArray:
    """Angles (Q, M) of the walks against the way straight out of the vein, degrees, unwrapped.

    Past the end of a profile they are -inf.
    """
    sigma = SMOOTHING_MM / PROFILE_STEP_MM
    blurred = gaussian_filter1d(resampled.rz, sigma, axis=2, mode="nearest")
    # Central differences and whole turns by hand: the general functions take four times as long.
    d = np.empty_like(blurred)
    d[..., 1:-1] = 0.5 * (blurred[..., 2:] - blurred[..., :-2])
    d[..., 0] = blurred[..., 1] - blurred[..., 0]
    every, last = np.arange(len(resampled.counts)), resampled.counts - 1
    d[:, every, last] = blurred[:, every, last] - blurred[:, every, last - 1]
    inside = np.arange(d.shape[2]) <= last[:, None]
    turns = np.arctan2(d[0], -d[1], where=inside, out=np.zeros(d.shape[1:])) / (2.0 * np.pi)
    turns[:, 1:] -= np.cumsum(np.round(np.diff(turns, axis=1)), axis=1)
    return np.where(inside, 360.0 * turns, -np.inf)


def _last_crossings(angle: FloatArray, level: FloatArray) -> FloatArray:
    """Fractional index at which each ``angle`` (Q, M) last rises through its level, NaN for never.

    Where it is NaN it rises through nothing.
    """
    rising = (angle[:, :-1] < level[:, None]) & (angle[:, 1:] >= level[:, None])
    i = rising.shape[1] - 1 - rising[:, ::-1].argmax(axis=1)
    every = np.arange(len(angle))
    low, high = angle[every, i], angle[every, i + 1]
    found = rising[every, i]
    share = np.divide(level - low, high - low, where=found, out=np.full(len(angle), np.nan))
    return i + share
