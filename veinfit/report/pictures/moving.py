"""Pictures one after the other, as a GIF."""

from __future__ import annotations

import io
from collections.abc import Sequence

FRAME_MS = 90
"""How long each picture of a moving one is shown."""

GIF_COLOURS = 255
"""Colours of a moving picture, one palette for all its frames."""


def moving(frames: Sequence[bytes]) -> bytes:
    """Join pictures into one that turns for ever, with one palette for all."""
    from PIL import Image

    images = [Image.open(io.BytesIO(frame)).convert("RGB") for frame in frames]
    chosen = images[:: max(1, len(images) // 6)]
    width, height = images[0].size
    strip = Image.new("RGB", (width, height * len(chosen)))
    for k, image in enumerate(chosen):
        strip.paste(image, (0, k * height))
    palette = strip.quantize(GIF_COLOURS, method=Image.Quantize.MEDIANCUT)
    flat = [image.quantize(palette=palette, dither=Image.Dither.NONE) for image in images]
    stream = io.BytesIO()
    flat[0].save(
        stream, format="GIF", save_all=True, append_images=flat[1:], duration=FRAME_MS, loop=0,
        optimize=False,
    )  # fmt: skip
    return stream.getvalue()
