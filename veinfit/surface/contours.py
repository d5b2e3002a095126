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

NO_AREA_MM2 = 1e-12
"""A contour around less than half of this has no middle of its area."""


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


def surrounds(flat: FloatArray, point: FloatArray) -> bool:
    """Whether a closed polygon winds around a point of its plane.

    Parameters
    ----------
    flat : (N, 2) array
        The polygon's corners, mm.
    point : (2,) array
        In the same coordinates.

    Returns
    -------
    bool
    """
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
    return centroid_and_area(points, normal)[0]


def centroid_and_area(points: FloatArray, normal: FloatArray) -> tuple[FloatArray, float]:
    """Centroid of the area inside a closed plane contour, and that area.

    Parameters
    ----------
    points : (N, 3) array
    normal : (3,) array
        Unit normal of their plane.

    Returns
    -------
    centroid : (3,) array
    area_mm2 : float
    """
    # One look at the contour for both: walks along veins ask for them some thousand times a case.
    origin = np.add.reduce(points) / len(points)
    e1, e2 = perpendicular_basis(normal)
    offset = points - origin
    x, y = offset @ e1, offset @ e2
    cross = x[:-1] * y[1:] - x[1:] * y[:-1]
    last = float(x[-1] * y[0] - x[0] * y[-1])
    double = float(np.add.reduce(cross)) + last
    if abs(double) < NO_AREA_MM2:
        return origin, 0.5 * abs(double)
    u = float(cross @ (x[:-1] + x[1:])) + last * float(x[-1] + x[0])
    v = float(cross @ (y[:-1] + y[1:])) + last * float(y[-1] + y[0])
    centroid = origin + (u / (3.0 * double)) * e1 + (v / (3.0 * double)) * e2
    return centroid, 0.5 * abs(double)


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
    crossed = _ray_crossed(flat, following)
    next_of = following.tolist()
    around: list[IntArray] = []
    looked_at: set[int] = set()
    for begin in crossed:
        if begin in looked_at:
            continue
        chain, segment = [begin], next_of[begin]
        while segment >= 0 and segment != begin:
            chain.append(segment)
            segment = next_of[segment]
        on_it = crossed.keys() & set(chain)
        looked_at |= on_it
        if segment == begin and len(chain) >= 3 and sum(crossed[k] for k in on_it):
            around.append(np.array(chain))
    if not around:
        return None
    index = around[0]
    if len(around) > 1:
        areas = [abs(polygon_area(flat[each])) for each in around]
        index = around[areas.index(min(areas))]
    first = int(index.argmin())
    index = np.concatenate([index[first:], index[:first]])
    return PlaneContour(starting.take(index, axis=0), face.take(index), True)


def _ray_crossed(flat: FloatArray, following: IntArray) -> dict[int, int]:
    """Tell where curves of points (N, 2) cross the ray from the origin along the first axis.

    What winds around the origin crosses it more often one way than the other.

    Returns
    -------
    dict of int to int
        By the point before the crossing 1 for one that rises, -1 for one that falls.
    """
    below = flat[:, 1] < 0.0
    a = np.flatnonzero(below != below.take(following))
    crossed: dict[int, int] = {}
    ends = zip(a.tolist(), flat.take(a, axis=0).tolist(), strict=True)
    others = flat.take(following.take(a), axis=0).tolist()
    for (k, (x, y)), (u, v) in zip(ends, others, strict=True):
        turn = x * v - y * u
        if turn > 0.0 and y < 0.0:
            crossed[k] = 1
        elif turn < 0.0 <= y:
            crossed[k] = -1
    return crossed


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
