"""Measures of a closed plane contour, and choosing the contour around a point."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from veinfit.surface.cuts import PlaneContour, cut_faces, join
from veinfit.surface.mesh import Surface
from veinfit.vectors import BoolArray, FloatArray, IntArray, perpendicular_basis


@dataclass(frozen=True, slots=True, eq=False)
class ContourMeasures:
    """Size and shape of a closed plane contour (definitions: README, Measures)."""

    area_mm2: float
    perimeter_mm: float
    d_max_mm: float
    d_min_mm: float

    @property
    def ovality(self) -> float:
        """Greatest caliper diameter over the one perpendicular to it."""
        return self.d_max_mm / self.d_min_mm if self.d_min_mm > 0.0 else math.inf

    @property
    def d_area_mm(self) -> float:
        """Diameter of the circle of equal area."""
        return float((4.0 * self.area_mm2 / math.pi) ** 0.5)

    @property
    def d_perimeter_mm(self) -> float:
        """Diameter of the circle of equal perimeter."""
        return self.perimeter_mm / math.pi


def in_plane(points: FloatArray, origin: FloatArray, normal: FloatArray) -> FloatArray:
    """Return (N, 2) coordinates of (N, 3) points in the plane about ``origin``.

    Parameters
    ----------
    points : (N, 3) array
    origin : (3,) array
    normal : (3,) array
        Of any length.

    Returns
    -------
    (N, 2) array
    """
    e1, e2 = perpendicular_basis(normal)
    offset = points - origin
    flat = np.empty((len(offset), 2))
    flat[:, 0], flat[:, 1] = offset @ e1, offset @ e2
    return flat


def polygon_area(flat: FloatArray) -> float:
    """Signed area of a closed (N, 2) polygon, positive counter-clockwise.

    Parameters
    ----------
    flat : (N, 2) array

    Returns
    -------
    float
    """
    x, y = flat[:, 0], flat[:, 1]
    inner = np.dot(x[:-1], y[1:]) - np.dot(y[:-1], x[1:])
    return 0.5 * float(inner + x[-1] * y[0] - y[-1] * x[0])


def polygon_centroid(flat: FloatArray) -> FloatArray:
    """Centroid (2,) of the area inside a closed (N, 2) polygon."""
    shift = flat.mean(axis=0)
    p = flat - shift
    q = _following(p)
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    total = cross.sum()
    if abs(total) < 1e-12:
        return shift
    return shift + ((p + q) * cross[:, None]).sum(axis=0) / (3.0 * total)


def surrounds(flat: FloatArray, point: FloatArray) -> bool:
    """Whether a closed (N, 2) polygon winds around ``point`` (2,)."""
    p = flat - point
    x, y = p[:, 0], p[:, 1]
    if x.min() > 0.0 or x.max() < 0.0 or y.min() > 0.0 or y.max() < 0.0:
        return False
    q = _following(p)
    u, v = q[:, 0], q[:, 1]
    turn = np.arctan2(x * v - y * u, x * u + y * v)
    return abs(float(turn.sum())) > np.pi


def _following(polygon: FloatArray) -> FloatArray:
    """Return the (N, 2) points that follow each point of a closed polygon."""
    return np.concatenate([polygon[1:], polygon[:1]])


def contour_centroid(points: FloatArray, normal: FloatArray) -> FloatArray:
    """Centroid (3,) of the area inside a closed plane contour of (N, 3) points.

    Parameters
    ----------
    points : (N, 3) array
    normal : (3,) array
        Unit normal of their plane.

    Returns
    -------
    (3,) array
    """
    origin = points.mean(axis=0)
    e1, e2 = perpendicular_basis(normal)
    u, v = polygon_centroid(in_plane(points, origin, normal))
    return origin + u * e1 + v * e2


def crossings(
    path: FloatArray, contour: FloatArray, origin: FloatArray, normal: FloatArray
) -> tuple[BoolArray, BoolArray]:
    """Where a path (N, 3) crosses a plane in which a contour (M, 3) lies, in its order.

    Parameters
    ----------
    path : (N, 3) array
    contour : (M, 3) array
    origin : (3,) array
        A point of the contour's plane.
    normal : (3,) array
        Of that plane.

    Returns
    -------
    rising : (K,) bool array
        It crosses toward the side that the normal points to.
    inside : (K,) bool array
        It does so inside the contour.
    """
    height = (path - origin) @ normal
    k = np.flatnonzero((height[:-1] < 0) != (height[1:] < 0))
    share = height[k] / (height[k] - height[k + 1])
    points = path[k] + share[:, None] * (path[k + 1] - path[k])
    flat = in_plane(contour, origin, normal)
    inside = [surrounds(flat, point) for point in in_plane(points, origin, normal)]
    return height[k] < 0, np.array(inside, dtype=bool)


def passes(path: FloatArray, contour: FloatArray, origin: FloatArray, normal: FloatArray) -> bool:
    """Whether a path, where it last crosses the plane, does so inside the contour.

    Parameters
    ----------
    path : (N, 3) array
    contour : (M, 3) array
    origin : (3,) array
        A point of the contour's plane.
    normal : (3,) array
        Of that plane.

    Returns
    -------
    bool
    """
    _, inside = crossings(path, contour, origin, normal)
    return bool(inside[-1:].any())


def enters(path: FloatArray, contour: FloatArray, origin: FloatArray, normal: FloatArray) -> bool:
    """Whether a path from the body outward comes through a contour into the vein.

    Parameters
    ----------
    path : (N, 3) array
    contour : (M, 3) array
    origin : (3,) array
        A point of the contour's plane.
    normal : (3,) array
        Of that plane, into the vein.

    Returns
    -------
    bool
    """
    rising, inside = crossings(path, contour, origin, normal)
    return bool((rising & inside).any())


def contour_around(
    contours: Sequence[PlaneContour], point: FloatArray, normal: FloatArray
) -> PlaneContour | None:
    """Return the smallest closed contour that winds around ``point``, or None.

    Parameters
    ----------
    contours : sequence of PlaneContour
        Cuts by one plane.
    point : (3,) array
        In that plane, mm.
    normal : (3,) array
        Of that plane.

    Returns
    -------
    PlaneContour or None
    """
    best: tuple[float, PlaneContour] | None = None
    for contour in contours:
        if not contour.closed or len(contour.points) < 3:
            continue
        flat = in_plane(contour.points, point, normal)
        if surrounds(flat, np.zeros(2)):
            area = abs(polygon_area(flat))
            if best is None or area < best[0]:
                best = (area, contour)
    return None if best is None else best[1]


def section_around(surface: Surface, point: FloatArray, normal: FloatArray) -> PlaneContour | None:
    """Cut a surface by a plane; return the smallest closed contour that winds around a point.

    It is what :func:`contour_around` chooses of all curves of the cut. Curves that cannot be it
    are not even joined: most sections of a case ask for this.

    Parameters
    ----------
    surface : Surface
    point : (3,) array
        In the plane, mm.
    normal : (3,) array
        Of the plane.

    Returns
    -------
    PlaneContour or None
    """
    face, segments = cut_faces(surface, point, normal)
    if not len(face):
        return None
    following = segments.beginning_on(segments.second)
    if segments.branches(following):
        return contour_around(join(surface, segments, face), point, normal)
    starting = segments.entered(surface)
    flat = in_plane(starting, point, normal)
    # What winds around the point crosses the ray from it along the first axis.
    u, v = flat[:, 0], flat[:, 1]
    below = v < 0
    on_ray = (below != below.take(following)) & (np.maximum(u, u.take(following)) >= 0)
    next_of = following.tolist()
    best: tuple[float, IntArray] | None = None
    for begin in np.flatnonzero(on_ray).tolist():
        if not on_ray[begin]:
            continue  # on a curve that was looked at
        chain, segment = [begin], next_of[begin]
        while segment >= 0 and segment != begin:
            chain.append(segment)
            segment = next_of[segment]
        index = np.array(chain)
        on_ray[index] = False
        if segment < 0 or len(chain) < 3:
            continue
        polygon = flat.take(index, axis=0)
        if surrounds(polygon, np.zeros(2)):
            area = abs(polygon_area(polygon))
            if best is None or area < best[0]:
                best = (area, index)
    if best is None:
        return None
    index = np.roll(best[1], -int(np.argmin(best[1])))
    return PlaneContour(starting.take(index, axis=0), face.take(index), True)


def convexity(points: FloatArray, normal: FloatArray) -> float:
    """Share of its convex hull that a closed plane contour of (N, 3) points fills; 1 is convex.

    Parameters
    ----------
    points : (N, 3) array
    normal : (3,) array
        Of their plane.

    Returns
    -------
    float
    """
    flat = in_plane(points, points.mean(axis=0), normal)
    try:
        return abs(polygon_area(flat)) / float(ConvexHull(flat).volume)
    except QhullError:  # all points on a line: nothing to fill
        return 0.0


def measure_contour(points: FloatArray, normal: FloatArray) -> ContourMeasures:
    """Measure a closed plane contour of (N, 3) points.

    ``d_max`` is the greatest distance between two of its points (the greatest
    caliper or Feret diameter), ``d_min`` its extent perpendicular to that
    diameter. Area and perimeter are those of the polygon itself.

    Parameters
    ----------
    points : (N, 3) array
        In the order in which they follow each other, mm; the last joins the first.
    normal : (3,) array
        Unit normal of their plane.

    Returns
    -------
    ContourMeasures
    """
    flat = in_plane(points, points.mean(axis=0), normal)
    closing = _following(flat) - flat
    perimeter = float(np.linalg.norm(closing, axis=1).sum())
    try:
        hull = flat[ConvexHull(flat).vertices]
    except QhullError:  # all points on a line: no hull, but a length
        hull = flat
    x, y = hull.T
    squared = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
    i, j = np.unravel_index(int(np.argmax(squared)), squared.shape)
    d_max = float(np.sqrt(squared[i, j]))
    along = (hull[i] - hull[j]) / max(d_max, 1e-12)
    across = hull @ np.array([-along[1], along[0]])
    return ContourMeasures(
        area_mm2=abs(polygon_area(flat)),
        perimeter_mm=perimeter,
        d_max_mm=d_max,
        d_min_mm=float(across.max() - across.min()),
    )
