"""Six oval seats of invented shape, as triangle surfaces that any program can read.

Each is a vein with its antrum: an ellipse that tapers and becomes round into the vein, and
that flares over a lip into a funnel and on into the wall of the atrium. Sizes are spread over
published ones: ostia of 14 to 20 mm and long over short axes of 1.2 to 1.9 (Cronin 2007,
Liu 2010, english.journalep.com/article/32592.html). The rest was measured on nine atria of
open sources: lips of 9.5 mm radius, funnels of 20 to 55 degrees half angle, the vein rounder
and narrower beyond the ostium (diameter 0.70 to 0.84, ovality 1.2, six millimetres on).

The ostial plane is z = 0, the vein lies at z < 0, the atrium at z > 0, all in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from veinfit.vectors import FloatArray, IntArray

LIP_RADIUS_MM = 9.5
TAPER_DEG = 13.0
"""Half angle of the vein just past the ostium ..."""

FAR_TAPER_DEG = 4.0
"""... and from ``TAPER_END_MM`` on."""

TAPER_END_MM = 8.0
VEIN_MM = 16.0
FUNNEL_MM = 9.0
"""The funnel ends so far before the ostium, measured over the wall."""

SHOULDER_RADIUS_MM = 8.0
"""There it turns into the wall of the atrium over this radius ..."""

WALL_DEG = 80.0
"""... until it is this far from the axis."""

RIM_RADIUS_MM = 28.0
"""The wall ends where its mean radius is this."""

EDGE_MM = 1.15
SECTORS = 56


@dataclass(frozen=True)
class SeatShape:
    """What a seat is drawn from.

    Attributes
    ----------
    name : str
    d_area_mm : float
        Diameter of the circle as large as the ostium.
    ovality : float
        Long over short axis of the ostium.
    funnel_deg : float
        Half angle of the funnel, mean over the clock.
    lopsided_deg : float
        The half angle is greater by this on one side and less on the other.
    lopsided_at_deg : float
        Which side: from the long axis toward the short one.
    """

    name: str
    d_area_mm: float
    ovality: float
    funnel_deg: float
    lopsided_deg: float = 0.0
    lopsided_at_deg: float = 0.0


SEATS = (
    SeatShape("seat-1", 14.5, 1.30, 35.0),
    SeatShape("seat-2", 15.5, 1.90, 25.0),
    SeatShape("seat-3", 16.5, 1.50, 40.0, 12.0, 30.0),
    SeatShape("seat-4", 17.5, 1.40, 20.0),
    SeatShape("seat-5", 18.5, 1.65, 48.0, 15.0, 60.0),
    SeatShape("seat-6", 20.0, 1.20, 55.0),
)


@dataclass(frozen=True)
class SeatSurface:
    """A seat as triangles.

    Attributes
    ----------
    points : (V, 3) array
    faces : (F, 3) array
        Wound so that normals point out of the blood.
    centre, normal : (3,) array
        Ostial centre, and the ostial normal into the vein.
    contour : (N, 3) array
        The ostium's contour, in order.
    ostial_ring : (N,) array
        Vertices on it.
    vein_rim, atrial_rim : (N,) array
        Vertices of the two open ends, in order.
    """

    points: FloatArray
    faces: IntArray
    centre: FloatArray
    normal: FloatArray
    contour: FloatArray
    ostial_ring: IntArray
    vein_rim: IntArray
    atrial_rim: IntArray


def seat_surface(shape: SeatShape, edge_mm: float = EDGE_MM, sectors: int = SECTORS) -> SeatSurface:
    """Return the triangles of a seat.

    Parameters
    ----------
    shape : SeatShape
    edge_mm : float
        Distance of rings near the ostium; it grows toward the ends.
    sectors : int
        Vertices of a ring, an even number.
    """
    s = _stations(edge_mm)
    angle = np.linspace(0.0, 2.0 * np.pi, sectors, endpoint=False)
    lopsided = np.cos(angle - np.radians(shape.lopsided_at_deg)) * shape.lopsided_deg
    radius, height = _profiles(s, shape.funnel_deg + lopsided, 0.5 * shape.d_area_mm)
    mean_radius, _ = _profiles(s, np.array([shape.funnel_deg]), 0.5 * shape.d_area_mm)
    kept = mean_radius[:, 0] <= RIM_RADIUS_MM
    s, radius, height = s[kept], radius[kept], height[kept]
    stretch = np.sqrt(_ovality(s, shape.ovality))[:, None]
    rings = np.stack(
        [radius * stretch * np.cos(angle), radius / stretch * np.sin(angle), height], axis=-1
    )
    ostial = int(np.argmin(np.abs(s)))
    rings[ostial, :, 2] = 0.0
    return _lofted(rings, ostial)


def tube(
    radius_mm: float, length_mm: float, edge_mm: float, sectors: int, ovality: float = 1.0
) -> SeatSurface:
    """Return a straight tube about z whose ring of elliptical section has a mean radius."""
    count = max(round(length_mm / edge_mm), 2)
    height = np.linspace(-0.5 * length_mm, 0.5 * length_mm, count + 1)
    angle = np.linspace(0.0, 2.0 * np.pi, sectors, endpoint=False)
    stretch = np.sqrt(ovality)
    ring = np.stack([radius_mm * stretch * np.cos(angle), radius_mm / stretch * np.sin(angle)])
    rings = np.empty((count + 1, sectors, 3))
    rings[:, :, :2] = ring.T
    rings[:, :, 2] = height[:, None]
    return _lofted(rings, count // 2)


def _stations(edge_mm: float) -> FloatArray:
    """Arc lengths (K,) of the rings, 0 at the ostium, positive toward the atrium."""
    near = np.arange(-TAPER_END_MM, FUNNEL_MM + 4.0, edge_mm)
    near = near - near[np.argmin(np.abs(near))]
    steps = edge_mm * np.minimum(1.12 ** np.arange(1, 200), 2.2)
    before = near[0] - np.cumsum(steps)
    after = near[-1] + np.cumsum(steps)
    return np.concatenate([before[before > -VEIN_MM][::-1], near, after[after < 45.0]])


def _profiles(
    s: FloatArray, funnel_deg: FloatArray, radius: float
) -> tuple[FloatArray, FloatArray]:
    """Radius and height (K, N) along the wall, from the angle that it makes with the axis.

    The angle is the mean of the vein's and the funnel's at the ostium: half of the turn.
    """
    fine = np.linspace(s[0], s[-1], 40 * len(s))
    turn = np.radians(funnel_deg - TAPER_DEG)
    half = np.maximum(0.5 * LIP_RADIUS_MM * np.abs(turn), 1.0)
    lip = _smooth((fine[:, None] + half) / (2.0 * half))
    angle = TAPER_DEG + (funnel_deg - TAPER_DEG) * lip
    far = _smooth((-fine - 0.5 * TAPER_END_MM) / (0.5 * TAPER_END_MM))[:, None]
    angle = angle + (FAR_TAPER_DEG - TAPER_DEG) * far
    shoulder = SHOULDER_RADIUS_MM * np.radians(WALL_DEG - funnel_deg)
    angle = angle + (WALL_DEG - funnel_deg) * _smooth((fine[:, None] - FUNNEL_MM) / shoulder)
    step = np.diff(fine)[:, None]
    between = np.radians(0.5 * (angle[1:] + angle[:-1]))
    zero = np.zeros((1, angle.shape[1]))
    out = np.concatenate([zero, np.cumsum(np.sin(between) * step, axis=0)])
    up = np.concatenate([zero, np.cumsum(np.cos(between) * step, axis=0)])
    columns = [
        np.stack([np.interp(s, fine, v[:, j]) - np.interp(0.0, fine, v[:, j]) for v in (out, up)])
        for j in range(angle.shape[1])
    ]
    both = np.stack(columns, axis=-1)
    return radius + both[0], both[1]


def _ovality(s: FloatArray, at_ostium: float) -> FloatArray:
    """Long over short axis (K,): kept over the funnel, rounder into the vein and the atrium."""
    into_vein = 1.0 - 0.6 * _smooth(-s / 6.0)
    into_atrium = 1.0 - _smooth((s - 6.0) / 20.0)
    return 1.0 + (at_ostium - 1.0) * np.where(s < 0.0, into_vein, into_atrium)


def _smooth(x: FloatArray) -> FloatArray:
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def _lofted(rings: FloatArray, ostial: int) -> SeatSurface:
    """Join rings (K, N, 3), from the vein to the atrium, with diagonals in turn."""
    k, n, _ = rings.shape
    index = np.arange(k * n).reshape(k, n)
    a, b = index[:-1], np.roll(index, -1, axis=1)[:-1]
    c, d = index[1:], np.roll(index, -1, axis=1)[1:]
    odd = (np.add.outer(np.arange(k - 1), np.arange(n)) % 2).astype(bool)[..., None]
    first = np.where(odd, np.stack([a, b, c], axis=-1), np.stack([a, b, d], axis=-1))
    second = np.where(odd, np.stack([b, d, c], axis=-1), np.stack([a, d, c], axis=-1))
    return SeatSurface(
        points=rings.reshape(-1, 3),
        faces=np.concatenate([first.reshape(-1, 3), second.reshape(-1, 3)]),
        centre=rings[ostial].mean(axis=0),
        normal=np.array([0.0, 0.0, -1.0]),
        contour=rings[ostial],
        ostial_ring=index[ostial],
        vein_rim=index[0],
        atrial_rim=index[-1],
    )
