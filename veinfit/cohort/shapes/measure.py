"""The shape of one atrium: body, funnels, lips, ovality along the veins.

s runs along a vein's axis through the centre of its ostium, positive into the vein. The body is
the wall outside the planes of the ostia and of the appendage.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from veinfit.anatomy.model import Anatomy, Vein
from veinfit.surface import Surface
from veinfit.surface.contours import measure_contour, section_around
from veinfit.surface.cuts import plane_contours
from veinfit.surface.mesh import enclosed_volume
from veinfit.surface.vtk_bridge import windowed_sinc
from veinfit.vectors import BoolArray, FloatArray, perpendicular_basis

STATIONS = (-12.0, -9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0)
"""Where sections across a vein's axis are taken, mm along it."""

VEIN_REACH_MM, APPENDAGE_REACH_MM = 45.0, 50.0
"""Wall past an ostial plane and this near to the ostium is the vein's, or the appendage's."""

EXTENT_SHARES, PRINCIPAL_SHARES = (0.01, 0.99), (0.02, 0.98)
"""Extents of the body run between these quantiles: along the patient's axes, and its own."""

SMOOTHINGS, PASS_BAND = 60, 0.02
"""Of the smoothed surface that waviness is measured against (windowed sinc)."""

HALF_PLANES = 36
"""Half planes through the axis in which the turn of the wall is looked at."""

NEAR_OSTIUM_MM = 3.0
"""A profile is the curve that comes nearest to the axis within this of the ostial plane."""

STEP_MM, BLUR_MM, REACH_MM = 0.5, 1.2, 16.0
"""Step of a profile, the blur of its directions, and how far it is followed to either side."""

LEAST_REACH_MM = 8.0
"""A profile that ends nearer to the ostium is not followed."""

VEIN_SIDE_MM_RANGE, ATRIUM_SIDE_MM_RANGE = (5.0, 10.0), (-12.0, -8.0)
"""Where on a profile the vein's and the atrium's direction are read."""

LIP_MM_RANGE = (-12.0, 6.0)
"""Between these the lip is sought."""

LEAST_TURN_DEG = 15.0
"""A smaller turn has no lip whose radius could be told."""

TURNING_DEG = 30.0
"""A sector that turns by less counts as hardly turning."""


@dataclass(frozen=True)
class VeinShape:
    """How the wall runs around one vein.

    Attributes
    ----------
    d_area_mm, ovality : mapping of float to float
        Of the section at each of :data:`STATIONS` that there is.
    turn_deg : (K,) array
        From the vein's to the atrium's direction, in each half plane that could be followed.
    lip_mm : (K,) array
        Radius of the lip; NaN where the turn is too small.
    length_mm, takeoff_deg : float or None
    ostium_mm : float
        Diameter of equal area.
    """

    d_area_mm: Mapping[float, float]
    ovality: Mapping[float, float]
    turn_deg: FloatArray
    lip_mm: FloatArray
    length_mm: float
    takeoff_deg: float | None
    ostium_mm: float


@dataclass(frozen=True)
class AtriumShape:
    """How one atrium is shaped.

    Attributes
    ----------
    extents_mm : (3,) array
        Of the body: left-right, front-back, up-down.
    principal_mm : (3,) array
        Along its own axes, ascending.
    waviness_mm : float
        Root mean square of the body's wall against a smoothed surface.
    ridges_mm : mapping of (name, name) to float
    """

    volume_ml: float
    extents_mm: FloatArray
    principal_mm: FloatArray
    waviness_mm: float
    ridges_mm: Mapping[tuple[str, str], float]
    veins: Mapping[str, VeinShape]


def measure_shape(anatomy: Anatomy, surface: Surface) -> AtriumShape:
    """Measure the shape of an atrium whose veins are known.

    ``surface`` is the wall as it was read: caps would not be smoothed as it is.

    Parameters
    ----------
    anatomy : Anatomy
    surface : Surface
        The wall as it was read, whose roughness is measured.

    Returns
    -------
    AtriumShape
    """
    lumen = anatomy.lumen
    body = _body(anatomy, lumen.points)
    points = lumen.points[body]
    middle = points - points.mean(axis=0)
    axes = np.linalg.eigh(middle.T @ middle)[1]
    return AtriumShape(
        volume_ml=enclosed_volume(lumen) / 1000.0,
        extents_mm=np.subtract(*np.quantile(points, EXTENT_SHARES[::-1], axis=0)),
        principal_mm=np.sort(
            np.subtract(*np.quantile(middle @ axes, PRINCIPAL_SHARES[::-1], axis=0))
        ),
        waviness_mm=_waviness(surface, _body(anatomy, surface.points)),
        ridges_mm={(ridge.start, ridge.end): ridge.width_mm for ridge in anatomy.ridges},
        veins={vein.name: _vein(lumen, vein) for vein in anatomy.veins},
    )


def _body(anatomy: Anatomy, points: FloatArray) -> BoolArray:
    """Which points (N, 3) of the wall lie outside the planes of ostia and appendage."""
    body = np.ones(len(points), dtype=bool)
    planes = [(vein.ostium.centre, vein.ostium.normal, VEIN_REACH_MM) for vein in anatomy.veins]
    if anatomy.appendage is not None:
        planes.append((anatomy.appendage.centre, anatomy.appendage.normal, APPENDAGE_REACH_MM))
    for centre, normal, reach in planes:
        apart = points - centre
        body &= ~((apart @ normal > 0.0) & (np.linalg.norm(apart, axis=1) < reach))
    return body


def _waviness(surface: Surface, body: BoolArray) -> float:
    smooth = windowed_sinc(surface.points, surface.faces, SMOOTHINGS, PASS_BAND)
    gap = np.linalg.norm(smooth - surface.points, axis=1)[body]
    return float(np.sqrt(np.mean(gap**2)))


def _vein(lumen: Surface, vein: Vein) -> VeinShape:
    d_area, ovality = {}, {}
    centre, axis = vein.ostium.centre, vein.axis
    for s in STATIONS:
        origin = centre + s * axis
        around = section_around(lumen, origin, axis)
        if around is not None:
            size = measure_contour(around.points, axis)
            d_area[s] = float(np.sqrt(4.0 * size.area_mm2 / np.pi))
            ovality[s] = size.ovality
    turns = [turn_and_lip(profile) for profile in _profiles(lumen, centre, axis)]
    return VeinShape(
        d_area_mm=d_area,
        ovality=ovality,
        turn_deg=np.array([turn for turn, _ in turns]),
        lip_mm=np.array([lip for _, lip in turns]),
        length_mm=vein.trunk_length_mm,
        takeoff_deg=vein.takeoff_wall_deg,
        ostium_mm=float(np.sqrt(4.0 * vein.ostium.measures.area_mm2 / np.pi)),
    )


def _profiles(lumen: Surface, centre: FloatArray, axis: FloatArray) -> list[FloatArray]:
    """Wall (2, N) in half planes through the axis: distance from it, and height along it.

    At even steps of arc length from the ostium, from the atrium's side to the vein's.
    """
    e1, e2 = perpendicular_basis(axis)
    grid = np.arange(-REACH_MM, REACH_MM + 0.5 * STEP_MM, STEP_MM)
    found = []
    for angle in np.arange(HALF_PLANES) * 2.0 * np.pi / HALF_PLANES:
        outward = np.cos(angle) * e1 + np.sin(angle) * e2
        nearest = None
        for contour in plane_contours(lumen, centre, np.cross(axis, outward)):
            apart = contour.points - centre
            course = np.stack([apart @ outward, apart @ axis])
            near = np.flatnonzero((course[0] > 0.0) & (np.abs(course[1]) < NEAR_OSTIUM_MM))
            if not len(near):
                continue
            at = int(near[np.argmin(course[0, near])])
            if nearest is None or course[0, at] < nearest[0]:
                nearest = float(course[0, at]), course, at, contour.closed
        if nearest is None:
            continue
        _, course, at, closed = nearest
        if closed:
            # Begun opposite, so that the curve runs on to both sides.
            half = course.shape[1] // 2
            course, at = np.roll(course, half - at, axis=1), half
        arc = np.r_[0.0, np.cumsum(np.hypot(*np.diff(course)))]
        arc -= arc[at]
        if arc[0] > -LEAST_REACH_MM or arc[-1] < LEAST_REACH_MM:
            continue
        even = np.stack([np.interp(grid, arc, row) for row in course])
        if even[1, grid > 3.0][:6].mean() < even[1, grid < -3.0][-6:].mean():
            even = even[:, ::-1]
        found.append(even)
    return found


def turn_and_lip(profile: FloatArray) -> tuple[float, float]:
    """Turn of the wall along a profile, degrees, and the radius of its lip, mm."""
    grid = np.arange(-REACH_MM, REACH_MM + 0.5 * STEP_MM, STEP_MM)
    slope = gaussian_filter1d(
        np.gradient(profile, axis=1), BLUR_MM / STEP_MM, axis=1, mode="constant", truncate=3.4
    )
    angle = np.degrees(np.unwrap(np.arctan2(slope[0], slope[1])))
    vein = (grid > VEIN_SIDE_MM_RANGE[0]) & (grid < VEIN_SIDE_MM_RANGE[1])
    atrium = (grid > ATRIUM_SIDE_MM_RANGE[0]) & (grid < ATRIUM_SIDE_MM_RANGE[1])
    angle = np.abs(angle - np.median(angle[vein]))
    turn = float(angle[atrium].mean())
    if turn < LEAST_TURN_DEG:
        return turn, np.nan
    lip = (grid > LIP_MM_RANGE[0]) & (grid < LIP_MM_RANGE[1])
    rising = np.maximum.accumulate(angle[lip][::-1])[::-1]
    quarter, rest = (grid[lip][np.argmin(np.abs(rising - share * turn))] for share in (0.25, 0.75))
    return turn, float(abs(quarter - rest) / np.radians(0.5 * turn))


def plain(shape: AtriumShape) -> dict[str, object]:
    """Return a shape as plain nested values for a JSON file.

    Parameters
    ----------
    shape : AtriumShape

    Returns
    -------
    dict
    """
    values = dataclasses.asdict(shape)
    values["ridges_mm"] = {" to ".join(pair): width for pair, width in shape.ridges_mm.items()}
    return {name: _plain(value) for name, value in values.items()}


def _plain(value: object) -> object:
    if isinstance(value, np.ndarray):
        return [None if np.isnan(x) else round(float(x), 3) for x in value.ravel()]
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    return round(value, 3) if isinstance(value, float) else value
