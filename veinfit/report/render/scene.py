"""What a renderer is given: cameras, layers of triangles, and see-through bodies.

Renderers draw solid triangles without any writing and return colour and
distance; everything flat (outlines, labels, scales) is put on top afterwards,
so that both renderers show the same content.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np

from veinfit.report.colours import rgb
from veinfit.surface import Surface
from veinfit.vectors import FloatArray, IntArray, perpendicular_basis, unit

Cull = Literal["none", "facing", "averted"]
"""Which faces a layer leaves out: those whose normal faces the camera, or the others."""

ORIENTATION_SHARE = 0.38
"""A letter joins a picture's side where its share of that direction exceeds this (22.5°)."""


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """A parallel projection.

    Attributes
    ----------
    focal : (3,) array
        The point in the middle of the picture, LPS mm.
    towards : (3,) array
        Unit vector from the scene to the viewer.
    up : (3,) array
        Unit vector, perpendicular to ``towards``.
    mm_per_px : float
    width_px, height_px : int
    """

    focal: FloatArray
    towards: FloatArray
    up: FloatArray
    mm_per_px: float
    width_px: int
    height_px: int

    @property
    def right(self) -> FloatArray:
        """Unit vector to the right of the picture."""
        return np.cross(self.up, self.towards)

    def across(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return pixels to the right and pixels down, (...) each, of points (..., 3)."""
        d = np.asarray(points, dtype=float) - self.focal
        return (
            d @ self.right / self.mm_per_px + self.width_px / 2,
            -(d @ self.up) / self.mm_per_px + self.height_px / 2,
        )

    def project(self, points: FloatArray) -> FloatArray:
        """Return (..., 3): pixels to the right, pixels down, and mm away from the viewer.

        The distance is counted from the focal point and may be negative.
        """
        d = np.asarray(points, dtype=float) - self.focal
        return np.stack([*self.across(points), -(d @ self.towards)], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Triangles of one kind.

    Attributes
    ----------
    surface : Surface
    palette : (K + 1, 3) array
        sRGB colours, 0 to 1; the first alone where there are no ``values``.
    values : (V,) array or None
        A value for each vertex, mm.
    edges : (K,) array
        Ascending; a value above edge i has a colour after i.
    cull : {'none', 'facing', 'averted'}
    clip : tuple of two (3,) arrays, or None
        Point and normal of a plane; what lies on the normal's side is cut away.
    ambient : float
        Share of the light that falls on every side alike, 0 to 1.
    set_back_mm : float
        Drawn this much further from the viewer, so that a layer on the same
        place wins; nothing moves sideways in a parallel projection.
    covered_by : Surface or None
        A finer copy of a part of the surface that another layer draws over it: that part need not
        be drawn.
    """

    surface: Surface
    palette: FloatArray
    values: FloatArray | None = None
    edges: FloatArray = field(default_factory=lambda: np.zeros(0))
    cull: Cull = "none"
    clip: tuple[FloatArray, FloatArray] | None = None
    ambient: float = 0.5
    set_back_mm: float = 0.0
    covered_by: Surface | None = None


@dataclass(frozen=True, slots=True, eq=False)
class TranslucentBody:
    """A see-through body: ``alpha`` where it faces the viewer, ``rim_alpha`` at its rim.

    Of one that is known to be ``closed``, with faces that turn outward, the far side is not drawn:
    nothing is seen of it.
    """

    surface: Surface
    colour: FloatArray
    alpha: float
    rim_alpha: float
    clip: tuple[FloatArray, FloatArray] | None = None
    closed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One picture's worth: a camera, solid layers, see-through bodies over them."""

    camera: Camera
    layers: tuple[Layer, ...]
    translucent: tuple[TranslucentBody, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """What a renderer returns for one pass.

    Attributes
    ----------
    colour : (H, W, 3) uint8 array
        White where nothing is.
    depth : (H, W) float32 array
        mm away from the viewer, as :meth:`Camera.project`; inf where nothing is.
    """

    colour: np.ndarray
    depth: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Pass:
    """One drawing of solid layers; ``facing_light`` lights from the viewer alone, in grey."""

    camera: Camera
    layers: tuple[Layer, ...]
    facing_light: bool = False


class Renderer(Protocol):
    """Draws passes at ``scale`` times the size that the cameras state."""

    def __call__(self, passes: tuple[Pass, ...], scale: int = 2) -> Iterator[Raster]:
        """Yield a raster for each pass, in order."""
        ...


def passes_of(view: View) -> tuple[Pass, ...]:
    """Return the passes of a view: the solid one, then one for each body."""
    white = np.ones((1, 3))
    translucent = tuple(
        Pass(
            view.camera,
            (
                Layer(
                    body.surface,
                    white,
                    clip=body.clip,
                    ambient=0.0,
                    cull="averted" if body.closed and body.clip is None else "none",
                ),
            ),
            facing_light=True,
        )
        for body in view.translucent
    )
    return (Pass(view.camera, view.layers), *translucent)


def plain_layer(surface: Surface, colour: str, **options: object) -> Layer:
    """Return a layer of one colour, written ``#rrggbb``."""
    return Layer(surface, rgb(colour)[None], **options)  # type: ignore[arg-type]


def upright(towards: FloatArray, first: FloatArray, second: FloatArray) -> FloatArray:
    """Return the unit vector perpendicular to ``towards`` that is nearest to ``first``.

    ``second`` stands in where ``towards`` lies within 20 degrees of ``first``.
    """
    t = unit(towards)
    up = first if abs(t @ unit(first)) < np.cos(np.radians(20.0)) else second
    return unit(up - (up @ t) * t)


def side_letters(direction: FloatArray) -> str:
    """Return the letters of a direction, the greatest share first.

    L, R, P, A, H (head) and F (foot), as the patient orientation of DICOM
    (PS3.3 C.7.6.1.1.1), two at most.

    Parameters
    ----------
    direction : (3,) array
        LPS.

    Returns
    -------
    str
    """
    d = unit(direction)
    order = np.argsort(-np.abs(d), kind="stable")
    letters = [("L", "R"), ("P", "A"), ("H", "F")]
    chosen = [letters[k][0 if d[k] > 0 else 1] for k in order if abs(d[k]) > ORIENTATION_SHARE]
    return "".join(chosen[:2])


def tube(path: FloatArray, radius_mm: float, *, closed: bool = False, sides: int = 10) -> Surface:
    """Return a tube about a polyline (N, 3), without end caps.

    The ring is turned along the path without twist, by the double reflection
    of Wang et al., ACM Trans Graph 27(1), 2008.
    """
    p = np.asarray(path, dtype=float).reshape(-1, 3)
    step = np.linalg.norm(np.diff(p, axis=0), axis=1)
    p = p[np.r_[np.ones(min(len(p), 1), dtype=bool), step > 1e-9]]
    if closed and len(p) > 1 and np.linalg.norm(p[0] - p[-1]) <= 1e-9:
        p = p[:-1]
    if len(p) < 2:
        return Surface(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    if closed:
        tangent = unit(np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0))
    else:
        tangent = unit(np.gradient(p, axis=0))
    across = np.empty_like(p)
    across[0] = perpendicular_basis(tangent[0])[0]
    for i in range(len(p) - 1):
        across[i + 1] = _reflected(p[i], p[i + 1], tangent[i], tangent[i + 1], across[i])
    other = np.cross(tangent, across)
    angle = np.linspace(0.0, 2 * np.pi, sides, endpoint=False)
    ring = np.cos(angle)[:, None, None] * across + np.sin(angle)[:, None, None] * other
    points = (p + radius_mm * ring).transpose(1, 0, 2).reshape(-1, 3)
    return Surface(points, _strip_faces(len(p), sides, closed))


def _reflected(
    x0: FloatArray, x1: FloatArray, t0: FloatArray, t1: FloatArray, r0: FloatArray
) -> FloatArray:
    v1 = x1 - x0
    c1 = v1 @ v1
    r = r0 - (2 / c1) * (v1 @ r0) * v1
    t = t0 - (2 / c1) * (v1 @ t0) * v1
    v2 = t1 - t
    c2 = v2 @ v2
    turned = r if c2 < 1e-18 else r - (2 / c2) * (v2 @ r) * v2
    return np.asarray(unit(turned - (turned @ t1) * t1))


def _strip_faces(rings: int, sides: int, closed: bool) -> IntArray:
    i, k = np.meshgrid(np.arange(rings if closed else rings - 1), np.arange(sides), indexing="ij")
    here, there = i * sides, ((i + 1) % rings) * sides
    a, b = here + k, here + (k + 1) % sides
    c, d = there + k, there + (k + 1) % sides
    quads = np.stack([a, b, d, a, d, c], axis=-1)
    return quads.reshape(-1, 3)


def revolved(profile: FloatArray, centre: FloatArray, axis: FloatArray, sides: int = 72) -> Surface:
    """Return the surface of revolution of a profile about ``axis`` through ``centre``.

    Parameters
    ----------
    profile : (N, 2) array
        Place along the axis and distance from it, mm, in ascending order of place.
    centre, axis : (3,) array
    """
    n = unit(axis)
    e1, e2 = perpendicular_basis(n)
    angle = np.linspace(0.0, 2 * np.pi, sides, endpoint=False)
    ring = np.cos(angle)[:, None] * e1 + np.sin(angle)[:, None] * e2
    z, r = profile[:, 0], profile[:, 1]
    points = centre + z[:, None, None] * n + r[:, None, None] * ring
    faces = _strip_faces(len(profile), sides, closed=False)
    return Surface(points.reshape(-1, 3), faces)


def sphere_profile(diameter_mm: float, rings: int = 37) -> FloatArray:
    """Return the (N, 2) profile of a sphere for :func:`revolved`."""
    polar = np.linspace(np.pi, 0.0, rings)
    radius = 0.5 * diameter_mm
    return np.stack([radius * np.cos(polar), radius * np.sin(polar)], axis=1)


def plane_segments(
    surface: Surface, origin: FloatArray, normal: FloatArray, values: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Cut a surface by a plane, for drawing.

    Returns
    -------
    segments : (S, 2, 3) array
        One line for each triangle that the plane crosses.
    means : (S,) array
        Mean of ``values`` (V,) over each line; zeros where none are given.
    """
    height = (surface.points - origin) @ unit(normal)
    above = height >= 0
    first, second, third = above[surface.faces].T
    crossing = np.flatnonzero((first != second) | (first != third))
    ends = np.empty((len(crossing), 2, 3))
    at_ends = np.zeros((len(crossing), 2))
    filled = np.zeros(len(crossing), dtype=np.int64)
    for a, b in ((0, 1), (1, 2), (2, 0)):
        i, j = surface.faces[crossing, a], surface.faces[crossing, b]
        rows = np.flatnonzero(above[i] != above[j])
        i, j = i[rows], j[rows]
        t = height[i] / (height[i] - height[j])
        slot = filled[rows]
        ends[rows, slot] = surface.points[i] + t[:, None] * (surface.points[j] - surface.points[i])
        if values is not None:
            at_ends[rows, slot] = values[i] + t * (values[j] - values[i])
        filled[rows] += 1
    return ends, at_ends.mean(axis=1)
