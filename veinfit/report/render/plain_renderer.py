"""A renderer that needs nothing but numpy: triangles into a depth buffer.

It stands in where the graphics library cannot draw, and shows the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from veinfit.report.render.scene import Camera, Layer, Pass, Raster
from veinfit.surface.mesh import vertex_normals
from veinfit.vectors import unit

FRAGMENTS_AT_ONCE = 1_500_000
"""How many candidate pixels are worked on together: bounds the memory at about 100 MB."""

KEY_LIGHT = (0.45, 0.25, (-0.55, 0.55, 0.63))
"""Weights of the light from the viewer and of the light aside, and the latter's direction:
to the right, up, towards the viewer."""


@dataclass(slots=True)
class _Hits:
    """Pixels that a layer covers: flat index, distance, triangle, weights of its corners 1, 2."""

    pixel: np.ndarray
    depth: np.ndarray
    triangle: np.ndarray
    u: np.ndarray
    v: np.ndarray


def paint(passes: tuple[Pass, ...], scale: int = 2) -> Iterator[Raster]:
    """Draw every pass at ``scale`` times its camera's size."""
    for one in passes:
        yield _paint(one, scale)


def _paint(one: Pass, scale: int) -> Raster:
    camera = one.camera
    width, height = camera.width_px * scale, camera.height_px * scale
    count = width * height
    nearest = np.full(count, np.inf, dtype=np.float32)
    owner = np.full(count, -1, dtype=np.int32)
    triangle = np.zeros(count, dtype=np.int32)
    u, v = np.zeros(count, dtype=np.float32), np.zeros(count, dtype=np.float32)
    for index, layer in enumerate(one.layers):
        for hits in _cover(layer, camera, scale, width, height):
            closer = hits.depth < nearest[hits.pixel]
            pixel, depth = hits.pixel[closer], hits.depth[closer]
            np.minimum.at(nearest, pixel, depth)
            front = depth == nearest[pixel]
            pixel = pixel[front]
            owner[pixel] = index
            triangle[pixel] = hits.triangle[closer][front]
            u[pixel], v[pixel] = hits.u[closer][front], hits.v[closer][front]
    colour = np.full((count, 3), 255, dtype=np.uint8)
    for index, layer in enumerate(one.layers):
        seen = np.flatnonzero(owner == index)
        if len(seen):
            colour[seen] = _shade(layer, triangle[seen], u[seen], v[seen], camera, one.facing_light)
    return Raster(colour.reshape(height, width, 3), nearest.reshape(height, width))


def _cover(layer: Layer, camera: Camera, scale: int, width: int, height: int) -> Iterator[_Hits]:
    """Yield the pixels that a layer covers, in portions."""
    screen = camera.project(layer.surface.points)
    screen[:, :2] = screen[:, :2] * scale - 0.5
    screen[:, 2] += layer.set_back_mm
    faces = _candidates(layer, screen, camera, width, height)
    clip = None
    if layer.clip is not None:
        clip = ((layer.surface.points - layer.clip[0]) @ unit(layer.clip[1])).astype(np.float32)
    for chunk, first, size in _by_size(screen, layer.surface.faces, faces, width, height):
        hits = _fill(layer, screen, clip, chunk, first, size, width, height)
        if hits is not None:
            yield hits


def _candidates(
    layer: Layer, screen: np.ndarray, camera: Camera, width: int, height: int
) -> np.ndarray:
    corner = screen[layer.surface.faces]
    low, high = corner[..., :2].min(axis=1), corner[..., :2].max(axis=1)
    inside = (high > -0.5).all(axis=1) & (low < [width - 0.5, height - 0.5]).all(axis=1)
    a, b, c = (layer.surface.points[layer.surface.faces[:, k]] for k in range(3))
    facing = np.cross(b - a, c - a) @ camera.towards
    inside &= np.abs(facing) > 1e-12
    if layer.cull == "facing":
        inside &= facing < 0
    elif layer.cull == "averted":
        inside &= facing > 0
    return np.flatnonzero(inside)


def _by_size(
    screen: np.ndarray, faces: np.ndarray, chosen: np.ndarray, width: int, height: int
) -> Iterator[tuple[np.ndarray, np.ndarray, int]]:
    """Yield triangles grouped by the square of pixels that holds them within the picture.

    Yields
    ------
    triangles : (N,) array
    first : (N, 2) array
        The square's left and upper pixel.
    size : int
        Its width.
    """
    corner = screen[faces[chosen], :2]
    frame = np.array([width - 1, height - 1])
    first = np.clip(np.floor(corner.min(axis=1)), 0, frame).astype(np.int64)
    last = np.clip(np.ceil(corner.max(axis=1)), 0, frame).astype(np.int64)
    extent = (last - first).max(axis=1) + 1
    level = np.ceil(np.log2(np.maximum(extent, 2)) * 2).astype(int)
    for step in np.unique(level):
        size = int(np.ceil(2 ** (step / 2)))
        group = np.flatnonzero(level == step)
        at_once = max(1, FRAGMENTS_AT_ONCE // size**2)
        for start in range(0, len(group), at_once):
            part = group[start : start + at_once]
            yield chosen[part], first[part], size


def _fill(
    layer: Layer,
    screen: np.ndarray,
    clip: np.ndarray | None,
    chunk: np.ndarray,
    first: np.ndarray,
    size: int,
    width: int,
    height: int,
) -> _Hits | None:
    corner = screen[layer.surface.faces[chunk]]
    p0, e1, e2 = corner[:, 0], corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area = e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0]
    good = np.abs(area) > 1e-9
    chunk, first, p0, e1, e2, area = (x[good] for x in (chunk, first, p0, e1, e2, area))
    step = np.arange(size)
    x, y = first[:, 0, None] + step, first[:, 1, None] + step
    # Weights of corners 1 and 2 are sums of a part along the row and one along the column.
    k = 1.0 / area[:, None]
    dx, dy = (x - p0[:, 0, None]) * k, (y - p0[:, 1, None]) * k
    u_x, u_y = (dx * e2[:, 1, None]).astype(np.float32), (dy * e2[:, 0, None]).astype(np.float32)
    v_x, v_y = (dx * e1[:, 1, None]).astype(np.float32), (dy * e1[:, 0, None]).astype(np.float32)
    # A place outside the picture gets a weight that is outside every triangle.
    u_x[x >= width] = np.nan
    u_y[y >= height] = np.nan
    u = u_x[:, None, :] - u_y[:, :, None]
    v = v_y[:, :, None] - v_x[:, None, :]
    inside = u >= -1e-4
    inside &= v >= -1e-4
    inside &= u + v <= 1.0001
    n, row, column = np.nonzero(inside)
    if not len(n):
        return None
    u, v = u[n, row, column], v[n, row, column]
    if clip is not None:
        at = clip[layer.surface.faces[chunk[n]]]
        kept = at[:, 0] + u * (at[:, 1] - at[:, 0]) + v * (at[:, 2] - at[:, 0]) <= 0
        n, row, column, u, v = (part[kept] for part in (n, row, column, u, v))
    depth = p0[n, 2] + u * e1[n, 2] + v * e2[n, 2]
    pixel = y[n, row] * width + x[n, column]
    return _Hits(pixel, depth.astype(np.float32), chunk[n], u, v)


def _shade(
    layer: Layer,
    triangle: np.ndarray,
    u: np.ndarray,
    v: np.ndarray,
    camera: Camera,
    facing_light: bool,
) -> np.ndarray:
    """Return the (N, 3) uint8 colours of places on a layer's triangles."""
    faces = layer.surface.faces[triangle]

    def between(values: np.ndarray) -> np.ndarray:
        at = values.astype(np.float32)
        first = at[faces[:, 0]]
        return np.asarray(first + u * (at[faces[:, 1]] - first) + v * (at[faces[:, 2]] - first))

    normals = vertex_normals(layer.surface)
    x, y, z = (
        between(normals @ direction) for direction in (camera.right, camera.up, camera.towards)
    )
    length = np.maximum(np.sqrt(x * x + y * y + z * z), 1e-6)
    light = np.abs(z) / length
    if not facing_light:
        ahead, aside, lamp = KEY_LIGHT
        right, up, near = unit(lamp)
        # Two-sided: a normal that faces away is turned to the viewer.
        lit = np.maximum((right * x + up * y + near * z) * np.sign(z) / length, 0.0)
        light = (ahead * light + aside * lit) / (ahead + aside)
    if layer.values is None:
        base = layer.palette[:1].astype(np.float32)
    else:
        band = np.searchsorted(layer.edges, between(layer.values), side="left")
        base = layer.palette.astype(np.float32)[band]
    strength = (layer.ambient + (1 - layer.ambient) * light).astype(np.float32)
    return np.asarray(np.rint(255 * np.clip(base * strength[:, None], 0, 1)), dtype=np.uint8)
