"""The part of a layer that its camera can show: all else need not be handed to the renderer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from veinfit.report.render.covered_wall import uncovered
from veinfit.report.render.scene import Camera, Layer
from veinfit.surface import Surface
from veinfit.surface.mesh import any_corner, vertex_normals
from veinfit.vectors import BoolArray, FloatArray, unit

OUTSIDE_PX = 2.0
"""Triangles this far outside the picture are left out: farther than rounding moves them."""

SLIVER_PX2 = 0.05
"""A triangle so small counts as turned either way: the renderer itself decides."""

CUT_MM = 1e-3
"""Triangles this far beyond the plane that cuts a layer are left out."""


def seen_part(layer: Layer, camera: Camera) -> tuple[Layer, FloatArray]:
    """Return what a camera can show of a layer, and the normals (V, 3) of its points.

    Parameters
    ----------
    layer : Layer
    camera : Camera

    Returns
    -------
    part : Layer
        The same pixels: only triangles that are turned away, cut away, covered or outside the
        picture are missing.
    normals : (V, 3) array
        Of the part's points, by all triangles of the whole layer.
    """
    surface = layer.surface
    if layer.covered_by is not None:
        # Only now: what is left of the walls of all pictures at once would take much memory.
        surface = uncovered(surface, layer.covered_by)
        layer = replace(layer, surface=surface, covered_by=None)
    seen = np.flatnonzero(_seen(layer, camera))
    used = np.zeros(len(surface.points), dtype=bool)
    used[surface.faces[seen]] = True
    # Normals are means over all faces around, seen or not.
    around = Surface(surface.points, surface.faces[any_corner(surface.faces, used)])
    number = np.cumsum(used) - 1
    part = Surface(surface.points[used], number[surface.faces[seen]])
    values = None if layer.values is None else np.asarray(layer.values)[used]
    return replace(layer, surface=part, values=values), vertex_normals(around)[used]


def _seen(layer: Layer, camera: Camera) -> BoolArray:
    """Which faces (F,) may leave a mark on the picture."""
    surface = layer.surface
    x, y = camera.across(surface.points)
    faces = surface.by_corner
    outside = [
        x < -OUTSIDE_PX,
        x > camera.width_px + OUTSIDE_PX,
        y < -OUTSIDE_PX,
        y > camera.height_px + OUTSIDE_PX,
    ]
    if layer.clip is not None:
        origin, normal = layer.clip
        outside.append((surface.points - origin) @ unit(normal) > CUT_MM)
    # A bit for each side: a face with all corners beyond one of them cannot be seen.
    beyond = np.zeros(len(surface.points), dtype=np.uint8)
    for bit, side in enumerate(outside):
        beyond |= side.astype(np.uint8) << bit
    first, second, third = (beyond[corner] for corner in faces)
    seen: BoolArray = (first & second & third) == 0
    if layer.cull != "none":
        own = np.flatnonzero(seen)
        (x0, x1, x2), (y0, y1, y2) = ([part[corner[own]] for corner in faces] for part in (x, y))
        # Twice the area, positive where a face is turned to the viewer: y runs down.
        area = (x2 - x0) * (y1 - y0) - (x1 - x0) * (y2 - y0)
        turned = area if layer.cull == "facing" else -area
        seen[own[turned > 2.0 * SLIVER_PX2]] = False
    return seen
