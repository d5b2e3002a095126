"""Pictures one after the other, as a GIF."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np

from veinfit.report.colours import GapBand

FRAME_MS = 90
"""How long each picture of a moving one is shown."""

GIF_COLOURS = 255
"""Colours of a moving picture, one palette for all its frames."""

BESIDE = 9
"""A colour of the palette so near to a band's, of 255 in each channel, becomes it: colours are
looked up in steps of 4, and such a one could take the band's place."""


def moving(frames: Sequence[bytes], bands: Sequence[GapBand]) -> bytes:
    """Join pictures into one that turns for ever, with one palette for all.

    Parameters
    ----------
    frames : sequence of bytes
        PNG, all of one size.
    bands : sequence of GapBand
        Whose colours are kept: a palette by area alone may make two of them one.

    Returns
    -------
    bytes
    """
    from PIL import Image, ImageColor

    images = [Image.open(io.BytesIO(frame)).convert("RGB") for frame in frames]
    chosen = images[:: max(1, len(images) // 6)]
    width, height = images[0].size
    strip = Image.new("RGB", (width, height * len(chosen)))
    for k, image in enumerate(chosen):
        strip.paste(image, (0, k * height))
    by_area = strip.quantize(GIF_COLOURS - len(bands), method=Image.Quantize.MEDIANCUT)
    colours = np.array(by_area.getpalette() or [], dtype=int).reshape(-1, 3)
    kept = np.array([ImageColor.getrgb(band.colour)[:3] for band in bands], dtype=int)
    off = np.abs(colours[:, None] - kept).max(axis=2)
    beside = off.min(axis=1) <= BESIDE
    colours[beside] = kept[off[beside].argmin(axis=1)]
    palette = Image.new("P", (1, 1))
    palette.putpalette([*colours.ravel().tolist(), *kept.ravel().tolist()])
    flat = [image.quantize(palette=palette, dither=Image.Dither.NONE) for image in images]
    stream = io.BytesIO()
    flat[0].save(
        stream, format="GIF", save_all=True, append_images=flat[1:], duration=FRAME_MS, loop=0,
        optimize=False,
    )  # fmt: skip
    return stream.getvalue()
