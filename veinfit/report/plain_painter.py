"""A painter that needs nothing but numpy: triangles into a depth buffer.

It stands in where the graphics library cannot draw, and shows the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from veinfit.frames import unit
from veinfit.report.scene import Camera, Layer, Pass, Raster
from veinfit.surface.mesh import vertex_normals

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
    nearest = np.full(width * height, np.inf, dtype=np.float32)
    colour = np.full((width * height, 3), 255, dtype=np.uint8)
    for layer in one.layers:
        hits = _cover(layer, camera, scale, width, height)
        if not len(hits.pixel):
            continue
        before = nearest.copy()
        np.minimum.at(nearest, hits.pixel, hits.depth)
        front = (hits.depth == nearest[hits.pixel]) & (hits.depth < before[hits.pixel])
        colour[hits.pixel[front]] = _shade(layer, hits, front, camera, one.facing_light)
    return Raster(colour.reshape(height, width, 3), nearest.reshape(height, width))


def _cover(layer: Layer, camera: Camera, scale: int, width: int, height: int) -> _Hits:
    screen = camera.project(layer.surface.points)
    screen[:, :2] = screen[:, :2] * scale - 0.5
    screen[:, 2] += layer.set_back_mm
    faces = _candidates(layer, screen, camera, width, height)
    clip = None
    if layer.clip is not None:
        clip = ((layer.surface.points - layer.clip[0]) @ unit(layer.clip[1])).astype(np.float32)
    parts = [
        part
        for chunk, size in _by_size(screen, layer.surface.faces, faces)
        if (part := _fill(layer, screen, clip, chunk, size, width, height)) is not None
    ]
    if not parts:
        empty = np.zeros(0, dtype=np.float32)
        return _Hits(empty.astype(np.int64), empty, empty.astype(np.int64), empty, empty)
    return _Hits(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("pixel", "depth", "triangle", "u", "v")
        )
    )


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
    screen: np.ndarray, faces: np.ndarray, chosen: np.ndarray
) -> Iterator[tuple[np.ndarray, int]]:
    """Yield triangles grouped by the width in pixels of the square that holds them."""
    corner = screen[faces[chosen], :2]
    first = np.floor(corner.min(axis=1))
    extent = (np.ceil(corner.max(axis=1)) - first).max(axis=1) + 1
    level = np.ceil(np.log2(np.maximum(extent, 2)) * 2).astype(int)
    for step in np.unique(level):
        size = int(np.floor(2 ** (step / 2)))
        group = chosen[level == step]
        at_once = max(1, FRAGMENTS_AT_ONCE // size**2)
        for start in range(0, len(group), at_once):
            yield group[start : start + at_once], size


def _fill(
    layer: Layer,
    screen: np.ndarray,
    clip: np.ndarray | None,
    chunk: np.ndarray,
    size: int,
    width: int,
    height: int,
) -> _Hits | None:
    corner = screen[layer.surface.faces[chunk]]
    p0, e1, e2 = corner[:, 0], corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area = e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0]
    good = np.abs(area) > 1e-9
    chunk, corner, p0, e1, e2, area = (x[good] for x in (chunk, corner, p0, e1, e2, area))
    first = np.floor(corner[..., :2].min(axis=1)).astype(np.int64)
    step = np.arange(size)
    x, y = first[:, 0, None] + step, first[:, 1, None] + step
    dx = (x - p0[:, 0, None]).astype(np.float32)[:, None, :]
    dy = (y - p0[:, 1, None]).astype(np.float32)[:, :, None]
    k = (1.0 / area).astype(np.float32)[:, None, None]
    e1x, e1y, e2x, e2y = (
        e[:, i].astype(np.float32)[:, None, None] for e in (e1, e2) for i in (0, 1)
    )
    u = (dx * e2y - dy * e2x) * k
    v = (dy * e1x - dx * e1y) * k
    inside = (u >= -1e-4) & (v >= -1e-4) & (u + v <= 1.0001)
    inside &= ((x >= 0) & (x < width))[:, None, :] & ((y >= 0) & (y < height))[:, :, None]
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
    layer: Layer, hits: _Hits, front: np.ndarray, camera: Camera, facing_light: bool
) -> np.ndarray:
    corners = layer.surface.faces[hits.triangle[front]]
    weight = np.stack([1 - hits.u - hits.v, hits.u, hits.v], axis=1)[front]
    normal = unit(np.einsum("nk,nkd->nd", weight, vertex_normals(layer.surface)[corners]))
    toward = normal @ camera.towards
    normal = np.where(toward[:, None] < 0, -normal, normal)
    light = np.abs(toward)
    if not facing_light:
        ahead, aside, (right, up, near) = KEY_LIGHT
        lamp = unit(right * camera.right + up * camera.up + near * camera.towards)
        total = ahead + aside
        light = (ahead * light + aside * np.clip(normal @ lamp, 0, None)) / total
    if layer.values is None:
        base = np.broadcast_to(layer.palette[0], (len(corners), 3))
    else:
        value = np.einsum("nk,nk->n", weight, layer.values[corners])
        base = layer.palette[np.searchsorted(layer.edges, value, side="left")]
    strength = layer.ambient + (1 - layer.ambient) * light
    return np.asarray(np.rint(255 * np.clip(base * strength[:, None], 0, 1)), dtype=np.uint8)
