"""Turns a renderer's passes into one flat picture: outlines, depth, see-through bodies."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import gaussian_filter

from veinfit.report.colours import PAPER, rgb
from veinfit.report.render.scene import Raster, TranslucentBody

OUTLINE_STEP_MM = 2.5
"""Where the distance jumps by more than this between neighbouring pixels, an outline is drawn."""

OUTLINE_STRENGTH = 0.55
"""How much of the colour an outline takes away."""

HOLLOW_MM = 9.0
"""A place this much deeper than its surroundings is shaded in full."""

HOLLOW_STRENGTH = 0.28
"""How much of the colour full shading of a hollow takes away."""

HOLLOW_REACH = 0.022
"""Radius of the surroundings of a hollow, as a share of the picture's height."""

SAME_DEPTH_MM = 0.05
"""A see-through body is in front of the wall down to this far behind it."""


def flatten(
    solid: Raster,
    translucent: Sequence[tuple[TranslucentBody, Raster]],
    scale: int,
    ground: str = PAPER,
) -> np.ndarray:
    """Return the (H, W, 3) uint8 picture of one view, ``scale`` times smaller than the passes.

    ``ground`` is the colour where nothing is.

    Hollows are shaded by unsharp masking of the depth (Luft, Colditz and
    Deussen, ACM Trans Graph 25(3), 2006).
    """
    image = _reduced(solid.colour, scale)
    image /= 255.0
    seen = np.isfinite(solid.depth)
    if seen.any():
        farthest = solid.depth[seen].max()
        shade = _hollows(solid.depth, seen, farthest, scale)
        image *= (shade * _outlines(solid.depth, seen, farthest, scale))[..., None]
    if ground != PAPER:
        # Renderers leave white where nothing is: that share of each pixel is taken back.
        bare = 1.0 - _reduced(seen, scale)[..., None]
        image -= bare * (1.0 - rgb(ground).astype(np.float32))
        np.clip(image, 0.0, 1.0, out=image)
    for translucent_body, raster in translucent:
        _blend(image, solid, translucent_body, raster, scale)
    return np.rint(255 * np.clip(image, 0, 1)).astype(np.uint8)


def _reduced(values: np.ndarray, scale: int) -> np.ndarray:
    """Return the means of squares of ``scale`` pixels, as float32, of bool or uint8 values."""
    rows, columns = values.shape[0] // scale, values.shape[1] // scale
    channels = values.size // (values.shape[0] * values.shape[1])
    # Sums of whole numbers are exact. Row by row first, and channel by channel: loops are long.
    flat = values.reshape(values.shape[0], -1)[: rows * scale]
    lines = flat[::scale].astype(np.uint16)
    for row in range(1, scale):
        lines += flat[row::scale]
    total = np.empty((rows, columns, channels), dtype=np.float32)
    for channel in range(channels):
        own = lines[:, channel::channels]
        sums = own[:, : columns * scale : scale].copy()
        for column in range(1, scale):
            sums += own[:, column : columns * scale : scale]
        total[..., channel] = sums
    total /= scale * scale
    return total.reshape(rows, columns, *values.shape[2:])


def _blend(
    image: np.ndarray, solid: Raster, translucent_body: TranslucentBody, raster: Raster, scale: int
) -> None:
    """Lay a see-through body over ``image``, in place."""
    part = _extent(raster.depth, scale)
    image = image[tuple(slice(one.start // scale, one.stop // scale) for one in part)]
    shown = raster.depth[part] < solid.depth[part] + SAME_DEPTH_MM
    covered = _reduced(shown, scale)
    rows, columns = np.nonzero(covered)
    # Mean over the covered pixels alone: what lies beside the body is white.
    facing = _reduced(np.where(shown, raster.colour[..., 0][part], 0), scale)[rows, columns]
    share = covered[rows, columns]
    facing = np.clip(facing / (255.0 * share), 0, 1)[:, None]
    alpha = (
        translucent_body.alpha
        + (translucent_body.rim_alpha - translucent_body.alpha) * (1 - facing) ** 2.5
    )
    alpha *= share[:, None]
    tint = translucent_body.colour.astype(np.float32) * (0.45 + 0.55 * facing)
    image[rows, columns] = image[rows, columns] * (1 - alpha) + alpha * tint


def _extent(depth: np.ndarray, scale: int) -> tuple[slice, slice]:
    """Return the rows and columns in which anything is, in whole pixels of the picture."""
    there = np.isfinite(depth)
    result = []
    for axis, length in ((1, depth.shape[0]), (0, depth.shape[1])):
        own = np.flatnonzero(there.any(axis=axis))
        low, high = (own[0], own[-1] + 1) if len(own) else (0, 0)
        end = min(-(-int(high) // scale), length // scale)
        result.append(slice(int(low) // scale * scale, end * scale))
    return result[0], result[1]


def _hollows(depth: np.ndarray, seen: np.ndarray, farthest: float, scale: int) -> np.ndarray:
    """Shade of hollows, worked out on a coarser grid: it varies slowly."""
    seen = seen[::scale, ::scale]
    filled = np.where(seen, depth[::scale, ::scale], farthest)
    coarse = filled[::2, ::2]
    smooth = gaussian_filter(coarse, HOLLOW_REACH * coarse.shape[0], mode="nearest", truncate=2.5)
    smooth = np.repeat(np.repeat(smooth, 2, axis=0), 2, axis=1)
    deeper = filled - smooth[: filled.shape[0], : filled.shape[1]]
    shade = 1.0 - HOLLOW_STRENGTH * np.clip(deeper / HOLLOW_MM, 0.0, 1.0)
    return np.where(seen, shade, 1.0).astype(np.float32)


def _outlines(depth: np.ndarray, seen: np.ndarray, farthest: float, scale: int) -> np.ndarray:
    """Shade of outlines: where neighbouring pixels differ in distance."""
    filled = np.where(seen, depth, farthest + 10 * OUTLINE_STEP_MM)
    edge = np.zeros(depth.shape, dtype=bool)
    apart = filled[1:] - filled[:-1]
    down = np.abs(apart, out=apart) > OUTLINE_STEP_MM
    apart = filled[:, 1:] - filled[:, :-1]
    across = np.abs(apart, out=apart) > OUTLINE_STEP_MM
    edge[1:] |= down
    edge[:-1] |= down
    edge[:, 1:] |= across
    edge[:, :-1] |= across
    return 1.0 - OUTLINE_STRENGTH * _reduced(edge, scale)
